"""The worker: a process of its own for whatever a recording could crash, hang or fill the memory with.

`guard` starts it and hands it one task after the other: a line of JSON in, a line of JSON out. It ends when the tasks
do, also in the midst of one, for then whoever started it is gone. An answer is {"result": …}, or {"error": text} for
what is no fault of the recording (a full disk, say).
"""

import contextlib
import functools
import json
import os
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterable
from typing import TextIO, TypedDict

from evenbore.facts.rows import RecordingRow, Row
from evenbore.files.errors import OUT_OF_MEMORY, AudioError, EvenboreError, in_words, lacks_memory
from evenbore.process import blas

NO_MEMORY_CODE = 70  # exit code
loaded = False
"""Whether this process has loaded what a worker needs, and nothing that cannot be copied: set by who knows."""
CHANGED = "changed while it was read (still being recorded, copied or synchronised?); it is measured at the next run"


def main(memory_bytes: int, asking: int, answering: int, not_ours: Iterable[int] = ()) -> None:
    """Do the tasks that come in on `asking` until it ends. These are numbers of open files; `not_ours` are closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches us too; our end is up to the one who started us
    for number in not_ours:
        os.close(number)
    asked, answers = os.fdopen(asking, encoding="utf-8"), os.fdopen(os.dup(answering), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a decoder prints must not be taken for an answer
    _limit(memory_bytes)
    tasks: dict[str, Callable[..., object]] = {
        "measure": _measure,
        "set_aside": _set_aside,
        "join": _join,
        "examine": _examine,
        "scales": _scales,
    }
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    # now, with all that is imported: a broken set-up, or a machine without memory, is no recording's fault
    try:
        import evenbore.notes.measure  # noqa: F401

        blas.reserve()
        threading.Thread(target=_read, args=(asked, lines), daemon=True).start()
    except Exception as error:
        if not lacks_memory(error):
            raise
        return _send(answers, {"error": OUT_OF_MEMORY})
    _send(answers, {"result": "ready"})
    while True:
        task, cpu_s, arguments = json.loads(lines.get())
        if hasattr(signal, "setitimer"):  # a decoder that never ends is ended, by SIGPROF, wherever it is
            signal.setitimer(signal.ITIMER_PROF, cpu_s)
        try:
            try:
                answer = {"result": tasks[task](**arguments)}
            except EvenboreError as error:
                answer = {"error": str(error)}
            except OSError as error:
                answer = {"error": in_words(error)}
            _send(answers, answer)
        except MemoryError:
            os._exit(NO_MEMORY_CODE)


def allowed(memory_bytes: int) -> int:
    """So much memory, or as much as a worker may have at all where that is less."""
    with contextlib.suppress(ImportError):
        import resource

        limit = resource.getrlimit(resource.RLIMIT_AS)[0]
        return memory_bytes if limit == resource.RLIM_INFINITY else min(memory_bytes, limit)
    return memory_bytes


def _limit(memory_bytes: int) -> None:
    """Bound the memory where the system can; leave no core dumps."""
    with contextlib.suppress(ImportError, ValueError, OSError):  # Windows has no such limits, macOS not all of them
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))


def _send(answers: TextIO, answer: dict[str, object]) -> None:
    answers.write(json.dumps(answer) + "\n")
    answers.flush()


def _read(asked: TextIO, lines: queue.SimpleQueue[str]) -> None:
    code = NO_MEMORY_CODE
    try:
        for line in asked:
            lines.put(line)
        code = 0
    finally:
        os._exit(code)


# The libraries for decoding and measuring are loaded within the functions: `guard` imports this module and is to stay
# light.


def _measure(row: RecordingRow, chunk: str, into: str) -> str:
    """Measure a recording into a file; returns the traceback of an error of our own, '' if there was none."""
    from evenbore.notes.chunkfile import write_chunk
    from evenbore.notes.measure import measure_recording

    try:
        measured = measure_recording(row)
    except (EvenboreError, MemoryError):
        raise
    except Exception as error:
        if lacks_memory(error):
            raise MemoryError from error
        reason = f"evenbore itself failed on it ({type(error).__name__}: {error}); please report this"
        _set_aside(row, chunk, reason, into)
        return traceback.format_exc()
    used = measured.recording["status"] != "set_aside"
    if used and _digest(row["path"], _stamp(row["path"])) != row["sha256"]:
        _set_aside(row, chunk, CHANGED, into)
        return ""
    measured.recording.update(chunk=chunk, sha256=row["sha256"])
    write_chunk([measured], into)
    return ""


def _stamp(path: str) -> tuple[int, ...]:
    """What tells that a file has changed since a moment ago; nothing of one that is not there."""
    try:
        about = os.stat(path)
    except OSError:
        return ()
    return about.st_ino, about.st_size, about.st_mtime_ns, about.st_ctime_ns


@functools.cache
def _digest(path: str, _: tuple[int, ...]) -> str | None:
    """The SHA-256 of a file, once for all the takes of a chunk in it."""
    from evenbore.files.digest import sha256

    return sha256(path)


def _set_aside(row: RecordingRow, chunk: str, reason: str, into: str) -> None:
    """Write down that a recording is set aside, without touching it."""
    from evenbore.notes.chunkfile import write_chunk
    from evenbore.notes.measure import TAKE_KEYS, set_aside

    known: Row = {key: row[key] for key in TAKE_KEYS} | {"chunk": chunk, "sha256": row["sha256"]}
    write_chunk([set_aside(known, reason)], into)


def _join(parts: list[tuple[str, int]], into: str) -> None:
    from evenbore.notes.chunkfile import join_chunks

    join_chunks(parts, into)


class Examination(TypedDict, total=False):
    """What is wrong with a recording as a file; one of the three.

    `channels`: how many there are, where the one asked for is not among them; `unusable`: why it cannot be used;
    `warnings`: of one that can be used.
    """

    channels: int
    unusable: str
    warnings: list[str]


def _examine(path: str, channel: int | None, start_s: float | None, end_s: float | None) -> Examination:
    """Examine a recording as a file."""
    from evenbore.recording.audio import open_signal, probe

    try:
        channels = probe(path).channels
        if channel is not None and channel > channels:
            return {"channels": channels}
        with open_signal(path, channel, start_s=start_s, end_s=end_s) as signal:
            return {"warnings": signal.warnings}
    except AudioError as error:
        return {"unusable": str(error)}


def _scales(path: str, family: str, families_dir: str | None, least_s: float) -> dict[str, object]:
    """The scales in a recording of `least_s` or more (see `scales.LongFile`); nothing where it cannot be read."""
    from dataclasses import asdict
    from pathlib import Path

    from evenbore.notes.scales import find_scales
    from evenbore.recording.audio import open_signal, probe
    from evenbore.trade.families import load_family

    try:
        if probe(path).duration_s < least_s:
            return {}
        with open_signal(path) as signal:
            return asdict(find_scales(signal, load_family(family, Path(families_dir) if families_dir else None)))
    except AudioError:
        return {}


if __name__ == "__main__":
    main(int(sys.argv[1]), asking=0, answering=1)
