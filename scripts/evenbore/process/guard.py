"""Does a chunk's work in a worker process with limits of time and memory, so that no recording stops the others.

What a recording does to the worker (crash it, hang it, need too much memory) costs that recording alone: the worker
is started anew and the task tried once more, for a machine short of memory is no recording's fault; after the second
time, or when it took too long, the recording is set aside. This module and its imports are light: it is the worker that
loads the numerical libraries.
"""

import contextlib
import json
import multiprocessing
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any, cast

from evenbore.facts.rows import RecordingRow
from evenbore.files.errors import AudioError, EvenboreError
from evenbore.files.paths import IMPORTED_FROM
from evenbore.process import worker

MEMORY_BYTES = 4 << 30  # of address space; an hour of sound needs 1 GB of it
# ASSUME: no machine is so slow that it needs longer. An hour of sound is 30 MB or more and takes half a minute of
# computing, so this allows at least ten times what it takes.
LEAST_S, S_PER_MB = 300.0, 30.0
CPU_SHARE = 0.1  # of these times that may be spent computing, where the system can tell; the rest is waiting
START_S = 300.0
END_S = 10.0
TRIES = 2
ENDLESS = "damaged so that its decoder never ends"


class Guard:
    """One worker, started when first needed and again after it died; use as a context manager."""

    def __init__(self, memory_bytes: int = MEMORY_BYTES):
        self._memory_bytes = memory_bytes
        self._worker: _Worker | None = None
        self.passing: list[str] = []
        """Why tasks were given up for want of memory, which may be there another time."""

    def ask(self, task: str, limit_s: float = LEAST_S, **arguments: object) -> Any:
        """Let the worker do a task and return its result.

        Raises AudioError when the task ended the worker `TRIES` times or took longer than `limit_s`, and EvenboreError
        for what is no fault of a recording.
        """
        for _ in range(TRIES):
            if self._worker is None:
                self._worker = _Worker(self._memory_bytes)
            try:
                return self._worker.ask((task, CPU_SHARE * limit_s, arguments), limit_s)
            except _Died as died:
                self.close()
                last = died
                if died.hung:
                    break
        if last.short_of_memory:
            self.passing.append(str(last))
        raise AudioError(str(last))

    def close(self) -> None:
        """End the worker."""
        if self._worker is not None:
            self._worker.end()
            self._worker = None

    def __enter__(self) -> "Guard":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def measure_chunk(
    rows: list[RecordingRow], chunk: str, path: str | Path, guard: Guard, known: Sequence[RecordingRow] = ()
) -> Iterator[str]:
    """Measure the recordings of a chunk into one chunk file.

    Yields, recording by recording that is measured, what there is to tell of it: "" as a rule, else why the worker died
    on it or the traceback of an error of our own. `known`: the rows that the file at `path` was made of, in their
    order; what it holds of those that are the same is not measured again.
    """
    folder = Path(path).with_suffix(".parts")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        parts: list[tuple[str, int]] = []
        for row in rows:
            if row in known:
                parts.append((str(path), known.index(row)))
                continue
            part = str(folder / f"{len(parts)}.npz")
            parts.append((part, 0))
            try:
                yield guard.ask("measure", time_limit_s(row["path"]), row=row, chunk=chunk, into=part)
            except AudioError as error:
                guard.ask("set_aside", row=row, chunk=chunk, reason=str(error), into=part)
                yield f"{row['recording']}: {error}"
        guard.ask("join", LEAST_S * len(parts), parts=parts, into=str(path))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def time_limit_s(path: str | Path) -> float:
    """Seconds that measuring this file may take, from its size: nothing in it is to be believed before."""
    try:
        size = os.path.getsize(path)
    except OSError:
        size = 0
    return LEAST_S + S_PER_MB * size / 1e6


class _Died(Exception):
    """The worker ended, or had to be ended, over a task; the text says how. `code`: its exit code, None if it hung."""

    def __init__(self, how: str, code: int | None):
        super().__init__(how)
        self.hung = code is None or (os.name == "posix" and code == -signal.SIGPROF)
        self.short_of_memory = code == worker.NO_MEMORY_CODE or (os.name == "posix" and code == -signal.SIGKILL)


class _Copy:
    """A worker that is a copy of this process, which has loaded the libraries, with what we need of `Popen`."""

    def __init__(self, memory_bytes: int):
        (tasks, giving), (listening, answers) = os.pipe(), os.pipe()
        self._process = multiprocessing.get_context("fork").Process(
            target=worker.main, args=(memory_bytes, tasks, answers, (giving, listening))
        )
        self._process.start()
        os.close(tasks)
        os.close(answers)
        self.stdin, self.stdout = os.fdopen(giving, "w", encoding="utf-8"), os.fdopen(listening, encoding="utf-8")
        self.kill = self._process.kill

    def wait(self, timeout: float | None = None) -> None:
        self._process.join(timeout)

    @property
    def returncode(self) -> Any:
        return self._process.exitcode


class _Worker:
    """A worker process and the pipe to it."""

    def __init__(self, memory_bytes: int):
        self._memory_bytes = memory_bytes = worker.allowed(memory_bytes)
        search = os.pathsep.join([str(IMPORTED_FROM), *filter(None, [os.environ.get("PYTHONPATH")])])
        self._process = (
            _Copy(memory_bytes)
            if worker.loaded
            else subprocess.Popen(
                [sys.executable, "-P", "-m", worker.__name__, str(memory_bytes)],
                env=os.environ | {"PYTHONPATH": search},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
            )
        )
        self._tasks, self._results = cast(IO[str], self._process.stdin), cast(IO[str], self._process.stdout)
        self._answers: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        try:
            threading.Thread(target=self._listen, daemon=True).start()
            ready = self._answer(START_S)
            if "error" in ready:
                raise EvenboreError(ready["error"])
        except _Died as died:
            self.end()
            raise EvenboreError(f"The process that measures could not be started: it {died}.") from died
        except BaseException:
            self.end()
            raise

    def ask(self, task: tuple[str, float, dict[str, object]], limit_s: float) -> Any:
        """Send a task; return its result."""
        with contextlib.suppress(BrokenPipeError):  # its end is noticed below
            self._tasks.write(json.dumps(task) + "\n")
            self._tasks.flush()
        answer = self._answer(limit_s)
        if "error" in answer:
            raise EvenboreError(answer["error"])
        return answer["result"]

    def end(self) -> None:
        """End the process, whatever it is doing."""
        self._process.kill()
        self._process.wait()
        with contextlib.suppress(BrokenPipeError):
            self._tasks.close()

    def _listen(self) -> None:
        try:
            with self._results as lines:
                for line in lines:
                    self._answers.put(line)
        finally:
            self._answers.put(None)

    def _answer(self, limit_s: float) -> dict[str, Any]:
        try:
            line = self._answers.get(timeout=limit_s)
        except queue.Empty:
            raise _Died(f"took longer than {limit_s:.0f} s ({ENDLESS}, or on a disk that hangs?)", None) from None
        if line is None:
            with contextlib.suppress(subprocess.TimeoutExpired):  # then we alone can hear it no more
                self._process.wait(END_S)
            self.end()
            code = self._process.returncode
            raise _Died(_how(code, self._memory_bytes), code)
        answer: dict[str, Any] = json.loads(line)
        return answer


def _how(code: int, memory_bytes: int) -> str:
    """Say how a process ended, from its exit code."""
    if code == worker.NO_MEMORY_CODE:
        return f"needs more than {memory_bytes / (1 << 30):.3g} GB of memory"
    if os.name == "posix" and code == -signal.SIGKILL:
        return "was ended by the system (out of memory?)"
    if os.name == "posix" and code == -signal.SIGPROF:
        return f"took too much computing ({ENDLESS}?)"
    name = signal.Signals(-code).name if -code in set(signal.Signals) else f"exit code {code & 0xFFFFFFFF:#x}"
    return f"crashed the program that reads it ({name})"
