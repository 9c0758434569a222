"""Only a run that is known to have ended is taken for one that was cut off."""

import json
import os
import platform
import subprocess
import sys

import psutil
import pytest

from evenbore.run.running import AT_WORK, CUT_OFF, UNKNOWN, claim, forget, noted


@pytest.fixture
def ended():
    """The number of a process that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def note(study, pid, text=None, **changes):
    path = study / ".snakemake" / f"evenbore.{pid}.json"
    path.parent.mkdir(exist_ok=True)
    about = {"host": platform.node(), "started": 1.0, "here": True} | changes
    path.write_text(json.dumps(about) if text is None else text, encoding="utf-8")
    return path


def test_a_run_of_which_nothing_is_left_was_cut_off_and_one_claims_that(tmp_path, ended):
    left = note(tmp_path, ended)
    with noted(tmp_path, []):
        assert claim(tmp_path) == CUT_OFF
        assert not left.exists()
        assert claim(tmp_path) == UNKNOWN
    assert list((tmp_path / ".snakemake").iterdir()) == []


def test_another_process_with_the_same_number_is_not_the_run(tmp_path):
    parent = psutil.Process(os.getppid())
    note(tmp_path, parent.pid, started=parent.create_time() - 5)
    assert claim(tmp_path) == CUT_OFF
    note(tmp_path, parent.pid, started=parent.create_time())
    assert claim(tmp_path) == AT_WORK


@pytest.mark.parametrize(
    "changes",
    [
        {"host": "another"},
        {"here": False},
        {"text": ""},
        {"text": "[]"},
        {"text": "{}"},
        {"text": '{"here": 1, "host": [], "started": {}}'},
        {"text": "[" * 100_000},
    ],
)
def test_what_cannot_be_known_is_left_to_the_person(tmp_path, ended, changes):
    left = note(tmp_path, ended, **changes)
    assert claim(tmp_path) == UNKNOWN
    forget(tmp_path)
    assert not left.exists()


def test_what_is_only_named_like_a_note_is_none(tmp_path, ended):
    note(tmp_path, ended)
    for name in ("x", "-1", "9" * 30, "1.2.3"):
        note(tmp_path, name)
    os.mkfifo(tmp_path / ".snakemake" / "evenbore.7.json")
    assert claim(tmp_path) == CUT_OFF


def test_jobs_that_go_to_a_cluster_are_not_here(tmp_path):
    with noted(tmp_path, ["--profile", "workflow/profiles/slurm"]):
        (path,) = (tmp_path / ".snakemake").iterdir()
        assert json.loads(path.read_text(encoding="utf-8"))["here"] is False


def test_a_step_that_goes_on_by_itself_is_at_work(tmp_path, ended):
    note(tmp_path, ended)
    script = tmp_path / ".snakemake" / "step.py"
    script.write_text("input()", encoding="utf-8")
    with subprocess.Popen([sys.executable, script], cwd=tmp_path, stdin=subprocess.PIPE) as step:
        assert claim(tmp_path) == AT_WORK
        step.stdin.close()
    assert claim(tmp_path) == CUT_OFF
