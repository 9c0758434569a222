"""Everything wrong with a study before it is run: its sheets, its config, and every recording opened."""

import difflib
import itertools
import os
from pathlib import Path

from evenbore.digest import sha256
from evenbore.errors import AudioError, Problem
from evenbore.settings import printable, shown
from evenbore.sheets import read_study

MOST_NAMES = 2000  # a folder with more files is not searched for a name like the missing one


def check_study(folder: str | Path, config_path: str | Path | None = None) -> list[Problem]:
    """Return all problems of a study, also of recordings whose rows have other problems; [] when it is right."""
    reading = read_study(folder, config_path)
    sheet = reading.sheets["recordings"]
    problems = list(reading.problems)
    opened: list[tuple[int, dict]] = []
    for number, row in zip(sheet.numbers, sheet.rows, strict=True):
        if row["path"] is not None:
            found = _check_recording(row, number, sheet.file)
            problems += found
            if not found:
                opened.append((number, row))
    return problems + _same_audio(opened, sheet.file)


def _check_recording(row: dict, number: int, file: str) -> list[Problem]:
    from evenbore.audio import probe

    path = row["path"]
    if not os.path.lexists(path):
        return [Problem(file, number, "file", shown(row["file"]), "a file that is there", _near(path))]
    try:
        info = probe(path)
    except AudioError as error:
        return [Problem(file, number, "file", shown(row["file"]), "a recording that can be opened", str(error))]
    if info.frames == 0:
        return [
            Problem(
                file,
                number,
                "file",
                shown(row["file"]),
                "a recording that holds sound",
                "it holds no samples: stopped at once, or not copied completely",
            )
        ]
    if row["channel"] is not None and row["channel"] > info.channels:
        return [
            Problem(
                file,
                number,
                "channel",
                str(row["channel"]),
                f"a channel from 1 to {info.channels}",
                f"the file has {info.channels}",
            )
        ]
    return []


def _near(path: Path) -> str:
    """Return why a file may be missing: what stands in the folder instead."""
    folder = path.parent
    while not os.path.isdir(folder) and folder != folder.parent:
        folder = folder.parent
    if folder != path.parent:
        missing = path.relative_to(folder).parts[0]
        return f"there is no folder '{printable(missing)}' in {folder.as_posix()}"
    names = _names(folder)
    close = difflib.get_close_matches(path.name.casefold(), list(names), n=1, cutoff=0.7)
    return f"there is '{printable(names[close[0]])}'" if close else "moved, renamed or not copied"


def _names(folder: Path) -> dict[str, str]:
    """Return the names in a folder by their case-folded form; none when there are too many to search or no access."""
    try:
        with os.scandir(folder) as entries:
            names = [entry.name for entry in itertools.islice(entries, MOST_NAMES + 1)]
    except OSError:
        return {}
    return {name.casefold(): name for name in sorted(names)} if len(names) <= MOST_NAMES else {}


def _same_audio(opened: list[tuple[int, dict]], file: str) -> list[Problem]:
    """Find copies: one recording under two names would pass for a perfect repeat."""
    problems = []
    by_size: dict[tuple, list[tuple[int, dict]]] = {}
    first: dict[tuple, tuple[int, Path]] = {}
    for number, row in opened:
        by_size.setdefault((os.path.getsize(row["path"]), row["channel"]), []).append((number, row))
    for number, row in (same for rows in by_size.values() if len(rows) > 1 for same in rows):
        digest = sha256(row["path"])
        if digest is None:
            continue  # gone since it was opened
        before, path = first.setdefault((digest, row["channel"]), (number, row["path"]))
        if path != row["path"]:
            problems.append(
                Problem(
                    file,
                    number,
                    "file",
                    shown(row["file"]),
                    "each recording once",
                    f"it holds the same bytes as the file of row {before}: a copy or a link",
                )
            )
    return problems
