"""A study folder from a folder of recordings: what file and folder names tell, and what they do not.

Nothing is overwritten and no recording is copied or changed. What `names` doubts stands in the sheet's `confirm`.
"""

import os
import re
import shutil
import unicodedata
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from evenbore.facts.formats import AUDIO_SUFFIXES, is_recording
from evenbore.facts.namewords import PLAYING
from evenbore.facts.rows import Row
from evenbore.files.errors import EvenboreError, StudyError
from evenbore.files.paths import repo_root
from evenbore.study.config import default_config
from evenbore.study.names import KIND, Guess, folded, name_key, read_names
from evenbore.study.naming import write_naming
from evenbore.study.sheetfile import RESERVED, append_rows, blank_cells, read_cells, write_sheet
from evenbore.study.sheets import CONFIG, SHEETS, read_study
from evenbore.study.takes import NUMBERED_TOGETHER, assign, clock, read_order, takes_in
from evenbore.study.workbook import WORKBOOK, append_to_workbook, read_book_cells, write_study_workbook
from evenbore.trade.families import family_keys, likely_family

UNWRITABLE = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")  # line breaks and the like, and bytes that are not UTF-8
PLEASE_LOOK = "please look: "
SECOND_OF_NUMBER = "there is another of this name and number: a repeat, a copy, or another instrument?"


def new_study(
    study_dir: str | Path, audio_dir: str | Path, family: str | None = None, order: str | Path | None = None,
    workbook: bool = False,
) -> list[str]:  # fmt: skip
    """Write config and sheets of a new study for the recordings in a folder and below.

    `family`: of all; None: what names tell. `order`: a running list (see `takes`). `workbook`: the sheets in one.
    Returns what the names told: a line per recording, in order of their names, and lines on what goes for several.
    Raises EvenboreError when there is a study already, no recording, or no such family.
    """
    study, audio = Path(study_dir).absolute(), Path(audio_dir).absolute()
    texts = {kind: study / path for kind, path in default_config()["sheets"].items()}
    paths = [study / CONFIG, study / WORKBOOK, *texts.values()]
    standing = [path.as_posix() for path in paths if path.exists()]
    if standing:
        raise EvenboreError(
            f"There is a study already: {', '.join(standing)}. Nothing was written; "
            "give another folder, or move these files away."
        )
    known = family_keys()
    if family is not None and family not in known:
        likely = likely_family(family, known)
        raise EvenboreError(
            f"There is no family {family!r}; allowed: {', '.join(known)}." + (f" Perhaps {likely}?" if likely else "")
        )
    files, lines = _audio_files(audio, study)
    if not files:
        raise EvenboreError(
            f"No recordings in {audio.as_posix()} or below; allowed: files that end in "
            f"{' '.join(AUDIO_SUFFIXES)}. Likely cause: another folder was meant."
        )
    found = _rows_found(files, audio, order, Known(), family)
    (study / CONFIG).parent.mkdir(parents=True, exist_ok=True)
    if workbook:
        sheets = {kind: found.rows.get(kind, []) for kind in SHEETS}
        write_study_workbook(study / WORKBOOK, sheets, default_config()["states"])
    else:
        for kind, rows in found.rows.items():
            write_sheet(texts[kind], kind, rows)
    shutil.copyfile(repo_root() / CONFIG, study / CONFIG)
    _write_naming(study, found, Known())
    return lines + found.lines


def add_recordings(study_dir: str | Path, audio_dir: str | Path, order: str | Path | None = None) -> list[str]:
    """Add the recordings of a folder and below that no row names to the sheets of a study; lines as of `new_study`.

    A name that the study knows is that instrument; others are new ones, of the family that the name tells, or of the
    study's if it has but one.
    Raises StudyError when the sheets have problems other than guesses not confirmed yet.
    """
    study, audio = Path(study_dir).absolute(), Path(audio_dir).absolute()
    reading = read_study(study)
    problems = [problem for problem in reading.problems if problem.column != "confirm"]
    if problems:
        raise StudyError(problems)
    sheets = reading.sheets
    named = {row["path"] for row in sheets["recordings"].rows}
    files, lines = _audio_files(audio, study)
    files = [(file, path) for file, path in files if Path(os.path.normpath(path)) not in named]
    if not files:
        raise EvenboreError(f"No recording in {audio.as_posix()} or below that the study does not have already.")
    known = Known(
        {row["instrument"]: row for row in sheets["instruments"].rows},
        [row["session"] for row in sheets["sessions"].rows],
        sheets["recordings"].rows, reading.config["states"], reading.families_dir,
    )  # fmt: skip
    found = _rows_found(files, audio, order, known)
    rows_of = {kind: rows for kind, rows in found.rows.items() if rows}
    if reading.files["recordings"] == study / WORKBOOK:
        append_to_workbook(study / WORKBOOK, rows_of)
    else:
        for kind, rows in rows_of.items():
            append_rows(reading.files[kind], kind, rows)
    _write_naming(study, found, known)
    return lines + found.lines


def _write_naming(study: Path, found: "_Found", known: "Known") -> None:
    """Write the page to name the takes that were found by ear, from the sheets as they stand."""
    files = read_study(study).files
    read = read_book_cells if files["recordings"] == study / WORKBOOK else read_cells
    sheets = {kind: read(files[kind], kind) for kind in ("recordings", "instruments")}
    made = [row["instrument"] for row in found.rows["instruments"]]
    write_naming(study, sheets, found.heard, made, known.states, files)


@dataclass(frozen=True)
class Known:
    """What a study has already: rows of its instruments by id, its sessions, recordings, and states."""

    instruments: Mapping[str, Row] = field(default_factory=dict)
    sessions: list[str] = field(default_factory=list)
    recordings: list[Row] = field(default_factory=list)
    states: list[str] = field(default_factory=lambda: list(default_config()["states"]))
    families_dir: Path | None = None  # of the study's own families

    @property
    def labels(self) -> dict[str, str]:
        """Of the instruments."""
        return {key: row["label"] for key, row in self.instruments.items()}


@dataclass
class _Found:
    """Rows for the sheets, as text; recording -> family and what was heard of it; and what was told."""

    rows: dict[str, list[dict[str, str]]]
    heard: dict[str, tuple[str, str]]
    lines: list[str]


def _rows_found(
    files: list[tuple[str, Path]], audio: Path, order: str | Path | None, known: Known, family: str | None = None
) -> _Found:
    """Rows for recordings (path as the sheet holds it, path) of the folder `audio`; `family`: of all."""
    listed = read_order(Path(order), known.states) if order else []
    names = [*known.instruments, *known.labels.values()]
    guesses = read_names([(file, path.relative_to(audio)) for file, path in files], known.states, names)
    _settle_families(guesses, known, family)
    guesses, paths, lines = takes_in(guesses, [path for _, path in files], known.families_dir)
    if listed:
        lines += assign(guesses, paths, listed)
    instruments = _ids([guess.told["instrument"] for guess in guesses], "instrument", known.labels)
    sessions = _ids([guess.told["session"] for guess in guesses], "session", {key: key for key in known.sessions})
    recordings = [
        guess.told
        | {"instrument": instruments[guess.told["instrument"]], "session": sessions[guess.told["session"]]}
        | {"file": guess.file}
        for guess in guesses
    ]
    instrument_rows = _instrument_rows(guesses, instruments)
    new_ones = [row for row in instrument_rows if row["instrument"] not in known.instruments]
    _number_takes(recordings, guesses, known.recordings, known.states)
    taken = {row["recording"].casefold() for row in known.recordings}
    for row, guess, path in zip(recordings, guesses, paths, strict=True):
        row["recording"] = _free_id(path.relative_to(audio).with_suffix("").as_posix(), "recording", taken)
        row["confirm"] = PLEASE_LOOK + "; ".join(guess.doubts) if guess.doubts else ""
    session_rows = [row for row in _session_rows(guesses, sessions) if row["session"] not in known.sessions]
    lines += [_line(row, guess, len(session_rows)) for row, guess in zip(recordings, guesses, strict=True)]
    lines += _general_lines(guesses, session_rows, known.states)
    heard = {row["recording"]: (guess.family, guess.heard) for row, guess in zip(recordings, guesses, strict=True)}
    return _Found({"recordings": recordings, "instruments": new_ones, "sessions": session_rows}, heard, lines)


def _settle_families(guesses: list[Guess], known: Known, asked: str | None) -> None:
    """Give every guess its family, in place: the one asked for, its instrument's, the name's, or the study's only one.

    Raises EvenboreError when nothing tells any.
    """
    of = {name_key(name): row["family"] for key, row in known.instruments.items() for name in (row["label"], key)}
    families = {row["family"] for row in known.instruments.values()}
    only = families.pop() if len(families) == 1 else ""
    for guess in guesses:
        told = guess.family
        sure = asked or of.get(name_key(guess.told["instrument"]))
        guess.family = sure or told.rstrip("?") or only
        if not guess.family or (not sure and guess.family != (only or told)):
            guess.doubt(KIND)
    if not any(guess.family for guess in guesses) and not known.instruments:
        raise EvenboreError(
            "No name tells the kind of instrument. Nothing was written; give --family, one of "
            f"{', '.join(family_keys())}."
        )


def _audio_files(audio: Path, study: Path) -> tuple[list[tuple[str, Path]], list[str]]:
    """Return (path as the sheet holds it, path) of every recording, sorted, and lines on those left out."""
    if not audio.is_dir():
        raise EvenboreError(f"{audio.as_posix()} is not a folder; allowed: the folder that holds the recordings.")
    files, lines = [], []
    for folder, below, names in os.walk(audio):
        below[:] = [name for name in below if not name.startswith(".") and Path(folder, name) != study / "results"]
        for path in (Path(folder, name) for name in names if is_recording(name)):
            file = as_written(path, study)
            if UNWRITABLE.search(file):
                lines.append(f"{file!a}: left out; its name holds characters that a sheet cannot. Rename the file.")
            else:
                files.append((file, path))
    return sorted(files), sorted(lines)


def as_written(path: Path, study: Path) -> str:
    """Return the path relative to the study, absolute where there is no such path (another Windows drive)."""
    try:
        file = Path(os.path.relpath(path, study)).as_posix()
    except ValueError:
        return path.as_posix()
    return file if file == file.strip() else f"./{file}"


def _ids(names: list[str], kind: str, known: Mapping[str, str]) -> dict[str, str]:
    """Return an id for every name; names that differ only in how they are written share one.

    `known`: ids that are there, with their labels.
    """
    ids: dict[str, str] = {}
    by_key = {name_key(name): key for key, label in known.items() for name in (label, key)}
    taken = {key.casefold() for key in known}
    for name in dict.fromkeys(names):
        if name_key(name) not in by_key:
            by_key[name_key(name)] = _free_id(name, kind, taken)
        ids[name] = by_key[name_key(name)]
    return ids


def _free_id(name: str, kind: str, taken: set[str]) -> str:
    """Return an id made from a name, unlike those taken (without regard to case), and take it."""
    key = id_from(name)
    candidates = [key] if key else []
    number = 1 if not key else 2
    while not candidates or candidates[-1].casefold() in taken:
        candidates.append(f"{key}_{number}" if key else f"{kind}{number}")
        number += 1
    taken.add(candidates[-1].casefold())
    return candidates[-1]


def id_from(name: str) -> str:
    """Return a name as an id: accents dropped, other characters to _; '' when nothing is left."""
    plain = unicodedata.normalize("NFKD", name.replace("ß", "ss")).encode("ascii", "ignore").decode("ascii")
    key = re.sub(r"[^A-Za-z0-9_-]+", "_", plain).strip("_-")[:80]
    return f"{key}_1" if key.casefold() in RESERVED else key


def _number_takes(recordings: list[dict[str, str]], guesses: list[Guess], before: list[Row], states: list[str]) -> None:
    """Give every take a number of its own among repeats of the same thing, those before included, in place."""
    blank = blank_cells(states)
    taken: dict[tuple[str, ...], set[int]] = defaultdict(set)
    for row in before:
        taken[tuple(row[column] for column in NUMBERED_TOGETHER)].add(row["take"])
    order = sorted(range(len(recordings)), key=lambda i: "take" not in guesses[i].told)  # the told ones first
    for i in order:
        row, guess = recordings[i], guesses[i]
        same = taken[tuple(row.get(column, blank[column]) for column in NUMBERED_TOGETHER)]
        number = int(row.get("take", "1"))
        while number in same:
            number += 1
        same.add(number)
        row["take"] = str(number)
        if guess.told.get("take", "1") != row["take"] and not ("take" in guess.why and "take" not in guess.told):
            guess.doubt(SECOND_OF_NUMBER)


def _line(row: dict[str, str], guess: Guess, n_sessions: int) -> str:
    """Say what the name of one recording told, from which words, and what of it is doubtful."""
    told, doubtful = [], [*guess.doubts]
    part = f" {clock(float(row['start_s']))} to {clock(float(row['end_s']))}" if "start_s" in row else ""
    for column in ("instrument", "session", "take", *PLAYING):
        value, why = row.get(column, ""), guess.why.get(column, "")
        if guess.told.get(column) and (column != "instrument" or why):
            told.append(f"{column} {value} ({why})" if why and folded(why) != value else f"{column} {value}")
        elif column == "session" and n_sessions > 1:
            doubtful.append(f"no session is told, written: {value}")
    look = f"; {PLEASE_LOOK}{'; '.join(doubtful)}" if doubtful else ""
    return f"{guess.file}{part}: {', '.join(told) or 'nothing'}{look}"


def _general_lines(guesses: list[Guess], sessions: list[dict[str, str]], states: list[str]) -> list[str]:
    """Say what holds where names told nothing, for all recordings at once."""
    lines = []
    if len(sessions) == 1 and not any(guess.told["session"] for guess in guesses):
        lines.append(f"No session is told: all are put into one, {sessions[0]['session']}.")
    undated = [row["session"] for row in sessions if not row["date"]]
    if undated:
        lines.append(f"No date is told (it may stay blank) for: {', '.join(undated)}.")
    means = blank_cells(states)
    blank = [column for column in PLAYING if any(not guess.told.get(column) for guess in guesses)]
    if blank:
        lines.append("Blank means: " + ", ".join(f"{column} {means[column]}" for column in blank) + ".")
    if doubtful := sum(bool(guess.doubts) for guess in guesses):
        lines.append(
            f"Doubtful: {doubtful} of {len(guesses)} rows. Correct what is wrong and clear their cells of the column "
            "`confirm`; until then nothing is run."
        )
    return lines


def _instrument_rows(guesses: list[Guess], instruments: dict[str, str]) -> list[dict[str, str]]:
    """One row per instrument, its family that of its first take; a take that tells another is doubted."""
    rows: dict[str, dict[str, str]] = {}
    for guess in guesses:
        name = guess.told["instrument"]
        key = instruments[name]
        row = rows.setdefault(key, {"instrument": key, "label": name[:200] or key, "family": guess.family})
        if row["family"] != guess.family:
            guess.doubt(f"{KIND}: other takes of this name are {row['family'] or 'of none that is told'}")
    return list(rows.values())


def _session_rows(guesses: list[Guess], sessions: dict[str, str]) -> list[dict[str, str]]:
    """One row per session; the date is left blank where a session's recordings tell more than one.

    The name of a folder that is a session is kept as the comment: it may tell the room or the day.
    """
    rows: dict[str, dict[str, str]] = {}
    days: dict[str, set[str]] = defaultdict(set)
    for guess in guesses:
        name = guess.told["session"]
        key = sessions[name]
        folder = "" if name in ("", guess.session, guess.day) else f"folder: {name}"
        rows.setdefault(key, {"session": key, "date": "", "comment": folder})
        days[key].add(guess.day)
    return [row | {"date": days[key].pop() if len(days[key]) == 1 else ""} for key, row in rows.items()]
