"""The odd one out of a model."""

import numpy as np
import pandas as pd

from evenbore.findings.odd import FEATURES, distances, farthest_by_chance, features, odd_ones
from findings.simulated import study


def batch(seed: int, n: int = 30) -> pd.DataFrame:
    index = pd.MultiIndex.from_tuples([(f"i{i:02d}", "as_found") for i in range(n)])
    return pd.DataFrame(np.random.default_rng(seed).normal(0, 2.0, (n, 5)), index, list(FEATURES))


def test_a_point_far_from_a_correlated_cloud_is_found_though_each_feature_is_ordinary():
    table = batch(1)
    table["bright"] = table["spread"] + 0.1 * table["bright"]
    table.iloc[7, :2] = [2.5, -2.5]
    assert [odd.owner[0] for odd in odd_ones(table)] == ["i07"]


def test_like_instruments_have_no_odd_one_but_rarely():
    # 2 % of batches by construction
    assert sum(bool(odd_ones(batch(seed))) for seed in range(40)) <= 3


def test_few_instruments_are_not_judged():
    table = batch(2, 7)
    table.iloc[0] = 50.0
    assert odd_ones(table) == []


def test_many_odd_ones_do_not_hide_each_other():
    # masking (Rousseeuw & Leroy 1987): a tenth of the points far off in the same direction
    # (as many points as above, for which what chance does is drawn already)
    values = np.random.default_rng(3).normal(0, 1, (30, 5))
    values[:3] += 10
    assert set(np.argsort(distances(values))[-3:]) == set(range(3))
    assert distances(values)[:3].min() > farthest_by_chance(30, 5).max()


def test_features_tell_what_was_planted():
    notes, _, _ = study(5, instruments=12, takes=1, dynamics=("mf",))
    before = features(notes)
    own = notes["instrument"] == "i04"
    notes.loc[own, "cents"] += 40.0
    assert features(notes).loc["i04", "offset"].iloc[0] - before.loc["i04", "offset"].iloc[0] == 40.0
    assert [odd.owner[0] for odd in odd_ones(features(notes)[["offset"]])] == ["i04"]
