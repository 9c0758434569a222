"""A small sound study for tests, written to a folder; cells can be changed before writing."""

import shutil
from pathlib import Path

from evenbore.files.errors import Problem
from evenbore.files.paths import repo_root
from evenbore.study.check import check_reading
from evenbore.study.sheets import read_study

RECORDINGS = [
    {"recording": "r1", "file": "audio/r1.wav", "instrument": "alto1", "session": "s1", "take": "1"},
    {"recording": "r2", "file": "audio/r2.wav", "instrument": "alto1", "session": "s1", "take": "2"},
    {"recording": "r3", "file": "audio/r3.wav", "instrument": "Alto2", "session": "s1", "take": "1"},
]
INSTRUMENTS = [
    {"instrument": "alto1", "label": "Alto no. 1", "family": "saxophone_alto"},
    {"instrument": "Alto2", "label": "Alto no. 2", "family": "saxophone_alto"},
]
SESSIONS = [{"session": "s1", "date": "2024-05-03"}]


def sheet_text(rows: list[dict[str, str]], separator: str = "\t") -> str:
    """Return rows as text; the header holds every key in order of appearance."""
    columns = list(dict.fromkeys(key for row in rows for key in row))
    lines = [columns, *([row.get(column, "") for column in columns] for row in rows)]
    return "".join(separator.join(line) + "\n" for line in lines)


def write_study(folder: Path, recordings=RECORDINGS, instruments=INSTRUMENTS, sessions=SESSIONS, **others) -> Path:
    """Write config and sheets; `others` adds further sheets by name."""
    config = folder / "config"
    config.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(repo_root() / "config" / "config.yaml", config / "config.yaml")
    sheets = {"recordings": recordings, "instruments": instruments, "sessions": sessions, **others}
    for name, rows in sheets.items():
        (config / f"{name}.tsv").write_text(sheet_text(rows), encoding="utf-8")
    return folder


def changed(rows: list[dict], index: int, **cells: str) -> list[dict]:
    """Return rows with some cells of one row changed."""
    return [row | cells if i == index else row for i, row in enumerate(rows)]


def check_study(folder: str | Path) -> list[Problem]:
    """`check_reading` of a study folder."""
    return check_reading(read_study(folder))
