"""The reference of an instrument, from one inverse for all, is the best linear prediction with it left out."""

import numpy as np
import pandas as pd
import pytest

from evenbore.findings.references import Codes, Components, _left_out
from evenbore.findings.rows import CONDITION

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
