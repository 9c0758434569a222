"""What happens to a run leaves no half table and no process; the next run ends with the tables of an undisturbed one.

The undisturbed one runs on one core, in another folder, locale, time zone and hash order, without a home to write to.
All go as far as the comparison; the long version of the campaign goes to the end.
"""

import os
import signal
import subprocess
import sys

import pytest

from faults.outcome import FINE, without_privileges
from faults.run_faults import ELSEWHERE, Faults
from faults.victim import Run, copy_of, made_smaller, tables
from smallstudy import Engine, SmallStudy

TARGETS = ("collect", "compare")

pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.name == "nt", reason="signals and limits are POSIX's")]


@pytest.fixture(scope="module")
def outcomes(repo, small_study, tmp_path_factory):
    if without_privileges() is None:
        pytest.skip("needs setpriv")
    folder = tmp_path_factory.mktemp("run_faults")
    engine = Engine(repo, folder / "engine" / "ever bore")
    study = made_smaller(small_study(folder / "study"))
    undisturbed = copy_of(study, folder / "else where")
    code, told = Run(engine, undisturbed, cores=1, targets=TARGETS, environment=ELSEWHERE).end()
    assert code == 0, told
    faults = Faults(engine, study, tables(undisturbed), seed=1, targets=TARGETS)
    faults.interrupted(signal.SIGINT, cpu_s=5)
    faults.killed(cpu_s=6)
    faults.killed_in_part()
    faults.little_memory(500)
    faults.full_disk()
    faults.read_only()
    faults.clock(-3 * 86_400)
    faults.second_run()
    faults.clock(400 * 86_400)
    faults.goes_on("all of these")
    return faults.outcomes


FAULTS = (
    "Ctrl-C",
    "SIGKILL",
    "SIGKILL to one process",
    "low memory",
    "full disk",
    "read-only results",
    "clock jump",
    "two runs at once",
)


@pytest.mark.parametrize("fault", [*FAULTS, "all of these, then a run to the end"])
def test_nothing_is_lost_and_nobody_is_left_in_the_dark(outcomes, fault):
    """No traceback, no orphan, no half table; in the end the tables are identical."""
    some = [outcome for outcome in outcomes if outcome.fault == fault]
    assert some
    assert [outcome for outcome in some if outcome.verdict != FINE] == []


def test_a_study_brings_no_code_along_not_even_when_run_from_within(repo, small_study, tmp_path):
    """Modules, plugins and a profile of Snakemake's that lie in the study, as a template with Python in it."""
    small = small_study(tmp_path / "study")
    study = small.folder
    SmallStudy(study, small.rows[:1]).write_recordings()
    evil, mark = "open('happened', 'w').close()", study / "happened"
    for name in ("yaml", "numpy", "psutil", "snakemake_executor_plugin_evil", "snakemake_logger_plugin_evil"):
        (study / f"{name}.py").write_text(evil, encoding="utf-8")
    profile = study / "profiles" / "default" / "config.yaml"
    profile.parent.mkdir(parents=True)
    profile.write_text(f'__use_yte__: true\n__definitions__: ["{evil}"]\n', encoding="utf-8")
    start = [sys.executable, repo / "scripts" / "start.py"]
    done = subprocess.run([*start, "run", ".", "--", "--cores", "1", "--until", "measure"], cwd=study)
    assert done.returncode == 0
    assert not mark.exists()
    subprocess.run([sys.executable, "-m", "snakemake", "--version"], cwd=study)
    assert mark.exists(), "the trap works"


def test_the_faults_did_happen(outcomes):
    """A run that ended before its fault would have shown nothing."""
    happened = {outcome.fault: outcome.happened for outcome in outcomes if outcome.fault in FAULTS}
    assert "had ended before" not in happened.values()
    assert happened["full disk"] == happened["read-only results"] == "stopped in plain words"
