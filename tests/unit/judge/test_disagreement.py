"""Takes that disagree, against published values of k, and on drawn takes whose odd one is known."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.judge.disagreement import disagreeing, mandel_k, with_disagreements

# ASTM E691, glucose in serum, material A: 8 laboratories x 3 (data set `Glucose` of the R package ILS), and their k
GLUCOSE = np.array(
    [
        [41.03, 41.45, 41.37], [41.17, 42.00, 41.15], [41.01, 40.68, 42.66], [39.37, 42.37, 42.63],
        [41.88, 41.19, 41.32], [43.28, 40.50, 42.28], [41.08, 41.27, 39.02], [43.36, 42.65, 41.72],
    ]
)  # fmt: skip
PUBLISHED_K = [0.21, 0.46, 1.00, 1.70, 0.34, 1.32, 1.17, 0.77]
CRITICAL_K = 2.06  # at 0.5 %, 8 laboratories of 3 results


def test_k_is_the_published_one():
    squares = GLUCOSE.var(axis=1) * 3
    k, _ = mandel_k(squares, np.full(8, 2.0))
    assert k == pytest.approx(PUBLISHED_K, abs=0.005)


def test_the_chance_at_the_published_limit_is_the_published_one():
    # one cell at the limit, the others sharing the rest of the pooled variance
    rest = (8 - CRITICAL_K**2) / 7
    k, chance = mandel_k(2 * np.array([CRITICAL_K**2, *[rest] * 7]), np.full(8, 2.0))
    assert k[0] == pytest.approx(CRITICAL_K)
    assert chance[0] == pytest.approx(0.005, rel=0.01)
    # the same from the F distribution: 1 over that with its degrees of freedom exchanged
    assert chance[0] == pytest.approx(stats.f.cdf(rest / CRITICAL_K**2, 14, 2))


def takes_of(rng, takes=3, names="abcdef", criterion="tuning_offset", sd=1.5, spread=6.0):
    rows = [
        {"instrument": name, "state": "x", "session": "s", "recording": f"{name}{take}", "direction": "up",
         "articulation": "slurred", "criterion": criterion, "value": own + rng.normal(0, sd)}
        for name, own in zip(names, rng.normal(0, spread, len(names)), strict=True)
        for take in range(1, takes + 1)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_a_take_apart_from_its_others_is_named_in_the_reason():
    takes = takes_of(np.random.default_rng(1))
    takes.loc[takes["recording"] == "b2", "value"] += 25.0
    table = pd.DataFrame(
        {"instrument": list("abc"), "state": "x", "criterion": "tuning_offset", "reason": ["", "few", ""]}
    )
    reasons = with_disagreements(table, takes)["reason"]
    assert list(reasons) == ["", "few; take b2 stands apart from its other takes: listen to it", ""]


def test_of_two_takes_both_are_named():
    takes = takes_of(np.random.default_rng(2), takes=2)
    takes.loc[takes["recording"] == "c1", "value"] += 40.0
    told = disagreeing(takes)
    assert told == {
        ("c", "x", "tuning_offset"): "its takes c1 and c2 lie further apart than others' do: listen to them"
    }


def test_instruments_that_differ_are_no_disagreement_and_hardly_anything_is_told_by_chance():
    # measured: 5 of 100 such studies; a twentieth may be
    told = [disagreeing(takes_of(np.random.default_rng([3, seed]), sd=6.0)) for seed in range(60)]
    assert sum(map(bool, told)) <= 6


def test_what_cannot_be_heard_is_not_told():
    takes = takes_of(np.random.default_rng(4), sd=0.01)
    takes.loc[takes["recording"] == "a1", "value"] += 1.0  # a hundred times the others' scatter, a fifth of a step
    assert disagreeing(takes) == {}


def test_single_takes_tell_nothing():
    assert disagreeing(takes_of(np.random.default_rng(5), takes=1)) == {}
