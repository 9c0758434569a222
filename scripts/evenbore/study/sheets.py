"""A study: its config and sheets, read, typed and checked against each other.

`load_study` either returns a study that is right throughout or raises StudyError with ALL its problems.
Conventions: blank cells are None or the default; `low`, `high` and `notes` are WRITTEN midi numbers;
`path` is the absolute path of the audio file, `score` that of a phrase's score, `phrase` the notes of a passage where
the sheet or the score tells them. Audio is not opened here (see `check`).
"""

import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from evenbore.facts.rows import PART, RecordingRow, Row
from evenbore.files.errors import EvenboreError, Problem, StudyError
from evenbore.study.config import default_config, load_config, misspelling, shown
from evenbore.study.defaults import check_families, fill_defaults
from evenbore.study.scores import score_notes
from evenbore.study.sheetfile import Records, Sheet, read_sheet, typed_sheet
from evenbore.study.workbook import WORKBOOK, read_workbook
from evenbore.trade.families import Family, family_keys, likely_family, load_family
from evenbore.trade.pitch import is_note, midi_to_note, note_to_midi

CONFIG = "config/config.yaml"
SHEETS = ("recordings", "instruments", "sessions", "inspection", "impressions")
OPTIONAL = ("inspection", "impressions")
ID_OF = {"recordings": "recording", "instruments": "instrument", "sessions": "session"}
# ASSUME: nobody plays more than this many semitones beyond a family's standard written range; further off, a
# note is a slip (concert pitch, another octave). Common practice, no source.
BELOW, ABOVE = 12, 24
SUGGESTIONS = 20  # distinct wrong words of a column that a likely spelling is sought for (a slow search)
SAME_TAKE = ("instrument", "session", "take", "dynamic", "articulation", "pattern", "low", "high", "direction", "notes",
             "passage", "state", "player", "mouthpiece", "reed", "channel")  # fmt: skip
# What measuring a recording depends on; anything else may change without measuring it again.
COLUMNS_FOR_MEASURING = ("recording", "instrument", "session", "take", "dynamic", "articulation", "pattern",
                         "direction", "state", "low", "high", "notes", "passage", *PART)  # fmt: skip


@dataclass(frozen=True)
class Reading:
    """What could be read of a study, and all problems.

    `config` holds the sound top-level keys only. `families_dir`: the study's own families, None when there are none.
    `files`: the config and the sheets as found (`config`, `recordings`, …; an optional sheet that is not there is left
    out). `added_settings`: those that the config does not give, so that they are the defaults, as
    `just_noticeable.noise: null (dB)`.
    """

    folder: Path
    config: dict[str, Any]
    families: dict[str, Family]
    families_dir: Path | None
    files: dict[str, Path]
    added_settings: list[str]
    sheets: dict[str, Sheet]
    problems: list[Problem]


@dataclass(frozen=True)
class Study(Reading):
    """A study that passed every check: no problems, and the rows of its sheets."""

    recordings: tuple[Row, ...]
    instruments: dict[str, Row]
    sessions: dict[str, Row]
    inspection: tuple[Row, ...]
    impressions: tuple[Row, ...]


def load_study(folder: str | Path, config_path: str | Path | None = None) -> Study:
    """Read a study folder; raise StudyError with every problem of its config and sheets."""
    return complete_study(read_study(folder, config_path))


def complete_study(reading: Reading) -> Study:
    """The study that was read; raises StudyError when it has problems."""
    if reading.problems:
        raise StudyError(reading.problems)
    rows: dict[str, Any] = {kind: tuple(sheet.rows) for kind, sheet in reading.sheets.items()}
    rows |= {kind: {row[ID_OF[kind]]: row for row in rows[kind]} for kind in ("instruments", "sessions")}
    return Study(**vars(reading), **rows)


def read_study(folder: str | Path, config_path: str | Path | None = None) -> Reading:
    """Read what can be read of a study folder and find every problem of its config and sheets."""
    folder = Path(folder).absolute()
    path = folder / CONFIG if config_path is None else Path(config_path).absolute()
    config, problems, added = load_config(path, _name(path, folder))
    fallback = default_config()
    paths = config.get("sheets", fallback["sheets"])
    sheets, files, sheet_problems = _read_sheets(folder, paths, config.get("currency", ""))
    files = {"config": path} | files
    problems += sheet_problems
    families_folder = folder / config.get("families_dir", fallback["families_dir"])
    families_dir = families_folder if os.path.isdir(families_folder) else None
    families, family_problems = _load_families(sheets["instruments"], families_dir)
    problems += family_problems
    problems += _check_ids(sheets) + _check_references(sheets, config)
    first_state = config.get("states", fallback["states"])[0]
    for kind in ("recordings", "inspection"):
        for row in sheets[kind].rows:
            row["state"] = row["state"] or first_state
    said_once = config.get("recording_defaults", {})
    family_of = {row["instrument"]: row["family"] for row in sheets["instruments"].rows}
    fill_defaults(sheets["recordings"].rows, family_of, said_once)
    problems += check_families(said_once, family_keys(families_dir), _name(path, folder))
    problems += _resolve_recordings(sheets, families, folder)
    files |= {str(row["score"]): row["score"] for row in sheets["recordings"].rows if row["phrase"] and row["score"]}
    problems += _check_confirmed(sheets["recordings"]) + _check_repeats(sheets) + _check_places(sheets, families)
    order = {name: i for i, name in enumerate([_name(path, folder), *(sheet.file for sheet in sheets.values())])}
    problems.sort(key=lambda problem: (order.get(problem.file, len(order)), problem.row or 0))
    return Reading(folder, config, families, families_dir, files, added, sheets, problems)


def _read_sheets(
    folder: Path, paths: Mapping[str, str], currency: str
) -> tuple[dict[str, Sheet], dict[str, Path], list[Problem]]:
    """The sheets, where each is (an optional one that is not there is left out), and all problems.

    They are text, at `paths` of the study's folder, or all in its workbook.
    """
    files = {kind: _sheet_path(folder / paths[kind]) for kind in SHEETS}
    book = folder / WORKBOOK
    sheets: dict[str, Sheet] = {}
    problems: list[Problem] = []
    records: dict[str, Records] = {}
    if os.path.exists(book):
        if texts := [_name(path, folder) for path in files.values() if os.path.exists(path)]:
            allowed = "the sheets as text or as a workbook, not both"
            cause = f"there is {', '.join(texts)}, too: move one of the two away"
            problems.append(Problem(WORKBOOK, None, None, None, allowed, cause))
        records, book_problems = read_workbook(book, WORKBOOK, SHEETS)
        problems += book_problems
        files = dict.fromkeys(SHEETS, book)
    for kind in SHEETS:
        name = f"{WORKBOOK}, sheet {kind}" if files[kind] == book else _name(files[kind], folder)
        there = kind in records if files[kind] == book else os.path.exists(files[kind])
        if kind in OPTIONAL and not there:
            sheets[kind] = Sheet(kind, name, complete=True)
            del files[kind]
        elif files[kind] != book:
            sheets[kind], sheet_problems = read_sheet(files[kind], kind, name, currency)
            problems += sheet_problems
        elif there:
            sheets[kind], sheet_problems = typed_sheet(records[kind], [], kind, name, "", currency)
            problems += sheet_problems
        else:
            sheets[kind] = Sheet(kind, name)
            if records:
                problems.append(Problem(name, None, None, None, "a sheet of this name", "it is missing or misspelt"))
    return sheets, files, problems


def _chunk_key(row: Row) -> str:
    """Return the chunk a recording belongs to: all of one instrument in one session."""
    return f"{row['session']}--{row['instrument']}"


def chunks(study: Study) -> dict[str, list[RecordingRow]]:
    """What measuring needs of each chunk's recordings, JSON-serialisable, and nothing that it does not depend on; keys
    sorted, rows as in the sheet."""
    parts: dict[str, list[RecordingRow]] = {}
    known = phrases(study)
    for row in study.recordings:
        of_study = {
            "path": str(row["path"]),
            "family": study.instruments[row["instrument"]]["family"],
            "families_dir": None if study.families_dir is None else str(study.families_dir),
            "tuning_hz": study.sessions[row["session"]]["tuning_hz"],
            "notes": known.get(row["passage"], row["notes"]),
        }
        needed = cast(RecordingRow, {key: row[key] for key in COLUMNS_FOR_MEASURING} | of_study)
        parts.setdefault(_chunk_key(row), []).append(needed)
    return dict(sorted(parts.items()))


def phrases(study: Study) -> dict[str, list[int]]:
    """Notes of every phrase that the sheet or a score lists, by name."""
    return {row["passage"]: row["phrase"] for row in reversed(study.recordings) if row["passage"] and row["phrase"]}


def same_model(name: str, instruments: Mapping[str, Row]) -> set[str]:
    """The other instruments of the same maker and model; none where the sheet names no model."""
    of = ("family", "maker", "model")
    model = [instruments[name].get(key) for key in of]
    if not model[-1]:
        return set()
    return {other for other, sheet in instruments.items() if [sheet.get(key) for key in of] == model} - {name}


def _name(path: Path, folder: Path) -> str:
    """Return a path as messages show it: relative to the study, forward slashes."""
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.as_posix()


def _sheet_path(path: Path) -> Path:
    """Return the sheet as it is there: a .csv serves where the config says .tsv, and the other way round."""
    other = {".tsv": ".csv", ".csv": ".tsv"}.get(path.suffix.lower())
    if other is not None and not os.path.exists(path) and os.path.exists(path.with_suffix(other)):
        return path.with_suffix(other)
    return path


def _column(sheet: Sheet, column: str) -> list[tuple[int, str]]:
    """Return the filled cells of a column with their rows."""
    return [(number, row[column]) for number, row in sheet.numbered if row[column] is not None]


def _load_families(sheet: Sheet, extra: Path | None) -> tuple[dict[str, Family], list[Problem]]:
    families: dict[str, Family] = {}
    problems: list[Problem] = []
    known = family_keys(extra)
    wrong: dict[str, tuple[str, str]] = {}
    for key in sorted({key for _, key in _column(sheet, "family")}):
        try:
            if key in known:
                families[key] = load_family(key, extra)
            else:
                likely = likely_family(key, known) if len(wrong) < SUGGESTIONS else ""
                cause = f"perhaps '{likely}' is meant" if likely else ""
                wrong[key] = ("one of " + ", ".join(known), cause)
        except StudyError as error:  # the problems of the study's own family file
            problems += error.problems
    for number, key in _column(sheet, "family"):
        if key in wrong:
            allowed, cause = wrong[key]
            problems.append(Problem(sheet.file, number, "family", shown(key), allowed, cause))
    return families, problems


def _check_ids(sheets: dict[str, Sheet]) -> list[Problem]:
    """Ids are unique, also on disks that do not tell upper from lower case."""
    problems = []
    for kind, column in ID_OF.items():
        first: dict[str, tuple[int, str]] = {}
        for number, key in _column(sheets[kind], column):
            row, other = first.setdefault(key.casefold(), (number, key))
            if row != number:
                differing = f"'{other}', which differs in upper and lower case only"
                cause = f"row {row} has {'the same id' if other == key else differing}"
                problems.append(Problem(sheets[kind].file, number, column, key, "an id that no other row has", cause))
    first_pair: dict[str, tuple[tuple[str, str], Row]] = {}
    for number, cells in sheets["recordings"].numbered:
        if None in (cells["session"], cells["instrument"]):
            continue
        # without regard to case: an id in other capitals is unknown, which is found elsewhere
        pair = (cells["session"].casefold(), cells["instrument"].casefold())
        earlier_pair, earlier = first_pair.setdefault(_chunk_key(cells).casefold(), (pair, cells))
        if earlier_pair != pair:
            allowed = "ids of session and instrument that joined with -- stay unlike all others"
            cause = f"session '{earlier['session']}' with instrument '{earlier['instrument']}' gives the same"
            file = sheets["recordings"].file
            problems.append(Problem(file, number, "instrument", cells["instrument"], allowed, cause))
    return problems


def _check_references(sheets: dict[str, Sheet], config: dict[str, Any]) -> list[Problem]:
    """Ids, states and grades that a sheet names exist where they are defined."""
    problems = []

    def check(kind: str, column: str, known: Iterable[str], where: str) -> None:
        known = list(known)
        listed = ", ".join(known[:20]) + (f", … ({len(known)} in all)" if len(known) > 20 else "")
        inside = set(known)
        unknown: dict[str, str] = {}
        for number, value in _column(sheets[kind], column):
            if value not in inside:
                if value not in unknown:
                    near = misspelling(value, known) if len(unknown) < SUGGESTIONS else ""
                    unknown[value] = f"not in {where}" + (f", perhaps {near}" if near else "")
                problems.append(
                    Problem(sheets[kind].file, number, column, shown(value), f"one of {listed}", unknown[value])
                )

    for target, column in (("instruments", "instrument"), ("sessions", "session")):
        if sheets[target].complete:
            known = [value for _, value in _column(sheets[target], column)]
            for kind in ("recordings", *OPTIONAL) if column == "instrument" else ("recordings",):
                check(kind, column, known, sheets[target].file)
    if "states" in config:
        for kind in ("recordings", "inspection"):
            check(kind, "state", config["states"], "the config's states")
    if isinstance(config.get("factors"), list) and sheets["instruments"].complete:
        problems += _check_factors(sheets["instruments"], config)
    if "tolerances" in config:
        check("instruments", "grade", config["tolerances"], "the config's tolerances")
    if "vetting" in config:
        known = [value for _, value in _column(sheets["instruments"], "shipment")]
        problems += [
            Problem(CONFIG, None, "vetting.accepted_shipments", shown(name), "a shipment of the instruments sheet",
                    misspelling(name, known))
            for name in config["vetting"]["accepted_shipments"]
            if name not in known
        ]  # fmt: skip
    return problems


def _check_factors(sheet: Sheet, config: dict[str, Any]) -> list[Problem]:
    """The config's factors are columns of the instruments sheet."""
    known = list(sheet.rows[0]) if sheet.rows else []
    free = [column for column in known if column.startswith("x_")]
    return [
        Problem(
            CONFIG, None, "factors", shown(column),
            f"columns of {sheet.file}" + (f", of your own: {', '.join(free)}" if free else "; it has none of your own"),
            misspelling(column, free),
        )
        for column in config["factors"] if column not in known
    ]  # fmt: skip


def _resolve_recordings(sheets: dict[str, Sheet], families: dict[str, Family], folder: Path) -> list[Problem]:
    """Fill in path and written range of every recording, in place; return what does not fit."""
    sheet = sheets["recordings"]
    family_of = {row["instrument"]: families.get(row["family"]) for row in sheets["instruments"].rows}
    problems = []
    scores: dict[Path, list[int] | EvenboreError] = {}
    for number, row in sheet.numbered:
        row["path"] = None if row["file"] is None else _path_of_cell(folder, row["file"])
        row["score"] = None if row["score"] is None else _path_of_cell(folder, row["score"])
        problems += _resolve_notes(row, number, sheet.file) + _resolve_phrase(row, number, sheet.file, scores)
        family = family_of.get(row["instrument"])
        if family is not None:
            problems += _resolve_range(row, number, sheet.file, family)
    return problems


def _path_of_cell(folder: Path, file: str) -> Path:
    path = Path(os.path.normpath(os.path.join(folder, file)))
    if "\\" in file and not os.path.exists(path):  # a sheet written on Windows
        return Path(os.path.normpath(os.path.join(folder, file.replace("\\", "/"))))
    return path


def _resolve_notes(row: Row, number: int, file: str) -> list[Problem]:
    """Turn low, high and notes into written midi numbers, in place."""
    problems: list[Problem] = []
    for column in ("low", "high"):
        row[column] = None if row[column] is None else note_to_midi(row[column])
    row_notes = row["notes"] or ""
    names = row_notes.split()
    row["notes"] = None
    wanted = "written notes in playing order, separated by spaces, such as C4 E4 G4"
    if row["pattern"] == "notes" or (row["pattern"] == "passage" and names):
        try:
            row["notes"] = [note_to_midi(name) for name in names]
        except EvenboreError as error:
            separators = "," in row_notes or ";" in row_notes
            cause = "commas or semicolons between the notes" if separators else str(error).removesuffix(".")
            problems.append(Problem(file, number, "notes", shown(" ".join(names)), wanted, cause))
        if not names:
            problems.append(Problem(file, number, "notes", "", wanted, "the pattern is notes, but none are listed"))
    elif names:
        allowed, cause = "nothing, unless the pattern is notes or passage", "the cell of the pattern says neither"
        problems.append(Problem(file, number, "notes", shown(" ".join(names)), allowed, cause))
    return problems


def _resolve_phrase(row: Row, number: int, file: str, scores: dict[Path, list[int] | EvenboreError]) -> list[Problem]:
    """Fill in the notes of a passage, in place; `scores`: those read so far."""
    row["phrase"] = row["notes"] if row["pattern"] == "passage" else None
    if row["pattern"] != "passage":
        allowed, cause = "nothing, unless the pattern is passage", "the cell of the pattern does not say passage"
        return [
            Problem(file, number, column, shown(row[column]), allowed, cause)
            for column in ("passage", "score")
            if row[column] is not None
        ]
    score = row["score"]
    if score is None:
        return []
    if row["passage"] is None or row["notes"]:
        cause = "the notes are listed as well" if row["notes"] else "the phrase has no name in the column passage"
        return [Problem(file, number, "score", shown(score.name), "the score of a named phrase, its only list", cause)]
    if score not in scores:
        try:
            scores[score] = score_notes(score)
        except EvenboreError as error:
            scores[score] = error
    read = scores[score]
    if isinstance(read, EvenboreError):
        allowed = "a MIDI or MusicXML file of one part, one note at a time"
        return [Problem(file, number, "score", shown(score.name), allowed, str(read))]
    row["phrase"] = read
    return []


def _resolve_range(row: Row, number: int, file: str, family: Family) -> list[Problem]:
    """Fill in the family's range where it is blank, in place; find notes the family cannot play."""
    problems = []
    given = {column: [row[column]] for column in ("low", "high") if row[column] is not None}
    lowest, highest = family.low - BELOW, family.high + ABOVE
    for column, notes in (given | {"notes": row["notes"] or []}).items():
        outside = [midi for midi in notes if not lowest <= midi <= highest]
        if outside:
            usual = f"{midi_to_note(family.low)} to {midi_to_note(family.high)} is its standard range"
            allowed = f"written notes of {family.name}: {usual}"
            cause = "the sounding instead of the written note, another octave or another family"
            problems.append(Problem(file, number, column, midi_to_note(outside[0]), allowed, cause))
    row["low"] = family.low if row["low"] is None else row["low"]
    row["high"] = family.high if row["high"] is None else row["high"]
    if given and not problems and row["low"] >= row["high"]:
        allowed = f"a note below the high one, {midi_to_note(row['high'])}"
        problems.append(Problem(file, number, "low", midi_to_note(row["low"]), allowed, "low and high exchanged"))
    return problems


def _check_part(row: Row, number: int, file: str, parts: list[tuple[float, float, int]]) -> list[Problem]:
    """The stretch of a file, added to `parts` (start, end, row), lies forward and apart from those before it."""
    start, end = row["start_s"] or 0.0, math.inf if row["end_s"] is None else row["end_s"]
    if start >= end:
        cause = "start and end exchanged, or minutes for seconds"
        return [Problem(file, number, "end_s", f"{end:g}", f"more than `start_s`, {start:g}", cause)]
    other = next((row for first, last, row in parts if start < last and first < end), None)
    parts.append((start, end, number))
    if other is None:
        return []
    if row["start_s"] is row["end_s"] is None:
        allowed = "each audio file once, or `start_s` and `end_s` of each take in it"
        return [Problem(file, number, "file", shown(row["file"]), allowed, f"row {other} names the same file")]
    allowed = "stretches of a file that do not overlap"
    return [Problem(file, number, "start_s", f"{start:g}", allowed, f"row {other} has a part of it")]


def _check_confirmed(sheet: Sheet) -> list[Problem]:
    """No guess is left that wants a look."""
    allowed = "a blank cell: look at these rows, correct what is wrong, then clear it"
    cause = "the names left room for doubt"
    return [
        Problem(sheet.file, number, "confirm", shown(why), allowed, cause) for number, why in _column(sheet, "confirm")
    ]


def _check_repeats(sheets: dict[str, Sheet]) -> list[Problem]:
    """No audio twice, no take number twice for the same thing, no item inspected twice."""
    problems = []
    sheet = sheets["recordings"]
    free = [column for column in (sheet.rows[0] if sheet.rows else {}) if column.startswith("x_")]
    audio: dict[tuple[Path, int | None], list[tuple[float, float, int]]] = {}
    takes: dict[tuple[object, ...], int] = {}
    for number, row in sheet.numbered:
        if row["path"] is not None:
            parts = audio.setdefault((row["path"], row["channel"]), [])
            problems += _check_part(row, number, sheet.file, parts)
        if None not in (row["instrument"], row["session"], row["take"]):
            key = tuple(
                tuple(row[column]) if isinstance(row[column], list) else row[column] for column in (*SAME_TAKE, *free)
            )
            first = takes.setdefault(key, number)
            if first != number:
                allowed = "another number for each repeat of the same thing"
                cause = f"row {first} has the same take of the same thing"
                problems.append(Problem(sheet.file, number, "take", str(row["take"]), allowed, cause))
    items: dict[tuple[str | None, ...], int] = {}
    sheet = sheets["inspection"]
    for number, row in sheet.numbered:
        first = items.setdefault((row["instrument"], row["state"], row["item"]), number)
        if first != number and None not in (row["instrument"], row["item"]):
            allowed, cause = "each item once for an instrument in a state", f"row {first} has it already"
            problems.append(Problem(sheet.file, number, "item", shown(row["item"]), allowed, cause))
    return problems


def _check_places(sheets: dict[str, Sheet], families: dict[str, Family]) -> list[Problem]:
    """`where` of an impression is a register of the family, a written note, or whole."""
    sheet = sheets["impressions"]
    family_of = {row["instrument"]: families.get(row["family"]) for row in sheets["instruments"].rows}
    problems = []
    for number, row in sheet.numbered:
        family = family_of.get(row["instrument"])
        if row["where"] is None or family is None:
            continue
        places = ["whole", *(register.name for register in family.registers)]
        if row["where"] not in places and not is_note(row["where"]):
            allowed, cause = f"one of {', '.join(places)}, or a written note", misspelling(row["where"], places)
            problems.append(Problem(sheet.file, number, "where", shown(row["where"]), allowed, cause))
    return problems
