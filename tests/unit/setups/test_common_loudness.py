"""Brightness at matched loudness, by hand."""

import numpy as np
import pandas as pd
import pytest

from evenbore.setups.loudness import loudness_slopes, match_loudness

OWN = np.array([0.0, 2.0, -1.0, 0.5, -3.0, 1.0])  # brightness of each note, dB
CURVE = np.array([0.0, 4.0, -2.0, 1.0, -1.0, 0.0])  # level of each note: instrument and room, dB; median 0


def take(instrument, dynamic, level_db, slope, number=1, group=1, session="s1"):
    """One take: each note `level_db` over its own level, brightness following by `slope`."""
    return pd.DataFrame(
        {
            "recording": f"{instrument}{session}{dynamic}{number}", "instrument": instrument, "state": "as_found",
            "session": session, "articulation": "slurred", "direction": "up", "dynamic": dynamic, "take": number,
            "group": group, "midi": np.arange(60, 66), "level_dbfs": -30.0 + CURVE + level_db,
            "brightness_db": -20.0 + OWN + slope * level_db,
        }
    )  # fmt: skip


def study(*takes):
    return pd.concat(takes, ignore_index=True)


def test_slope_by_hand():
    notes = study(take("a", "p", -8, 0.5), take("a", "mf", 0, 0.5), take("a", "f", 6, 0.5), take("b", "mf", 0, 0.5))
    assert loudness_slopes(notes, "brightness_db")["slope"].to_dict() == pytest.approx({("a", "as_found"): 0.5})


def test_no_slope_from_takes_of_hardly_different_level():
    assert loudness_slopes(study(take("a", "mf", 0, 0.5), take("a", "f", 2, 0.5)), "brightness_db").empty


def matched(notes, dynamic="mf"):
    return notes.assign(matched=match_loudness(notes, "brightness_db").values).query("dynamic == @dynamic")


def test_a_take_blown_harder_is_no_brighter_instrument():
    # a and b are alike; b is blown 5 dB harder at mf, which at half a dB per dB makes it 2.5 dB brighter
    notes = study(
        take("a", "p", -8, 0.5), take("a", "mf", 0, 0.5), take("a", "f", 6, 0.5),
        take("b", "mf", 5, 0.5),
    )  # fmt: skip
    means = matched(notes).groupby("instrument")[["brightness_db", "matched"]].mean()
    assert means.loc["b", "brightness_db"] - means.loc["a", "brightness_db"] == pytest.approx(2.5)
    assert means.loc["b", "matched"] == pytest.approx(means.loc["a", "matched"])
    # both as at the loudness half-way between the two
    assert means.loc["a", "matched"] == pytest.approx(-20.0 + OWN.mean() + 0.5 * 2.5)


def test_a_brighter_instrument_stays_brighter():
    bright = take("b", "mf", 0, 0.5).assign(brightness_db=lambda notes: notes["brightness_db"] + 3.0)
    notes = study(take("a", "p", -8, 0.5), take("a", "mf", 0, 0.5), take("a", "f", 6, 0.5), bright)
    means = matched(notes).groupby("instrument")["matched"].mean()
    assert means["b"] - means["a"] == pytest.approx(3.0)


def test_the_unevenness_of_the_notes_stays():
    notes = study(take("a", "p", -8, 0.5), take("a", "f", 8, 0.5), take("a", "mf", 0, 0.5), take("a", "mf", 4, 0.5, 2))
    for _, one in matched(notes).groupby("take"):
        assert one["matched"].to_numpy() - one["matched"].mean() == pytest.approx(OWN - OWN.mean())


def test_unchanged_where_no_slope_is_known():
    notes = study(take("a", "mf", 0, 0.5), take("a", "mf", 5, 0.5, 2))
    assert match_loudness(notes, "brightness_db").values.equals(notes["brightness_db"])


def test_groups_keep_their_own_reference():
    notes = study(
        take("a", "p", -8, 0.5), take("a", "f", 8, 0.5), take("a", "mf", 0, 0.5),
        take("b", "mf", 20, 0.5, group=2, session="s2"),
    )  # fmt: skip
    own = matched(notes).query("instrument == 'b'")
    assert own["matched"].to_numpy() == pytest.approx(own["brightness_db"].to_numpy())


def test_the_error_of_a_slope_is_that_of_its_takes():
    # soft, middle and loud, brightness 1 dB off the straight line in the middle take: of the residuals 1/3, -2/3, 1/3
    # of the takes at -6, 0 and 6 dB remains 2/3 on one degree of freedom, over Σ x² = 72
    takes = [take("a", dynamic, level, 0.5) for dynamic, level in (("p", -6), ("mf", 0), ("f", 6))]
    takes[1]["brightness_db"] -= 1.0
    row = loudness_slopes(study(*takes), "brightness_db").loc[("a", "as_found")]
    assert row["slope"] == pytest.approx(0.5)
    assert row["se"] == pytest.approx((2 / 3 / 72) ** 0.5)


def test_without_soft_and_loud_takes_the_others_slope_and_spread_serve():
    notes = study(
        *(take(name, dynamic, level, slope) for name, slope in (("a", 0.4), ("b", 0.6))
          for dynamic, level in (("p", -8), ("mf", 0), ("f", 8))),
        take("c", "mf", 3, 0.5),
    )  # fmt: skip
    found = match_loudness(notes, "brightness_db")
    assert found.slopes["own"].to_dict() == {(name, "as_found"): name != "c" for name in "abc"}
    assert found.slopes.loc[("c", "as_found"), "slope"] == pytest.approx(0.5)
    assert found.slopes.loc[("c", "as_found"), "se"] == pytest.approx(np.std([0.4, 0.6], ddof=1))
    assert found.over["cs1mf1"] == pytest.approx(2.0)  # the usual level at mf is the mean of 0, 0 and 3
