"""Adjusted p-values against the worked example of Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289, section 4.1.

Fifteen p-values of a heart-attack trial; at 0.05 the procedure rejects four hypotheses, Bonferroni three. Over
families: Benjamini & Bogomolov 2014, J. R. Stat. Soc. B 76, 297, put together from another library's procedures.
"""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from evenbore.compare.multiplicity import adjusted, over_families
from judging import judge

P = np.array(
    [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459,
     0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000]
)  # fmt: skip


@pytest.fixture
def judged():
    # differences of standard error 1 on 20 df that have exactly these p-values
    return judge(stats.t.isf(P / 2, 20), np.ones((15, 1)), 20, np.nan)


def test_the_four_rejections_of_the_paper(judged):
    assert list(judged["verdict"] == "differs") == [True] * 4 + [False] * 11


def test_adjusted_values_by_hand_and_by_another_library(judged):
    assert judged["p"].to_numpy() == pytest.approx(P)
    # p (15 / rank), made monotone from the largest: the fourth is 0.0095 * 15 / 4
    assert judged["p_adjusted"][3] == pytest.approx(0.035625)
    assert judged["p_adjusted"].to_numpy() == pytest.approx(multipletests(P, method="fdr_bh")[1])


def test_families_that_are_selected_are_tested_at_their_share_of_the_level():
    # their procedure: families are selected by Benjamini and Hochberg over the families' own global p values (Simes,
    # the least of the adjusted ones), and within those the level is 5 % times the share that was selected
    rng = np.random.default_rng(1)
    several = 0
    for _ in range(200):
        true = 3 * (np.arange(8)[:, None] < 3) * (rng.random((8, 6)) < 0.5)
        families = list(stats.norm.sf(rng.normal(true, 1)))
        simes = [multipletests(p, method="fdr_bh")[1].min() for p in families]
        selected = multipletests(simes, alpha=0.05, method="fdr_bh")[0]
        several += 1 < selected.sum() < 8
        level = 0.05 * max(selected.sum(), 1) / len(families)
        times = over_families([adjusted(p) for p in families])
        for p, chosen in zip(families, selected, strict=True):
            told = multipletests(p, alpha=level, method="fdr_bh")[0] & chosen
            assert (adjusted(p) * times <= 0.05 * (1 + 1e-12)).tolist() == told.tolist()
    assert several > 100


def test_factor_over_families_by_hand():
    # the least adjusted ones are 0.008, 0.02, 0.3, 0.4, 0.5, 0.6 and none at all: of six families that are asked,
    # Benjamini and Hochberg keep one (0.02 > 0.05 2 / 6)
    least = (0.008, 0.02, 0.3, 0.4, 0.5, 0.6, np.nan)
    assert over_families([np.array([p, 0.9]) for p in least[:-1]] + [np.array([np.nan])]) == pytest.approx(6)
    # with 0.015 for 0.02 they keep two (0.015 <= 0.05 2 / 6)
    assert over_families([np.array([p]) for p in (0.008, 0.015, *least[2:])]) == pytest.approx(3)
    # all tell of something: nothing to multiply
    assert over_families([np.array([p]) for p in (0.01, 0.01, 0.02, 0.03)]) == 1
    # nothing found: as many tries as there are families; nothing asked: nothing to multiply
    assert over_families([np.array([0.2 + 0.1 * n]) for n in range(5)]) == 5
    assert over_families([np.array([np.nan])]) == over_families([]) == 1


def test_where_nothing_differs_something_is_told_in_one_study_of_twenty():
    rng = np.random.default_rng(2)
    told = []
    for _ in range(1000):
        families = [adjusted(rng.random(10)) for _ in range(12)]
        times = over_families(families)
        told.append(any((p * times <= 0.05).any() for p in families))
    assert np.mean(told) == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 1000))
