"""Adjusted p-values against the worked example of Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289, section 4.1.

Fifteen p-values of a heart-attack trial; at 0.05 the procedure rejects four hypotheses, Bonferroni three.
"""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from evenbore.compare.pairs import judge

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
