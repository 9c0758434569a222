"""A run ends whatever becomes of what it started, and takes all of that along."""

import io
import os
import sys
import time

import psutil
import pytest

from evenbore.run import running, workflow
from evenbore.run.progress import Screen
from evenbore.run.running import Note

SLEEPS = "import time; time.sleep(1000)"
LEAVES_ONE = f"import subprocess, sys; print(subprocess.Popen([sys.executable, '-c', {SLEEPS!r}]).pid, file=sys.stderr)"

pytestmark = pytest.mark.skipif(os.name == "nt", reason="groups of processes are POSIX's")


def supervised(code, tmp_path, follow=lambda: None, here=True):
    """Supervise a Python that runs `code`: the exit code, its note, what was told, and what it wrote."""
    screen, note, said = Screen(io.StringIO()), Note(here), tmp_path / "said"
    with said.open("wb") as file:
        exit_code = workflow._supervise([sys.executable, "-c", code], dict(os.environ), file, follow, screen, note)
    return exit_code, note, screen.stream.getvalue(), said.read_text("utf-8")


def gone(pid):
    """Whether a process ends within a minute; one that nobody asks how it ended stays as a zombie."""
    until = time.monotonic() + 60
    while psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE:
        if time.monotonic() > until:
            return False
        time.sleep(0.05)
    return True


def test_what_waits_for_ever_is_ended_and_its_lock_is_known_to_be_nobodys(tmp_path, monkeypatch):
    monkeypatch.setattr(workflow, "STILL_S", 1.0)
    code, note, told, _ = supervised(SLEEPS, tmp_path)
    assert (code, note.stays, told.strip()) == (1, True, workflow.STOOD_STILL)


def test_a_step_that_waits_for_ever_is_ended_though_the_workflow_itself_goes_on_computing(tmp_path, monkeypatch):
    monkeypatch.setattr(workflow, "STILL_S", 1.0)
    code, _, told, said = supervised(f"{LEAVES_ONE}\nwhile True: pass", tmp_path)
    assert (code, told.strip()) == (1, workflow.STOOD_STILL)
    assert gone(int(said))


def test_what_works_elsewhere_is_let_alone(tmp_path, monkeypatch):
    monkeypatch.setattr(workflow, "STILL_S", 0.5)
    assert supervised("import time; time.sleep(2)", tmp_path, here=False)[:1] == (0,)


def test_only_what_has_computed_nothing_all_the_while_stands_still(monkeypatch):
    """Of two steps one may wait for long; a step that follows another is no standstill either."""
    hours = [{(1, 0.5), (2, 0.1)}] + [{(1, 0.5), (2, 0.1 * k)} for k in range(2, 5)] + [{(3, 0.0)}] * 3
    clock, looks = iter(range(0, 3600 * 99, 3600)), iter(hours)
    monkeypatch.setattr(running.time, "monotonic", lambda: next(clock))
    monkeypatch.setattr(running, "_computed", lambda pid: next(looks))
    stands_still = running.standstill(1, 7200.0)
    assert [stands_still() for _ in hours] == [False] * 6 + [True]


def test_a_step_that_the_workflow_left_behind_ends_with_it(tmp_path):
    """Snakemake does so where there is no memory for the thread that watches what a step costs."""
    code, note, told, said = supervised(LEAVES_ONE, tmp_path)
    assert (code, note.stays, told) == (0, False, "")
    assert gone(int(said))


def test_what_does_not_stop_when_nobody_reads_us_any_more_is_ended(tmp_path, monkeypatch):
    monkeypatch.setattr(workflow, "STOP_S", 1.0)
    ready = tmp_path / "ready"

    def follow():
        if ready.exists():
            raise BrokenPipeError

    deaf = f"import signal; signal.signal(signal.SIGINT, signal.SIG_IGN); open({str(ready)!r}, 'w'); {SLEEPS}"
    with pytest.raises(BrokenPipeError):
        supervised(deaf, tmp_path, follow)
    assert not [child for child in psutil.Process().children() if str(ready) in " ".join(child.cmdline())]


def test_the_lock_of_a_workflow_that_was_killed_is_cleared_by_the_next_run(tmp_path):
    _, note, _, _ = supervised("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", tmp_path)
    assert note.stays
