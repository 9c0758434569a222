"""One sheet: from the bytes of a .tsv or .csv, or the cells of a workbook, to typed rows, every problem found at once.

A sheet is UTF-8 text (with or without BOM) whose first filled row is the header; the separator (tab, comma
or semicolon) is the one that yields the most known columns. Blank cells are None, or the schema's default. A number may
have a decimal comma, a price the sign of the study's currency, a date the order 3.5.2024, where that leaves no doubt.
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
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

from evenbore.facts.rows import Row
from evenbore.files.atomic import write_atomically
from evenbore.files.errors import EvenboreError, Problem
from evenbore.study.config import NOT_TEXT, SAID_ONCE, TEXT, load_schema, misspelling, printable, read_bytes, shown
from evenbore.trade.pitch import note_to_midi

if TYPE_CHECKING:
    from jsonschema.protocols import Validator

_Cell: TypeAlias = str | int | float | None
Records: TypeAlias = list[tuple[int, list[str]]]  # the filled rows, each with its number as a spreadsheet shows it
SEPARATORS = {"\t": "tabs", ",": "commas", ";": "semicolons"}
INTEGER = re.compile(r"[+-]?[0-9]{1,15}")
NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
DATE = re.compile(r"([0-9]{1,2})\. ?([0-9]{1,2})\. ?([0-9]{4})")  # day, month, year; with slashes it could be either
MONEY = ("price", "setup_cost", "case_cost", "cost")
CURRENCY_SIGNS = {
    "€": "EUR", "£": "GBP", "$": "USD CAD AUD NZD SGD HKD MXN", "¥": "JPY CNY", "Fr.": "CHF", "SFr.": "CHF",
    "kr": "SEK NOK DKK ISK", "zł": "PLN", "Kč": "CZK", "Ft": "HUF", "₺": "TRY", "₩": "KRW", "₹": "INR",
}  # fmt: skip
"""Sign -> codes of the currencies that it stands for (ISO 4217)."""
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

    @property
    def numbered(self) -> list[tuple[int, Row]]:
        """The rows with their numbers."""
        return list(zip(self.numbers, self.rows, strict=True))


class SheetText(NamedTuple):
    """A sheet as text, as it stands: its header, and its filled rows as long as that."""

    columns: list[str]
    rows: list[list[str]]


def read_sheet(path: Path, kind: str, name: str, currency: str = "") -> tuple[Sheet, list[Problem]]:
    """Read a sheet of a kind (`recordings`, …); return typed rows and all problems (`name`: file as shown)."""
    text, problem = _read_text(path, name)
    if problem is not None:
        return Sheet(kind, name), [problem]
    separator = _separator(text, load_schema(kind))
    records, problems = _records(text, separator, name)
    return typed_sheet(records, problems, kind, name, SEPARATORS[separator], currency)


def typed_sheet(
    records: Records, problems: list[Problem], kind: str, name: str, separators: str, currency: str
) -> tuple[Sheet, list[Problem]]:
    """Type the records of a sheet, header first; `problems`: of reading them; `separators`: what parts its cells."""
    schema = load_schema(kind)
    if not records:
        allowed = f"a header row with the columns {', '.join(schema['required'])}"
        return Sheet(kind, name), problems or [Problem(name, None, None, None, allowed, "the sheet is empty")]
    complete = not problems
    header_number, header = records[0]
    width = max((i for i, cell in enumerate(header, start=1) if cell), default=0)
    header = header[:width]
    header_problems = _check_header(header, header_number, schema, name)
    cells, numbers = [], []
    for number, record in records[1:]:
        if (len(record) > width and any(record[width:])) or len(record) < width:
            complete = False
            problems.append(_ragged(record, number, width, separators, name))
            continue
        cells.append(record[:width])
        numbers.append(number)
    rows, cell_problems = _type_cells(header, cells, numbers, kind, name, currency)
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
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        cause = "a workbook of a spreadsheet program under a wrong name: save as CSV UTF-8"
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


def _records(text: str, separator: str, name: str) -> tuple[Records, list[Problem]]:
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


def _ragged(record: list[str], number: int, width: int, separators: str, name: str) -> Problem:
    cause = (
        f"{separators} stand inside a cell that is not quoted"
        if len(record) > width
        else f"{separators} are missing, perhaps cut off at the end of the line by an editor"
    )
    if not separators:
        cause = "a cell without a heading above it"
    return Problem(name, number, None, f"{len(record)} cells", f"{width} cells, as many as the header", cause)


def _check_header(header: list[str], number: int, schema: dict[str, Any], name: str) -> list[Problem]:
    known = list(schema["properties"])
    problems = []
    for column, count in Counter(header).items():
        if column and count > 1:
            cause = f"the column is there {count} times"
            problems.append(Problem(name, number, printable(column), None, "each column once", cause))
        if not column:
            cause = "a column without a heading between others"
            problems.append(Problem(name, number, None, "", "a name above every column", cause))
        elif column not in schema["properties"] and not re.match("x_.", column):
            cause = misspelling(column, known)
            if len(header) == 1 and len(column) > 20:
                cause = "the columns are not separated by tabs, commas or semicolons"
            allowed = f"one of {', '.join(known)}, or a name that begins with x_"
            problems.append(Problem(name, number, printable(column), None, allowed, cause))
    for column in schema["required"]:
        if column not in header:
            allowed = f"this column: {schema['properties'][column]['description'].rstrip('.')}"
            cause = "the column is missing or its heading misspelt"
            problems.append(Problem(name, number, column, None, allowed, cause))
    return problems


def _type_cells(
    header: list[str], cells: list[list[str]], numbers: list[int], kind: str, name: str, currency: str
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
                money = currency if column in MONEY else None
                right = [v for v in _readings(text, spec, money) if free or validators[column].is_valid(v)]
                if len(right) != 1:
                    cause = _cell_cause(text, spec, money) if not right else _either(right)
                    wrong[text] = Problem(name, None, column, shown(text), _allowed(spec), cause)
                elif column != "file" and NOT_TEXT.search(text):
                    wrong[text] = Problem(name, None, column, shown(text), TEXT)
                else:
                    typed[text] = right[0]
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


def _readings(text: str, spec: dict[str, Any], money: str | None) -> list[_Cell]:
    """What a cell may mean, as its column's type; `money`: the study's currency in a column of prices.

    >>> number = {"type": "number"}
    >>> _readings("12,5", number, None), _readings("€ 1.200,50", number, "EUR"), _readings("1,234", number, None)
    ([12.5], [1200.5], [1.234, 1234.0])
    >>> _readings("3.5.2024", {"type": "string", "format": "date"}, None), _readings("$ 12", number, "EUR")
    (['2024-05-03'], [])
    """
    if spec["type"] == "integer":
        return [int(text)] if INTEGER.fullmatch(text) else []
    if spec["type"] == "number":
        return _numbers(_without_sign(text, money) if money else text, money is not None)
    if spec.get("format") == "date" and (match := DATE.fullmatch(text)):
        return [f"{int(match[3]):04}-{int(match[2]):02}-{int(match[1]):02}"]
    return [text]


def _numbers(text: str, money: bool) -> list[_Cell]:
    """A number with a decimal point or comma, with groups of three digits or without; several where that is open."""
    found: set[float] = set()
    if NUMBER.fullmatch(text) and not (money and re.fullmatch(r"[1-9][0-9]{0,2}\.[0-9]{3}", text)):
        found = {float(text)}
    elif re.fullmatch(r"[+-]?[0-9]+[.,][0-9]+", text):
        found.add(float(text.replace(",", ".")))
    for groups, decimal in ((".", ","), (",", "."), (" ", ","), (" ", "."), ("'", "."), ("\u2019", ".")):
        if re.fullmatch(rf"[1-9][0-9]{{0,2}}({re.escape(groups)}[0-9]{{3}})+({re.escape(decimal)}[0-9]+)?", text):
            found.add(float(text.replace(groups, "").replace(decimal, ".")))
    return [value for value in sorted(found) if math.isfinite(value)]


def _without_sign(text: str, currency: str) -> str:
    """A price without the sign or code of the study's currency; as it is where it names another."""
    plain = re.sub("[\u00a0\u2009\u202f]", " ", text)
    signs = [currency, *(sign for sign, codes in CURRENCY_SIGNS.items() if currency.upper() in codes.split())]
    for sign in map(re.escape, signs):
        plain = re.sub(rf"^{sign} ?|[ ]?{sign}$", "", plain, count=1, flags=re.IGNORECASE)
    return re.sub("([.,])[-\u2013\u2014]$", r"\g<1>00", plain)


def _either(values: list[_Cell]) -> str:
    listed = " or ".join(f"{value:g}" for value in values if isinstance(value, float))
    return f"it may mean {listed}: write it without a comma, and a decimal point if any"


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
        steps = f", in steps of {spec['multipleOf']:g}" if "multipleOf" in spec else ""
        return f"{kind} from {spec['minimum']:g} to {spec['maximum']:.10g}{steps}"
    by_format = {
        "id": ID_ALLOWED,
        "written-note": "a written note: letter, # or b, octave, such as Bb4 or F#3",
        "date": "a date as YYYY-MM-DD",
    }
    description: str = spec["description"]
    return by_format.get(spec.get("format", ""), description.rstrip("."))


def _cell_cause(text: str, spec: dict[str, Any], money: str | None) -> str:
    """Guess why a cell is wrong; '' where nothing suggests itself."""
    if "enum" in spec:
        return misspelling(text, spec["enum"])
    if spec["type"] in ("integer", "number"):
        if _numbers(text, money is not None):
            whole = spec["type"] == "integer" and not INTEGER.fullmatch(text)
            return "a decimal point or comma" if whole else "" if "multipleOf" in spec else "out of range"
        sign = f"a unit, a word, or the sign of a currency other than {money}" if money else "a unit or a word"
        return f"{sign} in the cell" if re.search("[0-9]", text) else ""
    if spec.get("format") == "id":
        if text.casefold() in RESERVED:
            return "a name that Windows keeps for itself"
        strange = sorted({char for char in text if not re.match("[A-Za-z0-9_-]", char)})
        return f"it contains {' '.join(map(repr, strange[:5]))}" if strange else "its first character or its length"
    if spec.get("format") == "date":
        return "an order of day and month that leaves it open, or a day that does not exist"
    if spec.get("format") == "written-note":
        return "no octave number, or a note name of another language"
    if "pattern" in spec:
        return "a line break or another control character in the cell"
    return "too long" if len(text) > spec.get("maxLength", math.inf) else ""


def cell_text(value: object) -> str:
    """A typed cell as it reads in a text sheet."""
    return "" if value is None else f"{value:.15g}" if isinstance(value, int | float) else str(value).strip()


def blank_cells(states: list[str]) -> dict[str, str]:
    """What blank cells of the sheet of recordings stand for, by column; `states`: those of the config."""
    columns = load_schema("recordings")["properties"]
    return {column: spec.get("default", "") for column, spec in columns.items()} | {"state": states[0]}


def sheet_text(records: Records) -> SheetText:
    """The header and the rows of a sheet that was read without a problem."""
    header, *rows = [cells for _, cells in records]
    header = header[: max(i for i, cell in enumerate(header, start=1) if cell)]
    return SheetText(header, [cells[: len(header)] for cells in rows])


def read_cells(path: Path, kind: str) -> SheetText:
    """A text sheet that was read without a problem, as it stands."""
    text, _ = _read_text(path, path.name)
    return sheet_text(_records(text, _separator(text, load_schema(kind)), path.name)[0])


def with_rows(sheet: SheetText, kind: str, rows: list[dict[str, str]]) -> SheetText:
    """The sheet with rows added, and with columns that it lacks."""
    lacking = {column for row in rows for column, cell in row.items() if cell} - set(sheet.columns)
    columns = sheet.columns + [column for column in load_schema(kind)["properties"] if column in lacking]
    old = [cells + [""] * (len(columns) - len(cells)) for cells in sheet.rows]
    return SheetText(columns, old + [[row.get(column, "") for column in columns] for row in rows])


def append_rows(path: Path, kind: str, rows: list[dict[str, str]]) -> None:
    """Add rows to a text sheet that is there; its cells, their order and separator stay."""
    text, _ = _read_text(path, path.name)
    sheet = with_rows(read_cells(path, kind), kind, rows)
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=_separator(text, load_schema(kind)), lineterminator="\n")
    writer.writerows([sheet.columns, *sheet.rows])
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
