"""One study out of several, linked through the instruments that have the same id.

Recordings stay where they are. Session and recording ids that more than one study uses get the name of
their study's folder in front. What must agree (config, instruments) and does not is listed in full.
"""

import os
import shutil
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

from evenbore.files.errors import EvenboreError, Problem, StudyError
from evenbore.study.config import flat, shown
from evenbore.study.new import as_written, id_from
from evenbore.study.sheetfile import cell_text, write_sheet
from evenbore.study.sheets import CONFIG, SHEETS, Study, load_study
from evenbore.trade.pitch import midi_to_note

FREE_KEYS = frozenset({"title", "sheets", "families_dir", "seed", "draws", "report"})  # need not agree
DEFAULTS = {"grade": "default", "reference": "no"}  # what a blank cell of the instruments sheet reads as


def join_studies(folders: list[str | Path], into: str | Path) -> list[str]:
    """Write the study `into` out of several; return plain lines on what was renamed and what links them.

    The first study's config is copied. Raises StudyError with all problems, EvenboreError when `into` is
    there already; nothing is written then.
    """
    into = Path(into).absolute()
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise EvenboreError(f"{into.as_posix()} is there already; allowed: a new or empty folder. Nothing was written.")
    if len(folders) < 2:
        raise EvenboreError(f"Joining takes two studies or more; found {len(folders)}.")
    studies = _load_all([Path(folder).absolute() for folder in folders])
    problems = _check_configs(studies) + _check_families(studies)
    instruments, instrument_problems = _join_instruments(studies)
    inspection, inspection_problems = _join_inspection(studies)
    problems += instrument_problems + inspection_problems
    if problems:
        raise StudyError(problems)
    prefixes = _prefixes([study.folder.name for study in studies])
    sessions = _renamed([list(study.sessions) for study in studies], prefixes)
    recordings = _renamed([[row["recording"] for row in study.recordings] for study in studies], prefixes)
    rows: dict[str, list[dict[str, Any]]] = {
        "recordings": [
            _recording_cells(row, into)
            | {"recording": recordings[i][row["recording"]], "session": sessions[i][row["session"]]}
            for i, study in enumerate(studies)
            for row in study.recordings
        ],
        "instruments": instruments,
        "sessions": [
            row | {"session": sessions[i][key]}
            for i, study in enumerate(studies)
            for key, row in study.sessions.items()
        ],
        "inspection": inspection,
        # a row that several studies have counts once
        "impressions": list({str(sorted(row.items())): row for s in studies for row in s.impressions}.values()),
    }
    _write(into, studies, rows)
    return _lines(studies, sessions, recordings)


def _load_all(folders: list[Path]) -> list[Study]:
    studies, problems = [], []
    for folder in folders:
        try:
            studies.append(load_study(folder))
        except StudyError as error:
            problems += [replace(problem, file=(folder / problem.file).as_posix()) for problem in error.problems]
    if problems:
        raise StudyError(problems)
    return studies


def _check_configs(studies: list[Study]) -> list[Problem]:
    """Settings that results depend on agree; sheets and families lie inside their study."""
    first, problems = studies[0], []
    settings = [flat({k: v for k, v in s.config.items() if k not in FREE_KEYS and k[:2] != "x_"}) for s in studies]
    for study, own in zip(studies[1:], settings[1:], strict=True):
        names = [key for key in {**settings[0], **own} if own.get(key) != settings[0].get(key)]
        if names:
            both = [(shown(of[key]) if key in of else "not there" for of in (own, settings[0])) for key in names]
            rows = [("setting", "here", "there"), *((key, *pair) for key, pair in zip(names, both, strict=True))]
            widths = [max(len(row[at]) for row in rows) for at in range(3)]
            table = "".join("\n  " + "  ".join(map(str.ljust, row, widths)).rstrip() for row in rows)
            there = first.files["config"].as_posix()
            allowed = f"the settings of {there}; these differ:{table}\nMake the two alike, then join"
            problems.append(Problem(study.files["config"].as_posix(), None, None, None, allowed))
    inside = {f"sheets.{kind}": path for kind, path in first.config["sheets"].items()}
    for key, path in (inside | {"families_dir": first.config["families_dir"]}).items():
        if not Path(os.path.normpath(first.folder / path)).is_relative_to(first.folder):
            file, cause = first.files["config"].as_posix(), "the joined study copies this config"
            problems.append(Problem(file, None, key, shown(path), "a path inside the study", cause))
    return problems


def _check_families(studies: list[Study]) -> list[Problem]:
    """A family means the same in every study."""
    first: dict[str, Study] = {}
    problems = []
    for study in studies:
        for key, family in study.families.items():
            other = first.setdefault(key, study)
            if other.families[key] != family:
                file, allowed = study.families_dir or study.folder, f"the same family as in {other.folder.as_posix()}"
                cause = "one of the studies has a family file of its own under this key"
                problems.append(Problem(file.as_posix(), None, "family", key, allowed, cause))
    return problems


def _join_instruments(studies: list[Study]) -> tuple[list[dict[str, Any]], list[Problem]]:
    """Return one row per instrument; a blank gives way to a filled cell, two different cells are a problem."""
    joined: dict[str, dict[str, Any]] = {}
    source: dict[tuple[str, str], Study] = {}
    folds: dict[str, str] = {}
    problems = []
    for study in studies:
        file = study.files["instruments"].as_posix()
        for key, row in study.instruments.items():
            other = folds.setdefault(key.casefold(), key)
            if other != key:
                cause = "the same instrument written with other upper and lower case"
                problems.append(Problem(file, None, "instrument", key, f"'{other}', as another study writes it", cause))
            merged = joined.setdefault(key, {})
            for column, value in row.items():
                known = merged.get(column)
                if known in (None, DEFAULTS.get(column)):
                    merged[column] = value
                    source[key, column] = study
                elif value not in (None, DEFAULTS.get(column), known) and column != "comment":
                    allowed = f"{shown(known)}, as in {source[key, column].folder.as_posix()}"
                    cause = f"instrument '{key}' is described differently, or the id stands for two"
                    problems.append(Problem(file, None, column, shown(value), allowed, cause))
    return list(joined.values()), problems


def _join_inspection(studies: list[Study]) -> tuple[list[dict[str, Any]], list[Problem]]:
    rows: dict[tuple[str, ...], dict[str, Any]] = {}
    problems = []
    for study in studies:
        for row in study.inspection:
            known = rows.setdefault((row["instrument"], row["state"], row["item"]), row)
            if known != row:
                file, allowed = study.files["inspection"], "the same row for an item in every study, or only one"
                cause = f"instrument '{row['instrument']}' was inspected twice, with another outcome"
                problems.append(Problem(file.as_posix(), None, "item", shown(row["item"]), allowed, cause))
    return list(rows.values()), problems


def _prefixes(names: list[str]) -> list[str]:
    """Return one id per study folder, all different, also without regard to case."""
    prefixes: list[str] = []
    for name in names:
        prefix = base = id_from(name) or "study"
        number = 2
        while prefix.casefold() in {other.casefold() for other in prefixes}:
            prefix, number = f"{base}_{number}", number + 1
        prefixes.append(prefix)
    return prefixes


def _renamed(ids: list[list[str]], prefixes: list[str]) -> list[dict[str, str]]:
    """Return old id -> new id for each study; ids of one study only stay as they are."""
    count = Counter(key.casefold() for keys in ids for key in keys)
    taken = {key for key, n in count.items() if n == 1}
    renamed: list[dict[str, str]] = []
    for keys, prefix in zip(ids, prefixes, strict=True):
        new = {}
        for key in keys:
            name, number = key, 2
            if count[key.casefold()] > 1:
                name = f"{prefix}_{key}"
                while name.casefold() in taken:
                    name, number = f"{prefix}_{key}_{number}", number + 1
                taken.add(name.casefold())
            new[key] = name
        renamed.append(new)
    return renamed


def _recording_cells(row: dict[str, Any], into: Path) -> dict[str, Any]:
    """Return a recording's cells, its notes as names and its files as seen from `into`."""
    return {key: value for key, value in row.items() if key not in ("path", "phrase")} | {
        "file": row["file"] if Path(row["file"]).is_absolute() else as_written(row["path"], into),
        "score": row["score"] and as_written(row["score"], into),
        "low": midi_to_note(row["low"]),
        "high": midi_to_note(row["high"]),
        "notes": " ".join(midi_to_note(note) for note in row["notes"] or []),
    }


def _write(into: Path, studies: list[Study], rows: dict[str, list[dict[str, Any]]]) -> None:
    """Write everything beside `into` (so that relative paths hold), load it as a last check, then move it there."""
    first = studies[0]
    into.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f"{into.name}.", dir=into.parent) as temporary:
        draft = Path(temporary)
        for kind in SHEETS:
            if rows[kind]:
                path = draft / first.config["sheets"][kind]
                path.parent.mkdir(parents=True, exist_ok=True)
                write_sheet(path, kind, [{key: cell_text(value) for key, value in row.items()} for row in rows[kind]])
        (draft / CONFIG).parent.mkdir(exist_ok=True)
        shutil.copyfile(first.files["config"], draft / CONFIG)
        _copy_families(draft / first.config["families_dir"], studies)
        load_study(draft)
        into.mkdir(exist_ok=True)
        for path in sorted(draft.iterdir()):
            shutil.move(path, into / path.name)


def _copy_families(target: Path, studies: list[Study]) -> None:
    for study in studies:
        for path in sorted(study.families_dir.glob("*.yaml")) if study.families_dir else []:
            target.mkdir(parents=True, exist_ok=True)
            if not (target / path.name).exists():
                shutil.copyfile(path, target / path.name)


def _lines(studies: list[Study], sessions: list[dict[str, Any]], recordings: list[dict[str, Any]]) -> list[str]:
    lines = []
    for study, renamed in [(s, r) for i, s in enumerate(studies) for r in (sessions[i], recordings[i])]:
        lines += [f"{study.folder.name}: {old} is now {new}" for old, new in renamed.items() if old != new]
    played = Counter(key for study in studies for key in {row["instrument"] for row in study.recordings})
    links = sorted(key for key, count in played.items() if count > 1)
    lines.append(
        f"Instruments recorded in more than one of the studies: {', '.join(links)}"
        if links
        else "No instrument was recorded in more than one of the studies: their sound cannot be compared "
        "across them. One instrument recorded again in both rooms would mend it."
    )
    return lines
