"""Reads hostile sheets and settings and judges what was said and done; in the long version runs what was accepted.

Whatever Python does that a hook can see (commands started, connections made, files opened for writing, pickles read,
code compiled from text) is watched meanwhile: reading a study does none of it.
"""

import contextlib
import io
import re
import shutil
import sys
import time
import traceback
from collections.abc import Iterable, Iterator
from pathlib import Path

from evenbore.files.errors import StudyError
from evenbore.run import cli
from evenbore.study.sheets import load_study
from faults.outcome import FINE, HANG, LOSS, TRACEBACK, WRONG, Outcome
from faults.sheet_corpus import OWNED, Case, cases
from faults.sheet_random import RANDOM, study_case
from faults.sheet_run import changed_by_order, contradictions, run_study
from sheetstudies import write_study

SLOW_S = 300.0  # of CPU
NOT_RUN = ("sizes", "names of audio files")  # the first take hours, the second differ in what is not read here
FORBIDDEN = ("os.system", "os.exec", "os.posix_spawn", "os.spawn", "subprocess.Popen", "socket.connect",
             "pickle.find_class", "os.remove", "os.rename", "os.mkdir", "shutil.copyfile",
             "urllib.Request", "ctypes.dlopen")  # fmt: skip
OUR_WORKER = ["-P", "-m", "evenbore.process.worker"]  # which `check` lets open the recordings

_watched: list[str] | None = None


def _hook(event: str, arguments: tuple) -> None:
    if _watched is None or (event == "subprocess.Popen" and list(arguments[1])[1:4] == OUR_WORKER):
        return
    if event in FORBIDDEN or (event == "open" and _opens_to_write(*arguments[:2])):
        _watched.append(f"{event} {arguments[:1]}")


def _opens_to_write(file: object, mode: object) -> bool:
    """Whether a file is opened for writing; the pipe to a worker is a number, not a name."""
    return isinstance(mode, str) and bool(set(mode) & set("wax+")) and not isinstance(file, int)


@contextlib.contextmanager
def watched():
    """A list that fills with what is done and should not be."""
    global _watched
    _watched = seen = []
    try:
        yield seen
    finally:
        _watched = None


sys.addaudithook(_hook)


def run(folder: Path, heavy: bool) -> list[Outcome]:
    """Read every case's study and judge; if `heavy` run those that are accepted."""
    return [outcome for case in cases() if heavy or not case.heavy for outcome in _judge(case, folder, heavy)]


def run_random(folder: Path, seeds: Iterable[int]) -> list[Outcome]:
    """Read and run studies drawn at random."""
    return [outcome for seed in seeds for outcome in _judge(study_case(seed), folder, running=True)]


def ran(case: Case, folder: Path, drawn: bool, reordered: bool = False) -> Outcome:
    """Run the accepted study that lies in `folder`, and look for what its tables cannot mean.

    `reordered`: run it once more, its rows the other way round.
    """
    fault, verdict, detail = f"{case.fault}, run", FINE, ""
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            broken = run_study(folder, drawn)
            wrong = contradictions(folder)
            if reordered:
                wrong += changed_by_order(folder, folder.with_name("other order"))
    except Exception:
        return Outcome(fault, case.name, "failed", TRACEBACK, traceback.format_exc()[-2000:])
    if broken or wrong:
        verdict, detail = LOSS, f"no XML: {broken}; {wrong}"
    return Outcome(fault, case.name, "ran to the end", verdict, detail)


def write_case(case: Case, study: Path) -> None:
    """Write the case's study."""
    write_study(study)
    for name, content in case.files.items():
        (study / name).parent.mkdir(exist_ok=True)
        (study / name).write_bytes(content)


def _judge(case: Case, folder: Path, running: bool) -> Iterator[Outcome]:
    outcome = _read(case, folder)
    yield outcome
    if running and outcome.happened == "accepted" and case.fault not in NOT_RUN:
        yield ran(case, folder / "study", case.drawn, case.reordered)
        shutil.rmtree(folder / "other order", ignore_errors=True)


def _read(case: Case, folder: Path) -> Outcome:
    study = folder / "study"
    shutil.rmtree(study, ignore_errors=True)
    write_case(case, study)
    before = _listing(folder)
    begun = time.process_time()
    try:
        with watched() as done, contextlib.redirect_stderr(io.StringIO()) as told, contextlib.redirect_stdout(told):
            problems = _problems(study)
            if case.fault not in ("sizes", RANDOM):  # of which no recording is there to be opened
                cli.main(["check", str(study)])
    except (Exception, SystemExit):
        return Outcome(case.fault, case.name, "failed", TRACEBACK, traceback.format_exc()[-2000:])
    happened = "refused" if problems else "accepted"
    verdict, detail = FINE, ""
    if time.process_time() - begun > SLOW_S:
        verdict, detail = HANG, f"{time.process_time() - begun:.0f} s of CPU"
    elif done or _listing(folder) != before or any(path.name == OWNED for path in folder.rglob("*")):
        verdict, detail = LOSS, f"did {done}, {_listing(folder) - before}"
    elif bool(problems) != bool(case.says) or (problems and not any(re.search(case.says, text) for text in problems)):
        verdict, detail = WRONG, f"wanted {case.says!r}, said {problems[:3]}"
    elif unprintable := set(re.findall(r"[\x00-\x09\x0b-\x1f\x7f\x9b]", told.getvalue())):
        verdict, detail = WRONG, f"characters that steer a terminal: {unprintable}"
    return Outcome(case.fault, case.name, happened, verdict, detail)


def _problems(study: Path) -> list[str]:
    try:
        load_study(study)
    except StudyError as error:
        return [str(problem) for problem in error.problems]
    return []


def _listing(folder: Path) -> set[tuple]:
    """Every path with its size and time."""
    return {(str(path), path.lstat().st_size, path.lstat().st_mtime_ns) for path in folder.rglob("*")}
