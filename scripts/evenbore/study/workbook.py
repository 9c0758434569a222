"""A study's sheets in one workbook: read cell by cell as text, written with lists to choose from and help on the heads.

Of a formula the value counts that the spreadsheet program saved. Sheets of one's own begin with `x_`; the sheet LISTS
holds what the lists offer. Macros, pictures and the like are not looked at.
"""

import zipfile
from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from evenbore.files.atomic import write_atomically
from evenbore.files.errors import Problem
from evenbore.study.config import load_schema, misspelling, printable, shown
from evenbore.study.sheetfile import Records, SheetText, cell_text, sheet_text, with_rows
from evenbore.trade.families import family_keys

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

WORKBOOK = "config/study.xlsx"
LISTS = "lists"
OFFERED = {"instrument": "instruments", "session": "sessions"}  # column -> the sheet whose first column is offered
LARGEST_BYTES = 200_000_000  # unpacked
ROWS_TO_FILL = 2000  # of a sheet, that offer lists
WIDTH = 16  # of a column, in characters


def read_workbook(path: Path, name: str, kinds: Sequence[str]) -> tuple[dict[str, Records], list[Problem]]:
    """The filled rows of the sheets of these kinds that are there, and every problem of reading them."""
    import openpyxl

    sheets: dict[str, Records] = {}
    problems: list[Problem] = []
    try:
        with zipfile.ZipFile(path) as packed:
            if sum(part.file_size for part in packed.infolist()) > LARGEST_BYTES:
                raise ValueError(f"it is larger than {LARGEST_BYTES // 10**6} MB when unpacked")
        values, formulas = (openpyxl.load_workbook(path, read_only=True, data_only=only) for only in (True, False))
        with closing(values), closing(formulas):
            for pair in zip(values.worksheets, formulas.worksheets, strict=True):
                title = pair[0].title
                rows, wrong = _rows_of(pair, f"{name}, sheet {title}")
                if title in kinds:
                    sheets[title] = rows
                    problems += wrong
                elif rows and title != LISTS and not title.startswith("x_"):
                    allowed = f"sheets named {', '.join(kinds)}, or your own, whose names begin with x_"
                    cause = misspelling(title, list(kinds))
                    problems.append(Problem(f"{name}, sheet {printable(title)}", None, None, None, allowed, cause))
    except Exception as error:  # a stranger's file: what reads it fails in many ways
        return {}, [Problem(name, None, None, None, "a workbook (.xlsx) that can be read", printable(str(error)))]
    return sheets, problems


def _rows_of(sheets: tuple["Worksheet", "Worksheet"], name: str) -> tuple[Records, list[Problem]]:
    """The filled rows of a sheet, given with its values and with its formulas; all as long as the longest."""
    rows: Records = []
    problems = []
    for sheet in sheets:
        sheet.reset_dimensions()  # the file may lie about them
    for number, pair in enumerate(zip(*(sheet.iter_rows() for sheet in sheets), strict=True), start=1):
        cells = []
        for at, (value, formula) in enumerate(zip(*pair, strict=True)):
            cells.append(_text(value.value))
            if value.data_type == "e" or (formula.data_type == "f" and value.value is None):
                head = rows[0][1][at] if rows and at < len(rows[0][1]) else None
                allowed = "a value; of a formula, one that was calculated and saved"
                problems.append(Problem(name, number, head, shown(str(formula.value)), allowed))
        if any(cells):
            rows.append((number, cells))
    width = max((len(cells) for _, cells in rows), default=0)
    return [(number, cells + [""] * (width - len(cells))) for number, cells in rows], problems


def _text(value: object) -> str:
    """A cell as it would stand in a text sheet."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return cell_text(value)


def read_book_cells(path: Path, kind: str) -> SheetText:
    """A sheet of a workbook that was read without a problem, as it stands."""
    return sheet_text(read_workbook(path, path.name, (kind,))[0][kind])


def append_to_workbook(path: Path, rows_of: Mapping[str, list[dict[str, str]]]) -> None:
    """Add rows (sheet -> rows) below those that are there, and columns that are lacking; all else stays."""
    import openpyxl

    book = openpyxl.load_workbook(path)
    records = read_workbook(path, path.name, tuple(rows_of))[0]
    for kind, rows in rows_of.items():
        sheet, of_kind = book[kind], records[kind]
        old = sheet_text(of_kind)
        new = with_rows(old, kind, rows)
        for at in range(len(old.columns), len(new.columns)):
            _write_head(sheet, kind, of_kind[0][0], at + 1, new.columns[at])
        for number, cells in enumerate(new.rows[len(old.rows) :], start=of_kind[-1][0] + 1):
            _write_row(sheet, kind, number, new.columns, cells)
    write_atomically(path, book.save)


def write_study_workbook(path: Path, rows_of: Mapping[str, list[dict[str, str]]], states: list[str]) -> None:
    """Write a workbook with these sheets (sheet -> rows); with lists for what is one of several words."""
    import openpyxl
    from openpyxl.worksheet.datavalidation import DataValidation

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    columns = {kind: list(load_schema(kind)["properties"]) for kind in rows_of}
    for kind, rows in rows_of.items():
        sheet = book.create_sheet(kind)
        for at, column in enumerate(columns[kind], start=1):
            _write_head(sheet, kind, 1, at, column)
        for number, row in enumerate(rows, start=2):
            _write_row(sheet, kind, number, columns[kind], [row.get(column, "") for column in columns[kind]])
        sheet.freeze_panes = "B2"
    lists = book.create_sheet(LISTS)
    lists.sheet_state = "hidden"
    for kind in rows_of:
        for at, column in enumerate(columns[kind], start=1):
            words = _words(kind, column, states)
            if column in OFFERED and kind != OFFERED[column]:
                source = f"{OFFERED[column]}!$A$2:$A${ROWS_TO_FILL}"
            elif words:
                lists.append([f"{kind} {column}", *words])
                row = lists.max_row
                source = f"{LISTS}!$B${row}:{lists.cell(row, 1 + len(words)).coordinate}"
            else:
                continue
            choice = DataValidation("list", formula1=source, allow_blank=True, showErrorMessage=False)
            letter = lists.cell(1, at).column_letter
            choice.add(f"{letter}2:{letter}{ROWS_TO_FILL}")
            book[kind].add_data_validation(choice)
    write_atomically(path, book.save)


def _words(kind: str, column: str, states: list[str]) -> list[str]:
    """What may stand in a column, where that is a list of words."""
    own = {("instruments", "family"): family_keys(), ("recordings", "state"): states, ("inspection", "state"): states}
    words: list[str] = load_schema(kind)["properties"][column].get("enum", own.get((kind, column), []))
    return words


def _write_head(sheet: "Worksheet", kind: str, row: int, at: int, column: str) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Font

    schema = load_schema(kind)
    cell = sheet.cell(row, at, column)
    cell.font = Font(bold=True)
    needed = " Needed." if column in schema["required"] else ""
    cell.comment = Comment(schema["properties"][column]["description"] + needed, "evenbore", height=120, width=300)
    sheet.column_dimensions[cell.column_letter].width = WIDTH


def _write_row(sheet: "Worksheet", kind: str, number: int, columns: list[str], cells: list[str]) -> None:
    """Numbers as numbers, all else as text, whatever it looks like."""
    types = {column: spec["type"] for column, spec in load_schema(kind)["properties"].items()}
    for at, (column, text) in enumerate(zip(columns, cells, strict=True), start=1):
        if not text:
            continue
        cell = sheet.cell(number, at)
        if types.get(column) in ("integer", "number"):
            cell.value = float(text)
        else:
            cell.value = text
            cell.data_type = "s"
