"""The model behind the rank draws against its textbook example.

Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., table 5.2 (eight coaching effects and their standard errors) and
table 5.3 (posterior quartiles, rounded to whole points, from 200 draws; flat prior of tau).
"""

import numpy as np
import pytest

from evenbore.compare.rank import draw_true

EFFECT = np.array([28, 8, -3, 7, -1, 1, 18, 12.0])
ERROR = np.array([15, 10, 16, 11, 9, 11, 10, 18.0])
MEDIAN = [10, 8, 7, 8, 5, 6, 10, 8]
QUARTILES = [(7, 16), (3, 12), (2, 11), (4, 11), (1, 10), (2, 10), (7, 15), (3, 13)]


@pytest.fixture(scope="module")
def draws():
    # a half-Cauchy as wide as this is flat where the data let tau be
    rng = np.random.default_rng(1)
    return draw_true(EFFECT, np.diag(ERROR**2), np.inf, 1000.0, rng, rng.standard_normal((40_000, EFFECT.size)))


def test_medians(draws):
    assert np.median(draws, axis=0) == pytest.approx(MEDIAN, abs=1.2)  # 200 draws: a median is good to about 0.7


def test_quartiles(draws):
    assert pytest.approx(np.array(QUARTILES), abs=1.8) == np.quantile(draws, [0.25, 0.75], axis=0).T
