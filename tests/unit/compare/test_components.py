"""Variance components: planted scatter is found, and what cannot be told apart has no value."""

import numpy as np
import pandas as pd
import pytest

from evenbore.compare.components import NOT_TOLD_APART, components, variance_table
from evenbore.compare.factors import played_takes
from evenbore.judge.assess import assess
from evenbore.setups.normalise import normalise
from evenbore.study.config import default_config
from evenbore.trade.families import load_family
from simulate import study_tables

SD = {"instrument": 3.0, "session": 2.0, "player": 1.0, "take": 0.5}


def crossed(rng, sizes=(12, 6, 5), repeats=2):
    """Every instrument in every session by every player."""
    n_i, n_s, n_p = sizes
    a, b, c = (rng.normal(0, SD[name], n) for name, n in zip(("instrument", "session", "player"), sizes, strict=True))
    rows = [
        (f"i{i}", f"s{s}", f"p{p}", "up", "slurred", "x", a[i] + b[s] + c[p] + rng.normal(0, SD["take"]))
        for i in range(n_i) for s in range(n_s) for p in range(n_p) for _ in range(repeats)
    ]  # fmt: skip
    columns = ["instrument", "session", "player", "direction", "articulation", "state", "value"]
    return pd.DataFrame(rows, columns=columns)


def found(takes, noted=np.nan):
    return {row["component"]: row for row in components(takes, np.full(len(takes), "f"), noted)}


def test_planted_components_lie_in_their_intervals():
    # 90 % each: of 40 studies between 30 and 40 hold the truth (binomial, 0.1 % at the low end)
    held = dict.fromkeys(SD, 0)
    squares = dict.fromkeys(SD, 0.0)
    for seed in range(40):
        rows = found(crossed(np.random.default_rng(seed), (8, 5, 4)))
        for name, sd in SD.items():
            held[name] += rows[name]["low"] <= sd <= rows[name]["high"]
            squares[name] += rows[name]["sd"] ** 2 / 40
    assert min(held.values()) >= 30
    # the mean of an unbiased variance from few levels: within three standard errors, sqrt(2 / df / 40)
    for name, df in (("instrument", 7), ("session", 4), ("player", 3), ("take", 300)):
        assert squares[name] == pytest.approx(SD[name] ** 2, rel=3 * np.sqrt(2 / df / 40) + 0.02)


def test_shares_add_to_one():
    rows = found(crossed(np.random.default_rng(1)), noted=0.1)
    assert sum(row["share"] for row in rows.values()) == pytest.approx(1.0)
    assert rows["note"]["sd"] ** 2 == pytest.approx(0.1)


def test_sessions_of_an_instrument_each_are_not_told_from_it():
    takes = crossed(np.random.default_rng(2), (4, 1, 1), repeats=3)
    rows = found(takes.assign(session=takes["instrument"]))
    assert np.isnan(rows["session"]["sd"]) and "instruments" in rows["session"]["reason"]
    assert rows["player"]["reason"] == "only one player"


def test_no_repeats_no_components():
    rows = found(crossed(np.random.default_rng(3), (5, 1, 1), repeats=1))
    assert all(np.isnan(row["sd"]) and row["reason"] for row in rows.values())


def test_scatter_of_single_notes_is_told_from_that_of_takes():
    # a drawn study: takes shift by 1.5 cents as a whole, notes scatter by 6 besides. The median of 32 notes scatters by
    # 6 sqrt(pi / 2 / 32) = 1.33 (large samples), less where the notes' own deviations spread it: between 0.8 and 1.4
    layout = {"s": [f"a{k}" for k in range(6)]}
    drawn = study_tables(layout, takes=6, take_sd={"cents": 1.5, "note_cents": 6.0}, instrument_sd={"scale_cents": 1.0})
    config = default_config()
    normalised = normalise(drawn["recordings"], drawn["notes"], [drawn["harmonics"]])
    sheet = {row["instrument"]: row for row in drawn["instruments"].to_dict("records")}
    families = {"saxophone_alto": load_family("saxophone_alto")}
    assessed = assess(normalised.notes, normalised.errors, drawn["recordings"], sheet, (), families, config)
    rows = {name: {} for name in drawn["recordings"]["recording"]}
    played = played_takes(assessed.takes, rows, dict.fromkeys(sheet, "as_found"))
    table = variance_table(played, normalised.notes, sheet, families, "mf", 1).set_index(["criterion", "component"])[
        "sd"
    ]
    assert 0.8 < table["tuning_offset", "note"] < 1.4
    assert table["tuning_offset", "take"] == pytest.approx(1.5, abs=0.6)
    # the spread's scatter is that of single notes alone: 6 / sqrt(2 x 31) = 0.76
    assert table["intonation_spread", "note"] > 2 * table["intonation_spread", "take"]


def test_repeats_without_scatter_tell_no_components():
    takes = crossed(np.random.default_rng(3))
    takes["value"] = takes["instrument"].map({name: float(i) for i, name in enumerate(takes["instrument"].unique())})
    rows = found(takes)
    assert all(np.isnan(row["sd"]) and "listed twice" in row["reason"] for row in rows.values())


def test_as_many_manners_as_takes_of_one_instrument_tell_nothing():
    takes = crossed(np.random.default_rng(4), (1, 1, 1), repeats=2).assign(direction=["up", "down"])
    rows = found(takes)
    assert all(np.isnan(row["sd"]) for row in rows.values())
    assert (rows["instrument"]["reason"], rows["take"]["reason"]) == ("only one instrument", NOT_TOLD_APART)
