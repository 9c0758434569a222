import numpy as np
import pandas as pd
import pytest

from evenbore.compare import value
from evenbore.compare.rank import Pool
from evenbore.files.tables import conform

CRITERIA = pd.DataFrame({"criterion": ["intonation_spread", "total_cost"], "chain_dependent": ["no", "no"]})


def test_front_by_hand():
    # a cheap and poor, b dearer and better, c as good as b but dearer, d best and dearest, e equal to b in both
    cost = np.array([500, 800, 900, 1500, 800.0])
    quality = np.array([-1, 1, 1, 2, 1.0])
    assert list(value.on_front(cost, quality, np.ones(5, bool))) == [True, True, False, True, True]


def test_a_failed_or_priceless_instrument_is_not_on_the_front_and_hides_nobody():
    cost, quality = np.array([100, np.nan, 900.0]), np.array([5, 9, 1.0])
    assert list(value.on_front(cost, quality, np.array([False, True, True]))) == [False, False, True]


def test_mean_weights_leave_cost_out():
    weights = value.mean_weights({"a": {"x": 1, "total_cost": 3}, "b": {"x": 1, "y": 1}})
    assert weights == pytest.approx({"x": 0.75, "y": 0.25})


def test_table():
    utilities = np.random.default_rng(1).normal([[0.0], [2.0]], 0.5, (4000, 2, 1))
    pool = Pool("flute", 1, ["x1", "x2"], ["intonation_spread"], utilities)
    table = value.value_table(
        [pool], {"one": {"intonation_spread": 1}}, CRITERIA, pd.Series({"x1": 900.0, "x2": 800.0}), set()
    )
    table = conform(table, "value")
    assert list(table["on_front"]) == ["no", "yes"]
    # 90 % of a normal lies within 1.645 standard deviations
    assert table["low"][1] == pytest.approx(2 - 1.645 * 0.5, abs=0.05)
    assert table["high"][1] == pytest.approx(2 + 1.645 * 0.5, abs=0.05)


def test_the_next_step_up_by_hand():
    # b is not on the front; the dearest has nothing above it; c is better than a in three draws of four, by 2 in median
    quality = np.array([[0.0, -5, 2, 9], [0, -5, 2, 9], [0, -5, -1, 9], [0, -5, 2, 9]])
    steps = value.steps_up(
        list("abcd"), np.array([500, 600, 800, 1500.0]), quality, np.array([True, False, True, True])
    )
    assert steps == {"a": ("c", 300.0, 2.0, 0.75), "c": ("d", 700.0, 7.0, 1.0)}


def test_an_instrument_never_measured_has_a_cost_and_no_quality():
    pool = Pool("flute", 1, ["x1"], ["intonation_spread"], np.zeros((10, 1, 1)))
    cost = pd.Series({"x1": 900.0, "x2": 800.0})
    table = value.value_table([pool], {"one": {"intonation_spread": 1}}, CRITERIA, cost, set()).set_index("instrument")
    assert table["on_front"].to_dict() == {"x1": "yes", "x2": ""}
    assert np.isnan(table["quality"]["x2"]) and table["total_cost"]["x2"] == 800


def test_every_kind_of_instrument_has_its_own_front():
    # x2 is worse and dearer than x1, but of another kind
    pools = [Pool(kind, 1, [name], ["intonation_spread"], np.full((10, 1, 1), quality))
             for kind, name, quality in (("flute", "x1", 2.0), ("oboe", "x2", 1.0))]  # fmt: skip
    cost = pd.Series({"x1": 800.0, "x2": 900.0})
    table = value.value_table(pools, {"one": {"intonation_spread": 1}}, CRITERIA, cost, set())
    assert list(table["on_front"]) == ["yes", "yes"]


def test_nothing_measured_at_all():
    table = value.value_table([], {"one": {"intonation_spread": 1}}, CRITERIA, pd.Series({"x1": 900.0}), set())
    assert table["quality"].isna().all() and list(table["on_front"]) == [""]


def test_without_a_price_nothing_is_said_about_the_front():
    pool = Pool("flute", 1, ["x1", "x2"], ["intonation_spread"], np.zeros((10, 2, 1)))
    cost = pd.Series({"x1": np.nan, "x2": 800.0})
    table = value.value_table([pool], {"one": {"intonation_spread": 1}}, CRITERIA, cost, set())
    assert list(table["on_front"]) == ["", "yes"]
