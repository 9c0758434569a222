"""What is stale is told by content, whatever the clock says."""

import json
import os
from types import SimpleNamespace

import pytest

from evenbore.files.digest import sha256
from evenbore.process.made import Job, stale
from evenbore.process.steplog import step

LONG_AGO = 1_000_000_000


@pytest.fixture
def steps(tmp_path, monkeypatch):
    """Two steps that have been done: `sheet` -> `table` -> `page`; the first has the parameter `rows`."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sheet").write_text("sheet")
    done = []
    for source, target, params in (("sheet", "table", {"rows": "a"}), ("table", "page", {})):
        job = SimpleNamespace(log=[f"results/logs/{target}.log"], output=[target], input=[source], params=params)
        with step(job):
            (tmp_path / target).write_text(f"{target} of {source}")
        done.append(Job(job.log[0], [target], params))
    return done


def test_nothing_is_stale_after_a_run_however_old_or_new_the_files_look(steps):
    for name in ("sheet", "page"):
        os.utime(name, (LONG_AGO, LONG_AGO))
    os.utime("table", (9e9, 9e9))
    assert stale(steps, sha256) == (set(), [])


def test_another_input_is_seen_though_it_looks_as_old(steps):
    before = os.stat("sheet")
    with open("sheet", "w") as file:
        file.write("SHEET")
    os.utime("sheet", ns=(before.st_atime_ns, before.st_mtime_ns))
    assert stale(steps, sha256) == ({"table"}, [])


def test_other_parameters_are_seen(steps):
    assert stale([steps[0]._replace(params={"rows": "b"}), steps[1]], sha256) == ({"table"}, [])


def test_an_edited_table_is_told_and_made_anew_with_what_was_made_of_it(steps):
    with open("table", "a") as file:
        file.write("!")
    outputs, (told,) = stale(steps, sha256)
    assert outputs == {"table", "page"}
    assert told.startswith("table is not as it was written")


def test_what_nothing_is_made_of_stays_as_somebody_changed_it(steps):
    with open("page", "a") as file:
        file.write("my remark")
    outputs, (told,) = stale(steps, sha256)
    assert outputs == set()
    assert told.startswith("page was changed after it was written")


@pytest.mark.parametrize("record", ["", "[]", "{}", '{"inputs": 1, "outputs": {}, "params": ""}', "[" * 100_000, None])
def test_without_a_sound_record_it_is_made_anew(steps, tmp_path, record):
    path = tmp_path / "results/work/made/table.json"
    path.unlink() if record is None else path.write_text(record)
    assert stale(steps, sha256) == ({"table"}, [])


def test_a_step_learns_by_what_its_outputs_were_made_while_nothing_else_has_changed(steps):
    def made_by():
        with step(job) as begun:
            pass
        return begun.made_by

    job = SimpleNamespace(log=["results/logs/table.log"], output=["table"], input=["sheet"], params={"rows": "b"})
    assert (made_by(), made_by()) == ({"rows": "a"}, {"rows": "b"})
    for name in ("table", "sheet"):
        with open(name, "a") as file:
            file.write("!")
        assert made_by() == {}
        assert made_by() == {"rows": "b"}


def test_what_is_not_there_is_not_stale(steps):
    os.unlink("table")
    os.unlink("results/work/made/table.json")
    assert "table" not in stale(steps, sha256)[0]


def test_a_passing_fault_and_a_failure_leave_no_record(steps, tmp_path):
    job = SimpleNamespace(log=["results/logs/table.log"], output=["table"], input=["sheet"], params={"rows": "a"})
    with step(job) as begun:
        begun.passing.append("short of memory")
    assert stale(steps, sha256)[0] == {"table"}
    with step(job):
        pass
    assert "table" in json.loads((tmp_path / "results/work/made/table.json").read_text())["outputs"]
    with pytest.raises(ZeroDivisionError), step(job):
        1 / 0  # noqa: B018
    assert stale(steps, sha256)[0] == {"table"}
