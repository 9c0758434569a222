"""What a recording does to the process that measures it costs that recording alone.

Every deed of `faults.evil`, a hang and hunger for memory among them, `tests/faults/test_audio_faults.py` has done.
"""

import faulthandler
import json
import os
import re
import signal
import subprocess
import sys
import time

import psutil
import pytest
import soundfile

from evenbore.files.digest import sha256
from evenbore.files.errors import AudioError, EvenboreError
from evenbore.notes.chunkfile import read_chunk_rows, write_chunk
from evenbore.notes.measure import measure_recording
from evenbore.process import guard, worker
from evenbore.process.guard import Guard, measure_chunk, time_limit_s
from faults.evil import SITECUSTOMIZE, evil_decoder
from smallstudy import HIGH, LOW, RATE, play


def row(path, recording):
    return {
        "recording": recording, "instrument": "clar_a", "session": "s1", "take": 1, "dynamic": "mf",
        "articulation": "tongued", "direction": "up", "state": "as_found", "path": str(path), "sha256": sha256(path),
        "channel": None, "start_s": None, "end_s": None,
        "pattern": "chromatic", "low": LOW, "high": HIGH, "notes": None, "tuning_hz": 440.0,
        "family": "clarinet_b_flat", "families_dir": None,
    }  # fmt: skip


@pytest.fixture(scope="module")
def sound():
    return play("clar_a", "s1", 1)[0]


@pytest.fixture
def rows(tmp_path, sound):
    """Function: rows of good recordings with these ids, their files named like them."""

    def write(*recordings):
        paths = [tmp_path / f"{recording}.wav" for recording in recordings]
        for path in paths:
            soundfile.write(path, sound, RATE)
        return [row(path, recording) for path, recording in zip(paths, recordings, strict=True)]

    return write


@pytest.fixture
def evil(tmp_path, monkeypatch):
    (tmp_path / "evil").mkdir()
    monkeypatch.setenv("PYTHONPATH", evil_decoder(tmp_path / "evil"))
    monkeypatch.setenv("EVIL_ONCE", str(tmp_path / "it was done"))


@pytest.fixture
def copied(request, tmp_path, monkeypatch):
    """Workers, the evil decoder in them, are copies of this process, which has loaded what they need: as the steps of
    a run have them on Linux, where alone that is safe."""
    if sys.platform != "linux":
        return request.getfixturevalue("evil")
    monkeypatch.setenv("EVIL_ONCE", str(tmp_path / "it was done"))
    main = worker.main

    def evil_main(*arguments):
        faulthandler.disable()  # it would tell of the crash on what this process prints to
        sys.orig_argv.append(worker.__name__)
        exec(SITECUSTOMIZE, {})
        main(*arguments)

    monkeypatch.setattr(worker, "main", evil_main)
    monkeypatch.setattr(worker, "loaded", True)


def measured(rows, path, **limits):
    """What was told, and the rows of the chunk by recording."""
    with Guard(**limits) as worker:
        told = list(measure_chunk(rows, "s1--clar_a", path, worker))
    return told, {record["recording"]: record for record in read_chunk_rows(path).recordings}


def children():
    return [child for child in psutil.Process().children() if child.status() != psutil.STATUS_ZOMBIE]


def test_what_is_known_of_a_chunk_is_kept_byte_for_byte(rows, tmp_path):
    first, second, third = rows("a", "b", "c")
    (tmp_path / "b.wav").write_bytes(b"")
    second["sha256"] = sha256(tmp_path / "b.wav")
    measured([first, second], tmp_path / "before.npz")
    measured([second, third, first], tmp_path / "anew.npz")
    (tmp_path / "a.wav").unlink()  # as it cannot be heard any more, it comes out of the file
    with Guard() as worker:
        told = list(
            measure_chunk([second, third, first], "s1--clar_a", tmp_path / "before.npz", worker, [first, second])
        )
        assert told == [""]
        assert (tmp_path / "before.npz").read_bytes() == (tmp_path / "anew.npz").read_bytes()
        changed = first | {"low": "A3"}
        (told,) = measure_chunk([changed], "s1--clar_a", tmp_path / "before.npz", worker, [second, third, first])
    assert read_chunk_rows(tmp_path / "before.npz").recordings[0]["status"] == "set_aside"


@pytest.mark.parametrize("workers", ["evil", "copied"])
def test_a_guarded_chunk_is_the_same_as_one_measured_here(rows, request, tmp_path, workers):
    """Byte for byte, with a recording set aside in the midst of it."""
    request.getfixturevalue(workers)
    chunk = rows("a", "b", "c")
    (tmp_path / "b.wav").write_bytes(b"")
    chunk[1]["sha256"] = sha256(tmp_path / "b.wav")
    told, _ = measured(chunk, tmp_path / "guarded.npz")
    assert told == ["", "", ""]
    here = [measure_recording(one) for one in chunk]
    for one, record in zip(chunk, here, strict=True):
        record.recording.update(chunk="s1--clar_a", sha256=sha256(one["path"]))
    write_chunk(here, tmp_path / "here.npz")
    assert (tmp_path / "guarded.npz").read_bytes() == (tmp_path / "here.npz").read_bytes()


def test_a_file_that_changes_while_it_is_read_is_set_aside(rows, copied, tmp_path):
    """Between the moment when the run began and the end of measuring."""
    changed, good = rows("changed", "good")
    with open(changed["path"], "ab") as file:
        file.write(b"more")
    _, records = measured([changed, good], tmp_path / "c.npz")
    assert records["good"]["status"] == "ok"
    assert records["changed"]["status"] == "set_aside"
    assert "changed while it was read" in records["changed"]["reason"]


def test_nothing_is_left_behind(rows, copied, tmp_path):
    before = children()
    measured(rows("a"), tmp_path / "out" / "c.npz")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["c.npz"]
    assert children() == before


@pytest.mark.skipif(os.name == "nt", reason="signals are POSIX's")
@pytest.mark.parametrize(
    ("deed", "reason", "workers"),
    [
        ("crash", r"crashed the program that reads it \(SIGSEGV\)", "evil"),
        ("crash", r"crashed the program that reads it \(SIGSEGV\)", "copied"),
        ("fail", r"evenbore itself failed on it \(IndexError: evil index\); please report", "copied"),
    ],
)
def test_the_offender_is_set_aside_and_the_rest_go_on(rows, request, tmp_path, deed, reason, workers):
    request.getfixturevalue(workers)
    before = children()
    told, records = measured(rows("first", f"the_{deed}", "last"), tmp_path / "c.npz")
    assert [bool(one) for one in told] == [False, True, False]
    assert {key: record["status"] for key, record in records.items()} == {
        "first": "ok", f"the_{deed}": "set_aside", "last": "ok",
    }  # fmt: skip
    assert re.search(reason, records[f"the_{deed}"]["reason"])
    notes = read_chunk_rows(tmp_path / "c.npz").notes
    assert [len(one) for one in notes] == [8, 0, 8]
    assert children() == before


def test_a_chunk_of_nothing_but_offenders(rows, copied, tmp_path):
    _, records = measured(rows("a_leave", "b_leave"), tmp_path / "c.npz")
    assert [record["status"] for record in records.values()] == ["set_aside", "set_aside"]


@pytest.mark.skipif(os.name == "nt", reason="signals are POSIX's")
def test_what_happens_once_is_no_recordings_fault(rows, copied, tmp_path):
    """A worker that the system ends for want of memory, say, is started again; the result is the usual one."""
    chunk = rows("the_once", "last")
    told, records = measured(chunk, tmp_path / "c.npz")
    assert (tmp_path / "it was done").exists()
    assert told == ["", ""]
    assert [record["status"] for record in records.values()] == ["ok", "ok"]


def test_a_worker_that_cannot_start_is_no_recordings_fault(rows, tmp_path, monkeypatch):
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "numpy.py").write_text("raise ImportError('not installed')", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "broken"))
    with pytest.raises(EvenboreError, match="could not be started") as caught:
        measured(rows("a"), tmp_path / "c.npz")
    assert not isinstance(caught.value, AudioError)


def test_what_cannot_be_written_is_no_recordings_fault(rows, copied, tmp_path):
    with pytest.raises(EvenboreError, match=r"File exists|Not a directory"), Guard() as worker:
        worker.ask("measure", row=rows("a")[0], chunk="c", into=str(tmp_path / "a.wav" / "0.npz"))


@pytest.mark.skipif(os.name == "nt", reason="signals are POSIX's")
def test_the_worker_ends_with_the_one_who_started_it(rows, evil, tmp_path):
    """Also in the midst of a recording, and when its parent had no time to say so."""
    command = "import json, sys; from pathlib import Path; from evenbore.process.guard import Guard, measure_chunk\n"
    command += "list(measure_chunk(json.loads(sys.argv[1]), 'c', sys.argv[2], Guard()))"
    search = os.pathsep.join([str(tmp_path / "evil"), *sys.path])
    arguments = [sys.executable, "-c", command, json.dumps(rows("the_hang")), tmp_path / "c.npz"]
    parent = subprocess.Popen(arguments, env=os.environ | {"PYTHONPATH": search})
    process = psutil.Process(parent.pid)
    while not (found := process.children()) and parent.poll() is None:
        time.sleep(0.1)
    (child,) = found
    time.sleep(2)  # by now it hangs, or is about to: both must end
    assert child.is_running()
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    child.wait()


@pytest.mark.skipif(os.name == "nt", reason="computing time is limited by a signal of POSIX's")
def test_a_decoder_that_computes_without_end_is_ended_once(rows, copied, tmp_path, monkeypatch):
    """And at the next run it is not tried again: it is no passing fault."""
    monkeypatch.setattr(guard, "CPU_SHARE", 1 / guard.LEAST_S)
    with Guard() as worker:
        (told,) = measure_chunk(rows("the_spin"), "s1--clar_a", tmp_path / "c.npz", worker)
        assert worker.passing == []
    assert told == "the_spin: took too much computing (damaged so that its decoder never ends?)"


@pytest.mark.parametrize(("deed", "limit", "told"), [("eat", 1 << 30, "1 GB"), ("lack", 4 << 30, "4 GB")])
def test_lack_of_memory_is_a_passing_fault(rows, evil, tmp_path, deed, limit, told):
    """In whatever words: a library that is loaded late is not found then."""
    with Guard(memory_bytes=limit) as worker:
        list(measure_chunk(rows(f"the_{deed}"), "s1--clar_a", tmp_path / "c.npz", worker))
        assert worker.passing == [f"needs more than {told} of memory"]


@pytest.mark.skipif(os.name == "nt", reason="pipes are POSIX's")
def test_a_worker_that_can_tell_nothing_any_more_is_not_waited_for(rows, evil, tmp_path, monkeypatch):
    monkeypatch.setattr(guard, "END_S", 0.5)
    _, records = measured(rows("the_mute", "last"), tmp_path / "c.npz")
    assert [record["status"] for record in records.values()] == ["set_aside", "ok"]


def test_a_worker_that_hears_nothing_any_more_ends():
    """For it could not hear either that whoever started it is gone."""
    code = "import queue; from evenbore.process import worker\n"
    code += "class Deaf:\n    def __iter__(self): raise MemoryError\n"
    code += "worker._read(Deaf(), queue.SimpleQueue())"
    assert subprocess.run([sys.executable, "-c", code]).returncode == worker.NO_MEMORY_CODE


@pytest.mark.skipif(os.name == "nt", reason="limits are POSIX's")
def test_a_worker_may_have_no_more_memory_than_the_one_who_started_it():
    """Not even a superuser's, who could."""
    import resource

    code = "from evenbore.process.worker import allowed; print(allowed(1 << 30), allowed(4 << 30))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (2 << 30, resource.RLIM_INFINITY)),
    )  # fmt: skip
    assert done.stdout.split() == [str(1 << 30), str(2 << 30)]


def test_time_grows_with_the_file(tmp_path):
    (tmp_path / "small").write_bytes(b"x")
    with (tmp_path / "large").open("wb") as file:
        file.truncate(100 * 1_000_000)
    assert time_limit_s(tmp_path / "small") == pytest.approx(guard.LEAST_S, abs=0.1)
    assert time_limit_s(tmp_path / "large") == pytest.approx(guard.LEAST_S + 3000)
    assert time_limit_s(tmp_path / "missing") == guard.LEAST_S


def test_the_guard_is_light():
    """Not even NumPy: it is the worker that loads the numerical libraries."""
    code = (
        "import sys, evenbore.process.guard; print({'numpy', 'soundfile', 'evenbore.notes.measure'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
