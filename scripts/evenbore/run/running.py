"""Which runs are at work on a study, so that one that was cut off can be told from one that goes on.

Snakemake's lock stays when a run is cut off (a power cut, SIGKILL) and does not say whose it is. So every run leaves a
note of itself beside it, a file `.snakemake/evenbore.PID.json` that goes when the run ends, and the lock is cleared
only if all runs of which there are notes are known to have ended: they ran on this machine alone, and no process is
left of them. Whatever is in doubt (another machine, a cluster's jobs, a run that left no note) is left to the person.
"""

import json
import os
import platform
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

CUT_OFF, AT_WORK, UNKNOWN = "cut off", "at work", "unknown"
ELSEWHERE = ("--executor", "-e", "--profile", "--workflow-profile")  # options by which jobs may go to other machines
OURS = ("snakemake", "evenbore.process.worker")  # in the commands of all processes of a run


@contextmanager
def noted(study: Path, options: list[str]) -> Iterator[None]:
    """Leave a note of this run while it lasts; `options` are Snakemake's."""
    note = study / ".snakemake" / f"evenbore.{os.getpid()}.json"
    note.parent.mkdir(exist_ok=True)
    here = not any(option.startswith(ELSEWHERE) for option in options)
    about = {"host": platform.node(), "started": psutil.Process().create_time(), "here": here}
    note.write_text(json.dumps(about), encoding="utf-8")
    try:
        yield
    finally:
        note.unlink(missing_ok=True)


def claim(study: Path) -> str:
    """What is known of the other runs: CUT_OFF (their notes are taken away; no one else is told so), AT_WORK, UNKNOWN.

    To be called by a run that has its own note and was refused by Snakemake's lock.
    """
    notes = _notes(study)
    states = {_state(path) for path in notes} | ({AT_WORK} if _processes(study) else set())
    if states != {CUT_OFF}:
        return AT_WORK if AT_WORK in states else UNKNOWN
    try:
        for note in notes:
            note.unlink()  # of two runs that come here at once one succeeds
    except FileNotFoundError:
        return UNKNOWN
    return CUT_OFF


def forget(study: Path) -> None:
    """Take away the notes of runs that are not at work, after a person has freed the study."""
    for note in _notes(study):
        if _state(note) != AT_WORK:
            note.unlink(missing_ok=True)


def _notes(study: Path) -> list[Path]:
    """The notes of other runs than this; what is only named alike is none."""
    notes = (study / ".snakemake").glob("evenbore.*.json")
    return [path for path in notes if re.fullmatch("[0-9]{1,9}", _pid(path)) and int(_pid(path)) != os.getpid()
            and path.is_file()]  # fmt: skip


def _pid(note: Path) -> str:
    return note.name.split(".")[1]


def _state(note: Path) -> str:
    """What is known of the run that left this note."""
    try:
        about = json.loads(note.read_text(encoding="utf-8"))
        here, started = about["here"] and about["host"] == platform.node(), about["started"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):  # just written or taken away, or by a stranger
        return UNKNOWN
    if not here:
        return UNKNOWN
    try:
        return AT_WORK if psutil.Process(int(_pid(note))).create_time() == started else CUT_OFF
    except psutil.NoSuchProcess:
        return CUT_OFF


def _processes(study: Path) -> list[psutil.Process]:
    """What a run may have left running on this study: steps go on for a while when what started them is killed."""
    ours = []
    for process in psutil.process_iter(["cmdline", "cwd"]):
        command = process.info["cmdline"] or []
        if any(word in part for part in command for word in OURS) and (
            process.info["cwd"] == str(study) or str(study) in command
        ):
            ours.append(process)
    return ours
