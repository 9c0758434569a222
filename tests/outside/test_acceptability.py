"""Rank probabilities against a published multicriteria example: two treatments that prevent blood clots.

Stochastic multicriteria acceptability analysis of three criteria (clots above and below the knee, bleeding). Expected:
the saved output of the examples of the R package smaa (github.com/gertvv/rsmaa, smaa/tests/Examples): acceptability of
the first place 0.3504 and 0.6496 without preferences, 0.1279 and 0.8721 with weights 0.5, 0.2, 0.3; 10,000 draws.
Risks (beta distributions) and ranges of the linear value functions: Lynd & O'Brien 2004, J. Clin. Epidemiol. 57, 795,
and the package's data, from memory; the mean values that they give, 0.5895 and 0.6584 without preferences, are
checked against the same output.
"""

import numpy as np
import pandas as pd
import pytest

from evenbore.compare import rank
from evenbore.compare.rank import Pool

CRITERIA = pd.DataFrame({"criterion": ["above", "below", "bleeding"], "chain_dependent": "no"})
RISKS = {"old": [(20, 116), (40, 96), (1, 135)], "new": [(8, 121), (32, 97), (5, 124)]}
WORST, BEST = np.array([0.25, 0.40, 0.10]), np.array([0.0, 0.15, 0.0])


@pytest.fixture(scope="module")
def pool():
    rng = np.random.default_rng(1)
    risks = np.array([[rng.beta(*of, 10_000) for of in own] for own in RISKS.values()]).transpose(2, 0, 1)
    return Pool("flute", 1, list(RISKS), list(CRITERIA["criterion"]), (WORST - risks) / (WORST - BEST))


@pytest.mark.parametrize(
    ("weights", "concentration", "first"),
    [
        ((1, 1, 1), 3.0, {"old": 0.3504, "new": 0.6496}),  # all weights alike: Dirichlet (1, 1, 1)
        ((0.5, 0.2, 0.3), 1e7, {"old": 0.1279, "new": 0.8721}),  # as good as exact
    ],
)
def test_first_places_are_those_of_the_example(monkeypatch, pool, weights, concentration, first):
    monkeypatch.setattr(rank, "WEIGHT_CONCENTRATION", concentration)
    given = {"own": dict(zip(pool.criteria, weights, strict=True))}
    passed = dict.fromkeys(pool.instruments, "pass")
    made = rank.rank_tables([pool], given, CRITERIA, passed, set(), passed, seed=1)
    # twice 10,000 draws scatter by 0.007
    assert made["ranking"].set_index("instrument")["p_first"].to_dict() == pytest.approx(first, abs=0.02)
    probability = made["rank_probabilities"].set_index(["instrument", "rank"])["probability"]
    assert probability["old", 2] == pytest.approx(first["new"], abs=0.02)


def test_values_are_those_of_the_example(pool):
    assert pool.utilities.mean(axis=(0, 2)) == pytest.approx([0.5895, 0.6584], abs=0.005)
