"""The workflow through a real Slurm on this machine: the same tables as without, whatever happens to jobs and nodes."""

import contextlib
import re
import signal
import subprocess
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import psutil
import pytest
import slurm

from smallstudy import Engine, make_study

pytestmark = [pytest.mark.slow, pytest.mark.skipif(sys.platform != "linux", reason="Slurm is for Linux")]

# What a real cluster does not need: it has accounting, and answers to more people than to us.
QUICK = ["--slurm-status-command", "squeue", "--slurm-init-seconds-before-status-checks", "1",
         "--seconds-between-status-checks", "1", "--slurm-no-account", "--latency-wait", "5"]  # fmt: skip


@pytest.fixture(scope="module")
def cluster():
    if slurm.missing():
        pytest.skip(slurm.missing())
    slurm.start()
    yield
    slurm.stop()


@pytest.fixture(scope="module")
def engine(repo, tmp_path_factory):
    return Engine(repo, tmp_path_factory.mktemp("engine") / "ever bore")


@pytest.fixture(scope="module")
def expected(engine, repo, tmp_path_factory):
    """The tables of a run without Slurm."""
    study = make_study(tmp_path_factory.mktemp("local") / "study", repo).folder
    done = engine.snakemake(study)
    assert done.returncode == 0, done.stderr[-4000:]
    return tables(study)


@pytest.fixture
def started(cluster, engine, repo, tmp_path):
    """A study that is being run through Slurm, as soon as a recording is being measured, and how its run will end."""
    study = make_study(tmp_path / "study", repo).folder
    with ThreadPoolExecutor() as pool:
        yield study, pool.submit(through_slurm, engine, study)
        interrupt(study)  # what a failed test has left running would keep us here


def through_slurm(engine: Engine, study: Path) -> subprocess.CompletedProcess:
    return engine.snakemake(study, "--profile", engine.folder / "workflow" / "profiles" / "slurm", *QUICK)


def tables(study: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (study / "results" / "tables").iterdir()}


def job_at_work(run: Future) -> str:
    """The number of a job that measures right now."""
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        assert not run.done(), run.result().stderr[-4000:]
        listed = subprocess.run(["squeue", "-h", "-t", "R", "-o", "%i %k"], capture_output=True, text=True, check=True)
        found = re.search(r"^(\d+) .*measure", listed.stdout, re.M)
        if found:
            return found.group(1)
        time.sleep(0.1)
    raise AssertionError("no job was started")


def test_a_killed_job_is_tried_again_and_the_tables_are_those_of_a_run_without_slurm(started, expected):
    study, run = started
    subprocess.run(["scancel", "--signal", "KILL", "--full", job_at_work(run)], check=True)
    done = run.result()
    assert done.returncode == 0, done.stderr[-4000:]
    assert "Trying to restart job" in done.stderr
    assert tables(study) == expected


def test_after_a_failed_node_the_study_goes_on_where_it_was(started, engine, expected):
    study, run = started
    job_at_work(run)
    slurm.fail_node()
    interrupt(study)
    assert run.result().returncode != 0
    slurm.start_node()
    done = through_slurm(engine, study)
    assert done.returncode == 0, done.stderr[-4000:]
    assert tables(study) == expected


def interrupt(study: Path) -> None:
    """End the run on a study as Ctrl-C does."""
    for process in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.Error):  # ended meanwhile
            command = process.cmdline()
            if "snakemake" in command and str(study) in command:
                process.send_signal(signal.SIGINT)
