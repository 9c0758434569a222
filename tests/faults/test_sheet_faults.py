"""Hostile sheets, settings and family files: accepted or refused in plain words, and nothing is done but reading."""

import os

import pytest

from evenbore.study.sheets import load_study
from faults.outcome import FINE
from faults.sheet_campaign import ran, run, run_random, watched, write_case
from faults.sheet_corpus import cases
from faults.sheet_random import study_case


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory, copied_worker):
    return run(tmp_path_factory.mktemp("sheet_faults"), heavy=False)


def test_every_case_has_a_name_of_its_own_and_its_outcome(outcomes):
    names = [case.name for case in cases() if not case.heavy]
    assert len(set(names)) == len(names) > 250
    assert [outcome.name for outcome in outcomes] == names


def test_every_sheet_is_treated_as_it_should_be(outcomes):
    """The right words, no traceback, no command, no file written, no object made, nothing that steers a terminal."""
    assert [outcome for outcome in outcomes if outcome.verdict != FINE] == []


def test_the_watch_sees_what_it_should(tmp_path):
    with watched() as done:
        os.system("true")
        (tmp_path / "a").write_text("x")
        (tmp_path / "a").read_text()
    assert len(done) == 2


@pytest.mark.slow
def test_what_is_accepted_runs_with_every_setting_on(tmp_path):
    """Accepted shipments, grades, own keys with dates, own families, inspection, impressions."""
    case = next(case for case in cases() if case.name == "everything_on")
    write_case(case, tmp_path)
    assert ran(case, tmp_path, drawn=False).verdict == FINE


def test_a_study_drawn_at_random_is_accepted_and_runs(tmp_path):
    """One that once was stopped, for nobody was to compare; the campaign draws hundreds."""
    assert [one.verdict for one in run_random(tmp_path, [9])] == [FINE, FINE]
    for seed in range(10, 30):
        write_case(study_case(seed), tmp_path / str(seed))
        load_study(tmp_path / str(seed))
