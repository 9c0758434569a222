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
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import psutil

CUT_OFF, AT_WORK, UNKNOWN = "cut off", "at work", "unknown"
ELSEWHERE = ("--executor", "-e", "--profile", "--workflow-profile")  # options by which jobs may go to other machines
LOOK_S = 10.0  # between two looks at what a run computes
OURS = ("snakemake", "evenbore.run.warm", "evenbore.process.worker")  # in the commands of all processes of a run


@dataclass
class Note:
    """A run's note of itself: whether all its jobs run `here`; it `stays` where the run could not take its lock off."""

    here: bool
    stays: bool = False


@contextmanager
def noted(study: Path, options: list[str]) -> Iterator[Note]:
    """Leave a note of this run while it lasts; `options` are Snakemake's."""
    path = study / ".snakemake" / f"evenbore.{os.getpid()}.json"
    path.parent.mkdir(exist_ok=True)
    note = Note(here=not any(option.startswith(ELSEWHERE) for option in options))
    about = {"host": platform.node(), "started": psutil.Process().create_time(), "here": note.here}
    path.write_text(json.dumps(about), encoding="utf-8")
    try:
        yield note
    finally:
        if not note.stays:
            path.unlink(missing_ok=True)


def standstill(pid: int, still_s: float) -> Callable[[], bool]:
    """A function that tells whether all that a process started, or it alone where that is nothing, has computed nothing
    for `still_s`: so it waits for something that does not come. To be called again and again."""
    seen: set[tuple[int, float]] = set()
    since = looked = time.monotonic()

    def stands_still() -> bool:
        nonlocal seen, since, looked
        now = time.monotonic()
        if now - looked >= min(LOOK_S, still_s / 4):
            looked, computed = now, _computed(pid)
            if computed != seen:
                seen, since = computed, now
        return now - since >= still_s

    return stands_still


def _computed(pid: int) -> set[tuple[int, float]]:
    """The processes that this one started, or it alone, and the CPU time of each, to a tenth of a second."""
    found = set()
    with suppress(psutil.Error):
        main = psutil.Process(pid)
        for process in main.children(recursive=True) or [main]:
            with suppress(psutil.Error):
                found.add((process.pid, round(sum(process.cpu_times()[:2]), 1)))
    return found


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
