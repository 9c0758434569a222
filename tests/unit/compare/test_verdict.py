"""The order of verdicts, at the very margins too: the rules' own words worked out by hand."""

import numpy as np
import pytest

from evenbore.compare.verdict import verdicts


@pytest.mark.parametrize(
    ("low", "high", "p", "limit", "verdict"),
    [
        (-5.0, 5.0, 0.5, 5.0, "no_audible_difference"),  # the margin itself lies inside
        (1.0, 4.0, 0.001, 5.0, "no_audible_difference"),  # although it surely differs from zero
        (1.0, 5.01, 0.05, 5.0, "differs"),
        (1.0, 5.01, 0.051, 5.0, "undecided"),
        (-0.1, 0.1, 0.9, np.nan, "undecided"),
        (-0.1, 0.1, 0.9, None, "undecided"),
        (np.nan, np.nan, np.nan, 5.0, "undecided"),
    ],
)
def test_order(low, high, p, limit, verdict):
    assert verdicts(low, high, p, limit) == verdict
