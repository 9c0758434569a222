"""What all tests share: outside programs, and how their absence is reported.

A test that needs a program or file from outside skips by name (`needs fluidsynth`) where it is missing. With
EVENBORE_REQUIRE_ALL=1, as in .ci/run, such a skip is a failure, so that nothing goes untested unnoticed.
"""

import gc
import os
import shutil
import sys
import time
from pathlib import Path

import pytest

from campaigns import one_thread

NEEDS = "needs "
REPO = Path(__file__).resolve().parents[1]
WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")
LONGEST = (
    "workflow/test_workflow.py",
    "accuracy/test_accuracy_short.py",
    "workflow/test_slurm.py",
    "faults/test_run_faults.py",
    "browser/test_report.py",  # makes the sample study, which others wait for
    "passages/test_passages_short.py",
    "research/test_research_short.py",
    "workflow/test_style.py",
    "unit/compare/test_components.py",
    "physics/test_pools.py",
    "decisions/test_decisions_short.py",
    "browser/test_listening.py",
    "faults/test_audio_faults.py",
    "unit/figures/test_figures.py",
    "unit/judge/test_assess.py",
    "unit/compare/test_cluster.py",
    "findings/test_findings_short.py",
    "unit/test_start.py",
    "unit/notes/test_scales.py",
    "comparability/test_comparability_short.py",
    "scenarios/test_scenarios_short.py",
    "workflow/test_rendered_study.py",
    "unit/findings/test_diagnose.py",
    "faults/test_sheet_faults.py",
    "unit/run/test_cli.py",
    "unit/process/test_guard.py",
    "accuracy/test_response_short.py",
    "browser/test_accessibility.py",
    "browser/test_priorities.py",
    "browser/test_long_report.py",
)

one_thread()  # the workers share the cores: threads of their small matrices only wait for each other


def pytest_configure(config):
    config.addinivalue_line("markers", "slow: takes longer than a few seconds")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers():
    """One more than there are cores: some of them wait for a browser, a process or what another makes."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(items):
    """The longest files first, then those with slow tests, so that no worker begins one when the others have ended."""
    order = {REPO / "tests" / name: place for place, name in enumerate(LONGEST)}
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: (order.get(item.path, len(order)), item.path not in slow))


def pytest_collection_finish():
    """What is loaded by now stays: whoever looks for what can be thrown away need not go through it."""
    gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if report.skipped and isinstance(report.longrepr, tuple) and os.environ.get("EVENBORE_REQUIRE_ALL") == "1":
        reason = report.longrepr[2].removeprefix("Skipped: ")
        if reason.startswith(NEEDS):
            report.outcome = "failed"
            report.longrepr = f"{reason}, and EVENBORE_REQUIRE_ALL=1 allows no test to be skipped for that"
    return report


@pytest.fixture(scope="session")
def require_program():
    """Function: the full path of the first of these programs that is installed, or skip the test."""

    def require(*names: str) -> str:
        found = [path for path in map(shutil.which, names) if path]
        if not found:
            pytest.skip(f"{NEEDS}{names[0]}")
        return found[0]

    return require


@pytest.fixture(scope="session")
def require_file():
    """Function: the first of these files that exists, or skip the test; `what` names it for people."""

    def require(what: str, *paths: str | Path) -> Path:
        found = [Path(path) for path in paths if Path(path).is_file()]
        if not found:
            pytest.skip(f"{NEEDS}{what}")
        return found[0]

    return require


@pytest.fixture(scope="session")
def repo() -> Path:
    """The repository's root folder."""
    return REPO


@pytest.fixture(scope="session")
def shared(tmp_path_factory):
    """Function: a folder that `make` fills, once for all workers of a run; not to be changed."""
    from start import try_lock

    base = tmp_path_factory.getbasetemp().parent if WORKER else tmp_path_factory.getbasetemp()

    def share(name: str, make) -> Path:
        folder, done = base / name, base / f"{name}.done"
        with (base / f"{name}.lock").open("a") as handle:
            while not try_lock(handle):
                time.sleep(0.1)
            if not done.exists():
                shutil.rmtree(folder, ignore_errors=True)  # of a worker that failed
                make(folder)
                done.touch()
        return folder

    return share


@pytest.fixture(scope="module")
def copied_worker():
    """What listens to recordings is a copy of this process, where the system makes one: it is there at once.

    As in the steps of a run. The worker that commands have is a Python of its own: `unit/process`, `unit/run` and
    `evenings` start that one too.
    """
    import evenbore.notes.measure  # noqa: F401  (what a worker needs)
    from evenbore.process import worker

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(worker, "loaded", sys.platform == "linux")
        yield


@pytest.fixture(scope="session")
def small_study(shared, repo):
    """Function: write the study of `smallstudy` into a folder, which may be changed."""
    from smallstudy import copy_study, keep_study

    return lambda folder: copy_study(shared("small", lambda made: keep_study(made, repo)), folder)


@pytest.fixture(scope="session")
def report(shared) -> Path:
    """The sample study of `report_sample` with figures and report; not to be changed."""
    import report_sample

    return shared("sample", lambda folder: report_sample.make_report(report_sample.make_results(folder)))


@pytest.fixture(scope="session")
def results(report):
    """The sample study's results, as figures and report read them."""
    from evenbore.report.results import read_results
    from evenbore.study.sheets import load_study

    return read_results(load_study(report), report / "results/tables")


@pytest.fixture(scope="session")
def many(report, shared) -> Path:
    """The sample study with its report when no more than 3 of its 7 instruments are to be shown; the figures are those
    of all."""
    import report_sample

    def make(folder: Path) -> None:
        shutil.copytree(report, folder, ignore=shutil.ignore_patterns("report.html", "comparison.xlsx"))
        config = folder / "config/config.yaml"
        text = config.read_text("utf-8")
        config.write_text(text.replace("max_instruments_in_figures: 40", "max_instruments_in_figures: 3"), "utf-8")
        report_sample.write_report(folder)

    return shared("many", make)
