"""The campaign in short: with what was measured on a thousand studies each, an error rate off its mark would show."""

import pytest
from scipy import stats

from research.brightness import run_brightness
from research.run import tables
from research.simulation import SCENARIOS, Scenario, materials, run_notes, run_pairs, run_scenario

STUDIES = 120


def possible(share, expected, studies=STUDIES):
    """Whether that share of the studies can come from this rate (two-sided 0.2 %)."""
    low, high = stats.binom.ppf([0.001, 0.999], studies, expected) / studies
    return low <= share <= high


@pytest.fixture(scope="module")
def linked():
    return run_scenario(SCENARIOS[1], STUDIES)


@pytest.mark.slow
def test_no_effect_is_found_where_there_is_none(linked):
    assert linked["method"] == "mixed model"
    assert possible(linked["p_below"], 0.05)
    assert linked["permutation_below"] <= stats.binom.ppf(0.999, STUDIES, 0.05) / STUDIES


@pytest.mark.slow
def test_intervals_cover(linked):
    assert possible(linked["covered"], 0.90)


@pytest.mark.slow
def test_many_notes_and_takes_do_not_find_effects():
    found = run_notes("intonation_spread", STUDIES)
    assert possible(found["p_below"], 0.05) and possible(found["covered"], 0.90)


@pytest.mark.slow
def test_a_planted_brightness_is_found_and_none_where_there_is_none():
    bright, none = run_brightness(1.0, 4), run_brightness(0.0, 4)
    assert bright["adjusted_below"] >= 0.8
    assert bright["estimate"] == pytest.approx(1.0, abs=0.25)
    assert possible(none["covered"], 0.90, none["pairs"])


@pytest.mark.slow
def test_plans_keep_what_they_predict(linked):
    assert linked["reported"] == pytest.approx(linked["planned"], rel=0.15)
    pairs = run_pairs(SCENARIOS[1], 60)  # 66 pairs each
    assert pairs["scattered"] == pytest.approx(pairs["planned"], rel=0.15)


def test_materials_alternate():
    assert materials(3, 1) == {"i0": "m0", "i1": "m1", "i2": "m0", "i3": "m0"}


def test_tables_hold_every_result():
    result = run_scenario(Scenario("tiny", materials(2, 2)), 3)
    text = tables({"factor tiny": result, "pairs tiny": run_pairs(Scenario("tiny", materials(2, 2)), 2)})
    assert text.count("| tiny |") == 1
    assert "of the difference of two instruments" in text
