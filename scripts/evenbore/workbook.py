"""comparison.xlsx: the tables to decide by as a workbook. Text stays text, whatever it looks like."""

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import xlsxwriter

from evenbore.columns import TABLES
from evenbore.results import Results

SHEETS = {
    "criteria": "instruments",
    "pairs": "pairs",
    "ranking": "ranking",
    "note profiles": "note_profiles",
}
"""Sheet -> results table; the sheets `summary` and `columns` come from all."""
WIDEST = 40
LONGEST_TEXT = 32767  # of a cell, by the file format


def write_workbook(results: Results, path: str | Path) -> None:
    """Write the workbook: summary first, then the SHEETS, then what the columns mean."""
    # a fixed date: the same tables give the same file
    with xlsxwriter.Workbook(path) as workbook:
        workbook.set_properties({"created": datetime(2000, 1, 1, tzinfo=UTC).replace(tzinfo=None)})
        head = workbook.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        _write(workbook, head, "summary", summary(results))
        for sheet, table in SHEETS.items():
            _write(workbook, head, sheet, results.tables[table])
        _write(workbook, head, "columns", columns_table().query(f"table in {list(SHEETS.values())}"))


def summary(results: Results) -> pd.DataFrame:
    """One row per instrument: label, must-passes, and value, low and high of every criterion, unit in the header."""
    gates = results.tables["ranking"].drop_duplicates("instrument").set_index("instrument")["gate"]
    rows = results.compared("instruments").set_index(["instrument", "criterion"])
    frame = pd.DataFrame(
        {
            "instrument": results.order,
            "label": [results.label(name) for name in results.order],
            "state": [results.states.get(name) for name in results.order],
            "must-passes": [gates.get(name) for name in results.order],
        }
    )
    for criterion in results.tables["criteria"].itertuples(index=False):
        own = rows[rows.index.get_level_values("criterion") == criterion.criterion].droplevel("criterion")
        for column in ("value", "low", "high"):
            title = criterion.criterion if column == "value" else f"{criterion.criterion} {column}"
            frame[f"{title} ({criterion.unit})"] = own[column].reindex(results.order).to_numpy(float)
    return frame


def columns_table() -> pd.DataFrame:
    """What every column of every results table means: table, column, unit, meaning, source."""
    return pd.DataFrame(
        [(table, c.name, c.unit, c.meaning, c.source) for table, listed in TABLES.items() for c in listed],
        columns=["table", "column", "unit", "meaning", "source"],
    )


def _write(workbook, head, name: str, frame: pd.DataFrame) -> None:
    sheet = workbook.add_worksheet(name)
    sheet.freeze_panes(1, 1)
    for column, title in enumerate(frame.columns):
        sheet.write_string(0, column, title, head)
        values = frame[title]
        number = pd.api.types.is_numeric_dtype(values)
        width = len(title) if number else max([len(title), *values.dropna().astype(str).str.len()])
        sheet.set_column(column, column, min(width + 2, WIDEST))
        for row, value in enumerate(values, start=1):
            if pd.isna(value):
                continue  # an empty cell, as in the tables
            if number:
                sheet.write_number(row, column, value)
            else:
                sheet.write_string(row, column, str(value)[:LONGEST_TEXT])
    if len(frame):
        sheet.autofilter(0, 0, len(frame), len(frame.columns) - 1)
