"""No audible difference: two one-sided tests (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657).

Difference 1.0, standard error 1.0, 10 degrees of freedom, margin ± 3. The figures follow from Student's t by hand.
"""

import numpy as np
import pytest
from scipy import stats

from judging import judge


def test_the_interval_lies_inside_the_margin():
    judged = judge([1.0], np.ones((1, 1)), 10, 3.0)
    assert (judged["low"][0], judged["high"][0]) == pytest.approx((-0.8125, 2.8125), abs=5e-5)
    assert judged["verdict"][0] == "no_audible_difference"


def test_the_verdict_is_that_of_two_one_sided_tests():
    p_lower, p_upper = stats.t.sf((1.0 + 3.0) / 1.0, 10), stats.t.cdf((1.0 - 3.0) / 1.0, 10)
    assert (p_lower, p_upper) == pytest.approx((0.001259, 0.036694), abs=5e-7)
    for difference in np.linspace(-4, 4, 81):
        p = max(stats.t.sf(difference + 3.0, 10), stats.t.cdf(difference - 3.0, 10))
        verdict = judge([difference], np.ones((1, 1)), 10, 3.0)["verdict"][0]
        assert (verdict == "no_audible_difference") == (p <= 0.05)


def test_a_95_percent_interval_would_not_have_decided():
    half = stats.t.ppf(0.975, 10)
    assert (1 - half, 1 + half) == pytest.approx((-1.228, 3.228), abs=5e-4)
    assert 1 + half > 3.0
