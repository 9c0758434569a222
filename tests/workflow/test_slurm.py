"""The workflow through a real Slurm on this machine: the same tables as without, whatever happens to jobs and nodes."""

import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import slurm

from evenbore.facts.columns import TABLES
from faults.victim import ALL_TABLES, PATIENCE_S, Run, tables
from smallstudy import Engine, SmallStudy

pytestmark = [pytest.mark.slow, pytest.mark.skipif(sys.platform != "linux", reason="Slurm is for Linux")]

# What a real cluster does not need: it has accounting, and answers to more people than to us.
QUICK = ["--slurm-status-command", "squeue", "--slurm-init-seconds-before-status-checks", "1",
         "--seconds-between-status-checks", "1", "--slurm-no-account", "--latency-wait", "5"]  # fmt: skip


@pytest.fixture
def cluster():
    if slurm.missing():
        pytest.skip(slurm.missing())
    try:
        slurm.start()
        yield
    finally:
        slurm.stop()


@pytest.fixture
def engine(repo, tmp_path):
    return Engine(repo, tmp_path / "ever bore")


@pytest.fixture
def start(cluster, engine):
    """Function: run a study through Slurm. What still runs at the test's end is killed."""
    runs = []

    def start(study: Path, *flags: str) -> Run:
        flags = [*flags, "--profile", str(engine.folder / "workflow" / "profiles" / "slurm"), *QUICK]
        runs.append(Run(engine, study, flags=flags))
        return runs[-1]

    yield start
    for run in runs:
        run.kill()


# One test for all of it, because a run through Slurm waits most of its time.
def test_after_a_killed_job_and_a_failed_node_the_tables_are_those_of_a_local_run(start, engine, small_study, tmp_path):
    here, study = (make_three_chunks(tmp_path / name, small_study) for name in ("here", "study"))
    code, told = Run(engine, here, targets=ALL_TABLES).end()
    assert code == 0, told
    expected = tables(here)
    assert {Path(name).stem for name in expected} == TABLES.keys() - {"columns"}  # the report brings that one

    run = start(study, *ALL_TABLES, "--jobs", "2")
    killed = wait_for(study, measuring)
    subprocess.run(["scancel", "--signal", "KILL", "--full", killed], check=True)
    wait_for(study, lambda: measured(study) and measuring())
    slurm.fail_node()
    run.send(signal.SIGINT)
    code, told = run.end()
    assert code == 130, told
    assert "Trying to restart job" in log(study)
    finished, before = measured(study), stamps(study)

    slurm.start_node()
    code, told = start(study, *ALL_TABLES).end()
    assert code == 0, told + log(study)[-4000:]
    assert tables(study) == expected
    after = stamps(study)
    assert 1 <= finished < len(after) == 3
    assert sum(before.get(chunk) == stamp for chunk, stamp in after.items()) == finished


def make_three_chunks(folder: Path, small_study) -> Path:
    """A study of two instruments, one of them in two sessions, two takes each."""
    rows = [row for row in small_study(folder).rows if re.match(r"s._clar_[ab]_[12]$", row["recording"])]
    SmallStudy(folder, rows).write_recordings()
    return folder


def wait_for(study: Path, found):
    """Wait until `found` returns something true, and return that."""
    deadline = time.monotonic() + PATIENCE_S
    while not (answer := found()):
        assert time.monotonic() < deadline, log(study)[-4000:]
        time.sleep(0.1)
    return answer


def measuring() -> str:
    """The number of a job that measures right now, or nothing."""
    listed = subprocess.run(["squeue", "-h", "-t", "R", "-o", "%i %k"], capture_output=True, text=True, check=True)
    found = re.search(r"^(\d+) .*measure", listed.stdout, re.M)
    return found.group(1) if found else ""


def log(study: Path) -> str:
    """What Snakemake has said so far."""
    path = study / "results" / "logs" / "run.log"
    return path.read_text(encoding="utf-8") if path.exists() else ""


def measured(study: Path) -> int:
    """How many chunks Snakemake knows to be finished."""
    return log(study).count("(Rule: measure)")


def stamps(study: Path) -> dict[str, int]:
    """When each chunk was measured."""
    return {path.name: path.stat().st_mtime_ns for path in (study / "results" / "work" / "chunks").iterdir()}
