"""References: the best linear prediction with the instrument left out, and of a clean majority of each note."""

import numpy as np
import pandas as pd
import pytest

from evenbore.findings.references import APART, Codes, Components, _left_out, deviations, shared
from evenbore.findings.rows import CONDITION, condition_middles

PARTS = Components(own=2.0, session=0.7, noise=0.4)


def draw(rng):
    """Keys and values of nine instruments: two states, several sessions, and a condition that one alone has."""
    rows = [
        (f"i{i}", "after" if dynamic == "f" and i % 3 == 0 else "before", f"s{session}", dynamic, "slurred", "up")
        for i in range(9)
        for session in ({0, 1, 2} if i == 0 else {i % 3, (i + 1) % 3})
        for dynamic in ("p", "f")
        if rng.random() < 0.8
    ]
    rows += [("i4", "before", "s1", "ff", "slurred", "up"), ("i4", "before", "s2", "ff", "slurred", "up")]
    keys = pd.DataFrame(rows, columns=["instrument", "state", "session", "dynamic", "articulation", "direction"])
    return keys, rng.normal(size=(len(keys), 5)) + pd.factorize(keys["instrument"])[0][:, None]


def same(columns):
    number = columns.groupby(list(columns.columns)).ngroup().to_numpy()
    return number[:, None] == number


@pytest.mark.parametrize("seed", range(4))
def test_left_out_by_one_inverse_as_by_leaving_out(seed):
    keys, values = draw(np.random.default_rng(seed))
    covariance = PARTS.own * same(keys[["instrument", "state"]]) + PARTS.session * same(keys[["session"]])
    covariance = covariance + PARTS.noise * np.eye(len(keys))
    means = pd.get_dummies(keys.groupby(CONDITION).ngroup()).to_numpy(float)
    left, variance = _left_out(Codes.of(keys), values, PARTS)
    for name in keys["instrument"].unique():
        own = np.flatnonzero(keys["instrument"] == name)
        rest = np.setdiff1d(np.arange(len(keys)), own)
        known = means[rest].any(axis=0)
        own = own[~means[own][:, ~known].any(axis=1)]  # what others play too
        # generalised least squares of the means, then prediction: Henderson 1975, Biometrics 31, 423
        x, x0 = means[rest][:, known], means[own][:, known]
        inverse = np.linalg.inv(covariance[np.ix_(rest, rest)])
        mean = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ values[rest])
        cross = covariance[np.ix_(own, rest)] @ inverse
        lift = x0 - cross @ x
        expected = x0 @ mean + cross @ (values[rest] - x @ mean)
        spread = covariance[np.ix_(own, own)] - cross @ covariance[np.ix_(rest, own)]
        spread = spread + lift @ np.linalg.inv(x.T @ inverse @ x) @ lift.T
        assert left[own] == pytest.approx(values[own] - expected)
        assert variance[own] == pytest.approx(np.diag(spread))


def faulty(seed, number):
    """Keys and values of fourteen instruments of unit scatter, the last of which are off below a note of their own."""
    rng = np.random.default_rng(seed)
    rows = [(f"i{i:02d}", "before", "s0", "mf", "slurred", "up") for i in range(14)]
    keys = pd.DataFrame(rows, columns=["instrument", "state", "session", "dynamic", "articulation", "direction"])
    off = np.arange(30) < rng.integers(8, 25, (number, 1))
    away = np.concatenate([np.zeros((14 - number, 30)), rng.uniform(6, 20, (number, 1)) * off])
    return keys, rng.normal(size=(14, 30)) + away


@pytest.mark.parametrize("seed", range(4))
def test_the_middle_is_what_most_agree_on_though_nearly_half_are_off(seed):
    # the mean of the eight that are not has a standard error of 0.35
    assert np.sqrt(np.mean(condition_middles(*faulty(seed, 6))[0] ** 2)) < 0.45


@pytest.mark.parametrize("seed", range(4))
def test_half_the_instruments_do_not_hide_each_other(seed):
    z = deviations(*faulty(seed, 7)).z
    assert np.median(z[7:, :8]) > 4  # it was below 2 while the reference was a mean of tamed values
    assert -1 < np.median(z[:7, :8]) < 0.3


def test_no_row_counts_for_much_more_than_another():
    rows = np.array([[1.0, 2.0, np.nan, -1.0], [30.0, 2.5, 3.0, -20.0]])
    assert shared(rows, np.ones(4)) == pytest.approx([1 + APART / 2, 2.25, 3.0, -1 - APART / 2])
