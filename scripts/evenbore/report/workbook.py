"""comparison.xlsx: the tables to decide by as a workbook. Text stays text, whatever it looks like.

It is written row by row, so that long tables take no memory. Of many instruments the pairs are those of the instruments
that the report shows; what is left out is said in the sheet and stands in the tables.
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter  # type: ignore[import-untyped]  # the library has no types

from evenbore.facts.columns import TABLES
from evenbore.files.tables import empty_table
from evenbore.report.results import Results

WORKBOOK_SHEETS = {
    "status": "status",
    "decisions": "vetting",
    "findings": "findings",
    "value": "value",
    "criteria": "instruments",
    "pairs": "pairs",
    "ranking": "ranking",
}
"""Sheet -> results table; the sheets `summary` and `columns` come from all."""
NAMED = ("status", "vetting", "findings", "value")
"""Tables that get the instruments' labels beside their ids, for they are read by themselves."""
ROUNDED = "0.0##"
"""How numbers with a fraction are shown; the cell holds what the table has."""
MOST_ROWS = 1_048_576  # of a sheet, by the file format
WIDEST = 40
LONGEST_TEXT = 32767  # of a cell, by the file format


def write_workbook(results: Results, path: str | Path) -> None:
    """Write the workbook: summary first, then the WORKBOOK_SHEETS, then what the columns mean."""
    # a fixed date: the same tables give the same file
    with xlsxwriter.Workbook(path, {"constant_memory": True}) as workbook:
        workbook.set_properties({"created": datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)})
        head = workbook.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        formats = head, workbook.add_format({"num_format": ROUNDED})
        _write(workbook, formats, "summary", [summary(results)])
        for sheet, table in WORKBOOK_SHEETS.items():
            _write(workbook, formats, sheet, _rows(results, table), _told(results, table))
        _write(workbook, formats, "columns", [columns_table().query(f"table in {list(WORKBOOK_SHEETS.values())}")])


def _rows(results: Results, table: str) -> Iterator[pd.DataFrame]:
    """The rows of a table that the workbook holds, a part at a time."""
    for part in chain([empty_table(table)], results.tables.whole(table)):
        if table == "pairs":
            part = part[part[["instrument_a", "instrument_b"]].isin(results.shown).all(axis=1)]
        if table in NAMED:
            known = part["instrument"].map(results.label, na_action="ignore")
            part = part.assign(label=known)[["instrument", "label", *part.columns.drop("instrument")]]
        yield part


def _told(results: Results, table: str) -> str:
    """What a sheet leaves out, empty when it is nothing."""
    if table != "pairs" or len(results.shown) == len(results.order):
        return ""
    return f"The first {len(results.shown)} of {len(results.order)} instruments. All rows: {_file(table)}"


def _file(table: str) -> str:
    return f"results/tables/{table}.tsv"


def summary(results: Results) -> pd.DataFrame:
    """One row per instrument: label, decision, must-passes; value, low and high of each criterion, unit in its head."""
    status = results.tables["status"].query("current == 'yes'").set_index("instrument")
    rows = results.compared("instruments").set_index(["instrument", "criterion"])
    frame = pd.DataFrame(
        {
            "instrument": results.order,
            "label": [results.label(name) for name in results.order],
            "state": [results.states.get(name) for name in results.order],
            "decision": status["decision"].reindex(results.order).to_numpy(object),
            "must-passes": status["must_pass"].reindex(results.order).to_numpy(object),
        }
    )
    criterion: Any
    for criterion in results.tables["criteria"].itertuples(index=False):
        of_criterion = rows[rows.index.get_level_values("criterion") == criterion.criterion].droplevel("criterion")
        for column in ("value", "low", "high"):
            title = criterion.criterion if column == "value" else f"{criterion.criterion} {column}"
            frame[f"{title} ({criterion.unit})"] = of_criterion[column].reindex(results.order).to_numpy(float)
    return frame


def columns_table() -> pd.DataFrame:
    """What every column of every results table means: table, column, unit, meaning, source."""
    return pd.DataFrame(
        [(table, c.name, c.unit, c.meaning, c.source) for table, listed in TABLES.items() for c in listed],
        columns=["table", "column", "unit", "meaning", "source"],
    )


def _write(
    workbook: xlsxwriter.Workbook, formats: tuple[xlsxwriter.format.Format, xlsxwriter.format.Format], name: str,
    parts: Iterable[pd.DataFrame], told: str = "",
) -> None:  # fmt: skip
    """A sheet: header, rows as far as they fit, and what is left out in a remark on the header and below the rows.

    `formats`: of the header, and of numbers with a fraction.
    """
    sheet = workbook.add_worksheet(name)
    sheet.freeze_panes(1, 1)
    rows = 0
    widths: dict[str, int] = {}
    if told:
        sheet.write_comment(0, 0, told)
    for part in parts:
        if not widths:
            for column, title in enumerate(part.columns):
                sheet.write_string(0, column, title, formats[0])
            widths = {title: len(title) for title in part.columns}
        fitting = part[: MOST_ROWS - 2 - rows]
        _write_rows(sheet, rows + 1, fitting, widths, formats[1])
        rows += len(fitting)
        if len(fitting) < len(part):
            told = f"The first {rows} rows: a sheet holds no more. All rows: {_file(WORKBOOK_SHEETS.get(name, name))}"
            break
    for column, width in enumerate(widths.values()):
        sheet.set_column(column, column, min(width + 2, WIDEST))
    if rows:
        sheet.autofilter(0, 0, rows, len(widths) - 1)
    if told:
        sheet.write_string(rows + 1, 0, told)


def _write_rows(
    sheet: xlsxwriter.worksheet.Worksheet, first: int, rows: pd.DataFrame, widths: dict[str, int],
    rounded: xlsxwriter.format.Format,
) -> None:  # fmt: skip
    """Rows of cells from row `first` on; `rounded`: format of numbers with a fraction; `widths`: longest text of each
    column so far, updated."""
    number = [pd.api.types.is_numeric_dtype(rows[title]) for title in rows]
    for title, numeric in zip(rows.columns, number, strict=True):
        if not numeric:
            widths[title] = max([widths[title], *rows[title].dropna().astype(str).str.len()])
    columns = [rows[title].astype(object).where(rows[title].notna(), None) for title in rows]
    for row, values in enumerate(zip(*columns, strict=True), start=first):
        for column, value in enumerate(values):
            if value is None:
                continue  # an empty cell, as in the tables
            if number[column]:
                sheet.write_number(row, column, value, None if value == round(value) else rounded)
            else:
                sheet.write_string(row, column, str(value)[:LONGEST_TEXT])
