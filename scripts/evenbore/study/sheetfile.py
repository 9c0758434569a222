"""One sheet: from the bytes of a .tsv or .csv to typed rows, every problem found at once.

A sheet is UTF-8 text (with or without BOM) whose first filled row is the header; the separator (tab, comma
or semicolon) is the one that yields the most known columns. Blank cells are None, or the schema's default.
Work goes column by column over distinct values, so that 100,000 rows take seconds.
"""

import csv
import io
import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from evenbore.facts.rows import Row
from evenbore.files.atomic import write_atomically
from evenbore.files.errors import EvenboreError, Problem
from evenbore.study.config import NOT_TEXT, SAID_ONCE, TEXT, load_schema, misspelling, printable, read_bytes, shown
from evenbore.trade.pitch import note_to_midi

if TYPE_CHECKING:
    from jsonschema.protocols import Validator

_Cell: TypeAlias = str | int | float | None
SEPARATORS = {"\t": "tabs", ",": "commas", ";": "semicolons"}
INTEGER = re.compile(r"[+-]?[0-9]{1,15}")
NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
RESERVED = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))})
ID_ALLOWED = "an id: letters, digits, _ and -, beginning with a letter or digit, at most 100 characters"


@dataclass(frozen=True)
class Sheet:
    """Typed rows of one sheet; `numbers[i]` is the spreadsheet row of `rows[i]` (the header is row 1)."""

    kind: str
    file: str
    rows: list[Row] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    complete: bool = False  # False: some of the sheet could not be read, so nothing can be said to be missing


def read_sheet(path: Path, kind: str, name: str) -> tuple[Sheet, list[Problem]]:
    """Read a sheet of a kind (`recordings`, …); return typed rows and all problems (`name`: file as shown)."""
    schema = load_schema(kind)
    text, problem = _read_text(path, name)
    if problem is not None:
        return Sheet(kind, name), [problem]
    separator = _separator(text, schema)
    records, problems = _records(text, separator, name)
    if not records:
        if not problems:
            problems = [
                Problem(
                    name,
                    None,
                    None,
                    None,
                    f"a header row with the columns {', '.join(schema['required'])}",
                    "the file is empty",
                )
            ]
        return Sheet(kind, name), problems
    complete = not problems
    header_number, header = records[0]
    width = max((i for i, cell in enumerate(header, start=1) if cell), default=0)
    header = header[:width]
    header_problems = _check_header(header, header_number, schema, name)
    cells, numbers = [], []
    for number, record in records[1:]:
        if (len(record) > width and any(record[width:])) or len(record) < width:
            complete = False
            problems.append(_ragged(record, number, width, separator, name))
            continue
        cells.append(record[:width])
        numbers.append(number)
    rows, cell_problems = _type_cells(header, cells, numbers, kind, name)
    if not rows and complete and not header_problems and kind in ("recordings", "instruments", "sessions"):
        complete = False
        cell_problems.append(Problem(name, None, None, None, "at least one row below the header", "the sheet is empty"))
    problems = header_problems + sorted(problems + cell_problems, key=lambda p: p.row or 0)
    return Sheet(kind, name, rows, numbers, complete and not header_problems), problems


def _read_text(path: Path, name: str) -> tuple[str, Problem | None]:
    allowed = "text in UTF-8, its cells separated by tabs, commas or semicolons"
    data, cause = read_bytes(path)
    if data is None:
        cause = cause or "the sheet is missing or the config names another file"
        return "", Problem(name, None, None, None, "a readable sheet", cause)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        cause = "saved as UTF-16 ('Unicode text'): save as UTF-8"
    elif data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        cause = "a workbook of a spreadsheet program under a wrong name: save as CSV UTF-8"
    if cause:
        return "", Problem(name, None, None, None, allowed, cause)
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        return "", Problem(name, row, None, None, allowed, "a NUL byte: not a text file, or a damaged one")
    try:
        return data.decode("utf-8-sig"), None
    except UnicodeDecodeError as error:
        row = error.object[: error.start].count(b"\n") + 1
        value = error.object[error.start : error.start + 1].decode("latin-1")
        return "", Problem(name, row, None, value, allowed, "saved as Latin-1 or Windows-1252: save as UTF-8")


def _separator(text: str, schema: dict[str, Any]) -> str:
    """Return the separator whose header holds the most known columns, then the most columns."""

    def score(separator: str) -> tuple[int, int]:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        try:
            header = next((row for row in reader if any(cell.strip() for cell in row)), [])
        except csv.Error:
            return (0, 0)
        known = {name.strip().casefold() for name in header} & set(schema["properties"])
        return len(known), len(header)

    return max(SEPARATORS, key=score)


def _records(text: str, separator: str, name: str) -> tuple[list[tuple[int, list[str]]], list[Problem]]:
    """Return the filled rows, stripped, each with its spreadsheet row number."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    records = []
    number = 0
    try:
        for number, row in enumerate(reader, start=1):
            cells = [cell.strip() for cell in row]
            if any(cells):
                records.append((number, cells))
    except csv.Error as error:
        cause = f"{error}: a quotation mark that opens a cell and is not closed, or a cell over 131072 characters"
        return records, [Problem(name, number + 1, None, None, "cells whose quotation marks come in pairs", cause)]
    return records, []


def _ragged(record: list[str], number: int, width: int, separator: str, name: str) -> Problem:
    cause = (
        f"{SEPARATORS[separator]} stand inside a cell that is not quoted"
        if len(record) > width
        else f"{SEPARATORS[separator]} are missing, perhaps cut off at the end of the line by an editor"
    )
    return Problem(name, number, None, f"{len(record)} cells", f"{width} cells, as many as the header", cause)


def _check_header(header: list[str], number: int, schema: dict[str, Any], name: str) -> list[Problem]:
    known = list(schema["properties"])
    problems = []
    for column, count in Counter(header).items():
        if column and count > 1:
            problems.append(
                Problem(name, number, printable(column), None, "each column once", f"the column is there {count} times")
            )
        if not column:
            problems.append(
                Problem(
                    name, number, None, "", "a name above every column", "a column without a heading between others"
                )
            )
        elif column not in schema["properties"] and not re.match("x_.", column):
            cause = misspelling(column, known)
            if len(header) == 1 and len(column) > 20:
                cause = "the columns are not separated by tabs, commas or semicolons"
            problems.append(
                Problem(
                    name,
                    number,
                    printable(column),
                    None,
                    f"one of {', '.join(known)}, or a name that begins with x_",
                    cause,
                )
            )
    for column in schema["required"]:
        if column not in header:
            problems.append(
                Problem(
                    name,
                    number,
                    column,
                    None,
                    f"this column: {_sentence(schema, column)}",
                    "the column is missing or its heading misspelt",
                )
            )
    return problems


def _sentence(schema: dict[str, Any], column: str) -> str:
    description: str = schema["properties"][column]["description"]
    return description.rstrip(".")


def _type_cells(
    header: list[str], cells: list[list[str]], numbers: list[int], kind: str, name: str
) -> tuple[list[Row], list[Problem]]:
    """Type all cells column by column; a cell with a problem becomes None."""
    schema, validators = load_schema(kind), _validators(kind)
    open_columns = SAID_ONCE if kind == "recordings" else ()  # the config may fill them
    columns: dict[str, list[_Cell]] = {}
    problems = []
    for column, texts in zip(header, zip(*cells, strict=True) if cells else [()] * len(header), strict=True):
        free = re.match("x_.", column) is not None
        if column in columns or not (free or column in schema["properties"]):
            continue
        spec = schema["properties"].get(column, {"type": "string"})
        typed: dict[str, _Cell] = {}
        wrong: dict[str, Problem] = {}
        for text in set(texts):
            if text:
                value = _number(text, spec["type"])
                if value is None or not (free or validators[column].is_valid(value)):
                    wrong[text] = Problem(name, None, column, shown(text), _allowed(spec), _cell_cause(text, spec))
                elif column != "file" and NOT_TEXT.search(text):
                    wrong[text] = Problem(name, None, column, shown(text), TEXT)
                else:
                    typed[text] = value
            elif column in schema["required"]:
                wrong[text] = Problem(name, None, column, "", _allowed(spec), "the cell is blank")
            else:
                typed[text] = None if column in open_columns else _default(spec)
        columns[column] = [typed.get(text) for text in texts]
        if wrong:
            problems += [
                replace(wrong[text], row=number) for number, text in zip(numbers, texts, strict=True) if text in wrong
            ]
    for column, spec in schema["properties"].items():
        columns.setdefault(column, [None if column in open_columns else _default(spec)] * len(cells))
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    return rows, problems


def _default(spec: dict[str, Any]) -> _Cell:
    default: _Cell = spec.get("default")
    return float(default) if spec["type"] == "number" and default is not None else default


def _number(text: str, wanted: str) -> _Cell:
    """Return a cell as its column's type; None where it is not one."""
    if wanted == "integer":
        return int(text) if INTEGER.fullmatch(text) else None
    if wanted == "number":
        value = float(text) if NUMBER.fullmatch(text) else math.inf
        return value if math.isfinite(value) else None
    return text


@cache
def _validators(kind: str) -> dict[str, "Validator"]:
    """Return one compiled validator per column."""
    import jsonschema

    formats = jsonschema.FormatChecker(formats=())
    formats.checks("written-note", raises=EvenboreError)(lambda text: note_to_midi(text) is not None)
    formats.checks("date", raises=ValueError)(
        lambda text: bool(ISO_DATE.fullmatch(text)) and date.fromisoformat(text) is not None
    )
    formats.checks("id")(lambda text: text.casefold() not in RESERVED)
    return {
        column: jsonschema.Draft202012Validator(spec, format_checker=formats)
        for column, spec in load_schema(kind)["properties"].items()
    }


def _allowed(spec: dict[str, Any]) -> str:
    """Say in words what a column's cells may hold."""
    if "enum" in spec:
        return "one of " + ", ".join(spec["enum"])
    if spec["type"] in ("integer", "number"):
        kind = "a whole number" if spec["type"] == "integer" else "a number"
        if "exclusiveMinimum" in spec:
            return f"{kind} above {spec['exclusiveMinimum']:g}, up to {spec['maximum']:.10g}"
        return f"{kind} from {spec['minimum']:g} to {spec['maximum']:.10g}"
    by_format = {
        "id": ID_ALLOWED,
        "written-note": "a written note: letter, # or b, octave, such as Bb4 or F#3",
        "date": "a date as YYYY-MM-DD",
    }
    description: str = spec["description"]
    return by_format.get(spec.get("format", ""), description.rstrip("."))


def _cell_cause(text: str, spec: dict[str, Any]) -> str:
    """Guess why a cell is wrong; '' where nothing suggests itself."""
    if "enum" in spec:
        return misspelling(text, spec["enum"])
    if spec["type"] in ("integer", "number"):
        if NUMBER.fullmatch(text):
            return "out of range" if spec["type"] == "number" or "." not in text else "a decimal point"
        if NUMBER.fullmatch(text.replace(",", ".", 1)):
            return "a decimal comma: write a point"
        return "a unit, a currency sign or a word in the cell" if re.search("[0-9]", text) else ""
    if spec.get("format") == "id":
        if text.casefold() in RESERVED:
            return "a name that Windows keeps for itself"
        strange = sorted({char for char in text if not re.match("[A-Za-z0-9_-]", char)})
        return f"it contains {' '.join(map(repr, strange[:5]))}" if strange else "its first character or its length"
    if spec.get("format") == "date":
        return "another order of day and month, or a day that does not exist"
    if spec.get("format") == "written-note":
        return "no octave number, or a note name of another language"
    if "pattern" in spec:
        return "a line break or another control character in the cell"
    return "too long" if len(text) > spec.get("maxLength", math.inf) else ""


def append_rows(path: Path, kind: str, rows: list[dict[str, str]]) -> None:
    """Add rows to a sheet that is there, with columns that it lacks; its cells, their order and separator stay."""
    if not rows:
        return
    text, _ = _read_text(path, path.name)
    separator = _separator(text, load_schema(kind))
    records = [cells for _, cells in _records(text, separator, path.name)[0]]
    header = records[0]
    lacking = {column for row in rows for column, cell in row.items() if cell} - set(header)
    header += [column for column in load_schema(kind)["properties"] if column in lacking]
    body = [*records[1:], *([row.get(column, "") for column in header] for row in rows)]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    writer.writerows([cells + [""] * (len(header) - len(cells)) for cells in (header, *body)])
    write_atomically(path, lambda temporary: temporary.write_text(out.getvalue(), encoding="utf-8", newline=""))


def write_sheet(path: Path, kind: str, rows: list[dict[str, str]]) -> None:
    """Write a new sheet with all columns of its kind, then the rows' own; a blank for what a row lacks.

    Tabs, or commas for a .csv; never over an existing file (FileExistsError).
    """
    columns = list(load_schema(kind)["properties"])
    columns += sorted({column for row in rows for column in row} - set(columns))
    with path.open("x", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(
            file, columns, restval="", lineterminator="\n", delimiter="," if path.suffix.lower() == ".csv" else "\t"
        )
        writer.writeheader()
        writer.writerows(rows)
