"""Run the workflow on a study: the engine's own text goes to a log file, the person sees progress and plain words."""

import contextlib
import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from platformdirs import user_cache_dir

from evenbore.files.errors import NO_MEMORY, OUT_OF_MEMORY
from evenbore.files.paths import IMPORTED_FROM, command, harmless, repo_root, shown_path, typed
from evenbore.run import running
from evenbore.run.progress import Progress, Screen, stage_name

WINDOWS = os.name == "nt"
INTERRUPTED = 130  # what shells report for a command ended by Ctrl-C
CORES_OPTIONS = ("--cores", "-c", "--jobs", "-j", "--profile")
JOBS_CONSIDERED = 100  # at a time, of those that wait
POLL_S = 0.2
STOP_S = 60.0  # to tidy up in
# ASSUME: no disk keeps all steps of a run waiting for so long.
STILL_S = 600.0
STOOD_STILL = "Nothing moved any more (memory that is short, a disk that does not answer?): the run was ended."
TRACEBACK = "Traceback (most recent call last)"
MOST_REASONS = 50  # lines
LITTLE_ROOM_BYTES = 20_000_000


def run_workflow(study: Path, recordings: dict[str, int], options: list[str]) -> int:
    """Run the workflow on `study`; returns snakemake's exit code, or 130 after Ctrl-C.

    `recordings` maps each chunk to its number of recordings; `options` go to snakemake after our own.
    What snakemake prints on request (a dry run, a summary) comes out on stdout as usual.
    A lock that a run left behind when it was cut off is cleared.
    """
    log = study / "results" / "logs" / "run.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    others, started = None, time.time()
    with running.noted(study, options) as note:
        text, code, progress = _attempt(study, recordings, options, log, note)
        if _locked(progress):
            others = running.claim(study)
        if others == running.CUT_OFF:
            print("An earlier run on this study was cut off; going on where it was.", file=sys.stderr)
            _attempt(study, recordings, [*options, "--unlock"], log, note)
            text, code, progress = _attempt(study, recordings, options, log, note)
    if code == INTERRUPTED:
        print(f"Stopped. What is finished is kept; start again to go on. Log: {shown_path(log)}", file=sys.stderr)
    elif _locked(progress):
        print(_refusal(study, others), file=sys.stderr)
    elif code != 0:
        print(_failure(study, progress, log, text), file=sys.stderr)
    elif progress.planned or "Nothing to be done" in text:
        print(_success(study, progress, started))
    elif "--unlock" in options:
        running.forget(study)
        print("The study is free again.")
    return code


def _attempt(
    study: Path, recordings: dict[str, int], options: list[str], log: Path, note: running.RunNote
) -> tuple[str, int, Progress]:
    """Run snakemake once: its text, its exit code, and what happened.

    The text goes to the log, but is kept apart meanwhile: on a full disk the log may not take it.
    """
    progress, screen = Progress(recordings), Screen(sys.stderr)
    with tempfile.TemporaryDirectory(prefix="evenbore-") as scratch:
        events, said = Path(scratch) / "events.jsonl", Path(scratch) / "said"
        events.touch()
        # The logger plugin lies beside the library.
        search = os.pathsep.join([str(IMPORTED_FROM), *filter(None, [os.environ.get("PYTHONPATH")])])
        with said.open("wb") as said_file:
            code = _supervise(
                _command(study, options),
                # PYTHONSAFEPATH: the folder where we were called, a stranger's study perhaps, is no place for modules.
                {**os.environ, "PYTHONPATH": search, "PYTHONSAFEPATH": "1", "EVENBORE_EVENTS": str(events)}
                | _home(scratch),
                said_file,
                _following(events, progress, screen),
                screen,
                note,
            )
        text = said.read_bytes()
    with contextlib.suppress(OSError), log.open("ab") as log_file:
        log_file.write(text)
    return text.decode("utf-8", errors="replace"), code, progress


def _home(scratch: str) -> dict[str, str]:
    """Another home for Snakemake's cache, and the drawing library's, where the user's own cannot be written to."""
    cache = Path(user_cache_dir("snakemake", "snakemake"))
    with contextlib.suppress(OSError):
        cache.mkdir(parents=True, exist_ok=True)
    return {} if os.access(cache, os.W_OK) else {"HOME": scratch, "XDG_CACHE_HOME": scratch}


def _locked(progress: Progress) -> bool:
    """Whether snakemake found the study locked."""
    return any(error["kind"] == "LockException" for error in progress.errors)


def _refusal(study: Path, others: str | None) -> str:
    """Why a locked study is not run."""
    if others == running.AT_WORK:
        return "Another run is at work on this study: wait for its end, or stop it (Ctrl-C where it was started)."
    return (
        "Another run is at work on this study, or an earlier one was cut off, perhaps on another machine.\n"
        f"If none is running, free it with: {command()} run {typed(study)} -- --unlock"
    )


def _command(study: Path, options: list[str]) -> list[str]:
    # Nothing of a study may come in as code: no profile that lies where we were called, see also PYTHONSAFEPATH.
    command = [sys.executable, "-m", "snakemake", "--workflow-profile", "none"]
    # Options that take several values come first: whatever stands last must not swallow the user's targets.
    command += ["--logger", "evenbore"]
    # The default scheduler solves a programme at every job's end and looks up the files of all jobs that wait.
    command += ["--scheduler", "greedy", "--scheduler-subsample", str(JOBS_CONSIDERED)]
    command += ["--rerun-incomplete", "--directory", str(study)]
    if not any(option.startswith(CORES_OPTIONS) for option in options):
        command += ["--cores", "all"]
    return [*command, "--snakefile", str(repo_root() / "Snakefile"), *options]


def _supervise(
    command: list[str], environment: dict[str, str], log_file: BinaryIO, follow: Callable[[], None], screen: Screen,
    note: running.RunNote,
) -> int:  # fmt: skip
    """Run `command` to its end, calling `follow` meanwhile; a signal to us goes on to all that it started.

    Nothing that it started outlives it, and what stands still is ended. `note` stays where it could not tidy up.
    """
    with _signals_interrupt():
        process = subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            stderr=log_file,
            # Its own group, so that Ctrl-C reaches it once, from us, together with the jobs it started. Windows
            # cannot send Ctrl-C to a group, but its console sends it to everybody already.
            start_new_session=not WINDOWS,
        )
        stands_still = running.standstill(process.pid, STILL_S)
        interrupted, patience = 0, float("inf")
        try:
            while process.poll() is None:
                try:
                    if time.monotonic() > patience:  # a job that was just starting can lose the signal
                        raise KeyboardInterrupt
                    follow()
                    if note.here and stands_still():
                        screen.note(STOOD_STILL)
                        break
                    time.sleep(POLL_S)
                except KeyboardInterrupt:
                    screen.show("Stopping")
                    _tell(process, ("SIGINT", "SIGTERM", "SIGKILL")[min(interrupted, 2)])
                    interrupted, patience = interrupted + 1, time.monotonic() + STOP_S
            follow()
            screen.clear()
        except BaseException:  # nobody reads what we print, say: the run must not go on behind our back
            _tell(process, "SIGINT")
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(STOP_S)
            raise
        finally:
            _tell(process, "SIGKILL")
            with contextlib.suppress(subprocess.TimeoutExpired):  # not even so where a disk does not answer
                process.wait(STOP_S)
            note.stays = process.returncode is None or process.returncode < 0
    return INTERRUPTED if interrupted else 1 if note.stays else process.returncode


def _tell(process: subprocess.Popen[bytes], name: str) -> None:
    """Send a signal to all that the process started, also where it has ended itself."""
    if WINDOWS:
        return None if name == "SIGINT" else process.kill()
    with contextlib.suppress(ProcessLookupError, PermissionError):  # there is nobody left
        os.killpg(process.pid, getattr(signal, name))


@contextlib.contextmanager
def _signals_interrupt() -> Iterator[None]:
    """Let every signal that asks us to stop raise KeyboardInterrupt, even where the shell had it ignored."""
    names = ["SIGINT", "SIGTERM", "SIGHUP"]
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.signal(number, signal.default_int_handler) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _following(events: Path, progress: Progress, screen: Screen) -> Callable[[], None]:
    """A function that reads the events written since its last call and shows where the run is."""
    position = 0

    def follow() -> None:
        nonlocal position
        with events.open("rb") as file:
            file.seek(position)
            for line in file:
                if not line.endswith(b"\n"):
                    break  # still being written
                position += len(line)
                summary = progress.update(json.loads(line), time.monotonic())
                if summary:
                    screen.note(summary)
        screen.show(progress.line(time.monotonic()))

    return follow


def _success(study: Path, progress: Progress, started: float) -> str:
    lines = [] if progress.planned else ["Nothing to do: all results are up to date."]
    table = study / "results" / "tables" / "recordings.tsv"
    if table.is_file():
        with table.open(encoding="utf-8", newline="") as file:
            count = Counter(row["status"] for row in csv.DictReader(file, delimiter="\t"))
        text = f"{count.total()} recordings: {count['ok']} good"
        for status, words in (("warned", "to be read with care"), ("set_aside", "set aside")):
            if count[status]:
                text += f", {count[status]} {words}"
        if count["ok"] < count.total():
            text += f"; the reasons are in {shown_path(table)}"
        lines.append(text)
    lines += filter(None, [progress.done_anew()])
    lines += _told(study)
    lines += _changed(study, started)
    report = study / "results" / "report.html"
    if report.is_file():
        lines.append(f"Report: {shown_path(report)}")
    return "\n".join(lines)


def _told(study: Path) -> list[str]:
    """What the report's step left to be told: what hangs on own days, and what to record next."""
    path = study / "results" / "work" / "told.txt"
    text = path.read_text("utf-8").replace("\u00a0", " ") if path.is_file() else ""
    return [harmless(line) for line in text.splitlines()]


def _changed(study: Path, since: float) -> list[str]:
    """What changed in the answer, where this run noted something."""
    from evenbore.run.history import FILE, changes_in_words, past_runs

    history = study / FILE
    return changes_in_words(past_runs(history)) if history.is_file() and history.stat().st_mtime >= since else []


def _failure(study: Path, progress: Progress, log: Path, text: str) -> str:
    lines = []
    for job in progress.failed:
        lines.append(f"Failed: {stage_name(job['rule'])}.")
        for path in (study / name for name in job["logs"]):
            if path.is_file():
                reasons = path.read_text(encoding="utf-8", errors="replace")
                # plain words are shown whole, of a traceback its end
                lines += _last_lines(reasons, 3 if TRACEBACK in reasons else MOST_REASONS)
                lines.append(f"  in {shown_path(path)}")
    if NO_MEMORY.search(text) and f"  {OUT_OF_MEMORY}" not in lines:
        lines.append(OUT_OF_MEMORY)
    elif not any(line.startswith("  ") and not line.startswith("  in ") for line in lines):
        # no step could say why: what Snakemake has to say, as it told it or as it told us
        said = text.strip() or "\n".join(str(error["message"]) for error in progress.errors)
        lines += ["The workflow stopped:", *_last_lines(said, 1 if TRACEBACK in said else 8)]
    if shutil.disk_usage(study).free < LITTLE_ROOM_BYTES:
        lines.append("The disk that the study is on is full, or nearly: make room, then start again to go on.")
    return "\n".join([*lines, f"The whole run's log: {shown_path(log)}"])


def _last_lines(text: str, count: int) -> list[str]:
    return [f"  {line}" for line in text.strip().splitlines()[-count:]]
