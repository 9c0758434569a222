"""Intervals of values against the bootstrap (Efron & Tibshirani 1993) as scipy.stats does it, over takes."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.judge.repeatability import Days, errors_of
from evenbore.statistics.student import CONFIDENCE, half_width


def test_interval_of_many_takes_is_the_bootstraps():
    values = np.random.default_rng(3).normal(20.0, 2.0, 80)
    takes = pd.DataFrame({"instrument": "a", "state": "x", "session": "s", "direction": "up", "value": values})
    known = errors_of(takes, False, Days(np.zeros(1), np.ones(1), 0.0))
    (half,) = half_width(*known.of_values(), known.shares, CONFIDENCE)
    drawn = stats.bootstrap((values,), np.mean, confidence_level=CONFIDENCE, rng=np.random.default_rng(4))
    low, high = drawn.confidence_interval
    # 80 takes: the bootstrap's interval is narrower by sqrt(79 / 80) and by t against normal, 2 % in all
    assert half == pytest.approx((high - low) / 2, rel=0.05)
    assert values.mean() == pytest.approx((low + high) / 2, abs=0.05)


def test_a_mixture_of_scales_is_averaged():
    # one quarter with scale 1, three with scale 2, normal: by the distribution function
    scale, shares = np.array([[1.0, 2.0]]), np.array([0.25, 0.75])
    (half,) = half_width(scale, np.inf, shares, 0.90)
    outside = 0.25 * 2 * stats.norm.sf(half) + 0.75 * 2 * stats.norm.sf(half / 2)
    assert outside == pytest.approx(0.10, abs=1e-6)
    assert stats.norm.ppf(0.95) < half < 2 * stats.norm.ppf(0.95)
