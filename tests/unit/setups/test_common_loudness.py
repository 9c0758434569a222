"""Brightness at matched loudness, by hand."""

import numpy as np
import pandas as pd
import pytest

from evenbore.setups.loudness import at_common_loudness, brightness_slopes

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
    assert brightness_slopes(notes).to_dict() == pytest.approx({("a", "as_found"): 0.5})


def test_no_slope_from_takes_of_hardly_different_level():
    assert brightness_slopes(study(take("a", "mf", 0, 0.5), take("a", "f", 2, 0.5))).empty


def matched(notes, dynamic="mf"):
    return notes.assign(matched=at_common_loudness(notes)).query("dynamic == @dynamic")


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
    assert at_common_loudness(notes).equals(notes["brightness_db"])


def test_groups_keep_their_own_reference():
    notes = study(
        take("a", "p", -8, 0.5), take("a", "f", 8, 0.5), take("a", "mf", 0, 0.5),
        take("b", "mf", 20, 0.5, group=2, session="s2"),
    )  # fmt: skip
    own = matched(notes).query("instrument == 'b'")
    assert own["matched"].to_numpy() == pytest.approx(own["brightness_db"].to_numpy())
