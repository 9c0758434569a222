"""Curves of tone by a property of the instruments, on curves whose difference is planted."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.compare.factors import ONE_EACH, Factor
from evenbore.compare.tonefactors import NO_CURVES, instrument_curves, judge_tone, played_curves
from evenbore.setups.tone import RELATIVE_TILT

OCTAVES = np.log2(np.arange(1, 9))
LEVELS = {f"i{k}": "wood" if k % 2 else "brass" for k in range(12)}


def curves(effect=0.0, seed=1, levels=LEVELS, session=lambda name: "s", takes=2):
    """Takes of each instrument; wood `effect` dB per octave brighter, instruments 0.3 dB apart in each harmonic."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, level in levels.items():
        own = effect * (level == "wood") * OCTAVES + rng.normal(0, 0.3, OCTAVES.size)
        for _ in range(takes):
            keys = {"instrument": name, "session": session(name), "player": "p", "direction": "up",
                    "articulation": "slurred"}  # fmt: skip
            rows.append(keys | dict(enumerate((own + rng.normal(0, 0.1, OCTAVES.size)).tolist(), start=1)))
    return pd.DataFrame(rows)


def judged(effect=0.0, seed=1, **options):
    levels = options.get("levels", LEVELS)
    found = judge_tone(curves(effect, seed, **options), Factor("material", levels, {}), np.random.default_rng(seed))
    return pd.DataFrame(found)


def test_a_planted_difference_is_found_and_all_of_it_is_in_the_band_as_often_as_said():
    truth = -(OCTAVES - OCTAVES.mean())  # brass less wood
    tables = [judged(1.0, seed=seed) for seed in range(40)]
    held = sum(((table["low"] <= truth) & (truth <= table["high"])).all() for table in tables)
    assert stats.binom.ppf(0.001, 40, 0.9) <= held <= stats.binom.ppf(0.999, 40, 0.9)
    table = tables[0]
    assert table["contrast"].unique().tolist() == ["brass - wood"]
    assert table["harmonic"].tolist() == list(range(1, 9))
    assert table["p"].unique() == pytest.approx([1 / 5001], rel=1)
    assert table["most_db"].iloc[0] == pytest.approx(max(table["high"].max(), -table["low"].min()))


def test_estimate_and_pointwise_error_are_those_of_the_means():
    taken = curves(0.5)
    level = instrument_curves(taken)[0].to_numpy()
    centred = level - level.mean(axis=1, keepdims=True)
    wood = np.array([kind == "wood" for kind in LEVELS.values()])
    table = judged(0.5)
    assert table["estimate"].to_numpy() == pytest.approx(centred[~wood].mean(axis=0) - centred[wood].mean(axis=0))
    # the band is wider than the interval of a single harmonic and narrower than Bonferroni's eight
    t = stats.ttest_ind(centred[~wood], centred[wood])
    half = (table["high"] - table["estimate"]).to_numpy() * np.abs(t.statistic) / np.abs(table["estimate"])
    assert (half > stats.t.ppf(0.95, 10)).all()
    assert (half < 1.1 * stats.t.ppf(1 - 0.05 / 8, 10)).all()


def test_nothing_is_found_where_nothing_is():
    p = [judged(seed=seed)["p"].iloc[0] for seed in range(40)]
    assert stats.binom.cdf(sum(value < 0.05 for value in p), 40, 0.05) < 0.999
    assert np.mean(p) == pytest.approx(0.5, abs=0.15)


def test_what_sessions_add_does_not_count_and_instruments_are_exchanged_within_them():
    def session(name):
        return "a" if int(name[1:]) < 6 else "b"

    taken = curves(session=session)
    taken.loc[taken["session"] == "b", list(range(1, 9))] += 3 * OCTAVES
    found = pd.DataFrame(judge_tone(taken, Factor("material", LEVELS, {}), np.random.default_rng(1)))
    assert found["estimate"].to_numpy() == pytest.approx(judged(session=session)["estimate"].to_numpy())
    # each material in a session of its own: nothing tells it from the session
    apart = judged(session=lambda name: LEVELS[name])
    assert apart["reason"].notna().all()


def test_reasons():
    assert judged(levels={"i0": "wood", "i1": "brass", "i2": "brass"})["reason"].tolist() == [ONE_EACH]
    few = curves()
    few.loc[few["instrument"] == "i3", list(range(3, 9))] = np.nan
    found = judge_tone(few, Factor("material", LEVELS, {}), np.random.default_rng(1))
    assert [row["reason"] for row in found] == [NO_CURVES]


def test_a_take_played_louder_is_brought_back_along_its_own_slope():
    rows = [
        {"recording": f"{name}_{dynamic}", "instrument": name, "state": "new", "session": "s", "take": 1, "group": 1,
         "dynamic": dynamic, "articulation": "slurred", "direction": "up", "midi": midi, "level_dbfs": -30 + loud,
         RELATIVE_TILT: 0.2 * loud}
        for name, more in (("a", 0.0), ("b", 4.0)) for dynamic, push in (("p", -8.0), ("mf", 0.0), ("f", 8.0))
        for midi in range(60, 66) for loud in [push + more]
    ]  # fmt: skip
    notes = pd.DataFrame(rows)
    loud = notes.groupby("recording")[RELATIVE_TILT].first()
    tone = pd.DataFrame(
        [{"recording": name, "harmonic": h, "level_db": loud[name] * np.log2(h), "n_notes": 6}
         for name in loud.index for h in range(1, 9)]
    )  # fmt: skip
    sheet = {name: {"family": "flute"} for name in "ab"}
    recordings = {name: {"player": "p"} for name in loud.index}
    found = played_curves(tone, notes, sheet, recordings, dict.fromkeys("ab", "new"), "mf").set_index("instrument")
    assert found.loc["a", 8] - found.loc["b", 8] == pytest.approx(0.0, abs=1e-9)
