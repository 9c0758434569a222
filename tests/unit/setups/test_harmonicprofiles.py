"""Harmonics of an instrument's notes, on levels whose means and errors are worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from evenbore.setups.errors import SetupErrors, session_directions
from evenbore.setups.harmonicprofiles import harmonic_profiles
from evenbore.setups.normalise import Normalised
from evenbore.setups.responses import BAND_HZ, Setups


def profiles(level_db, errors_db=None, room=0.0, dynamic="mf"):
    """Of takes (T, H) of one note of one instrument in one session."""
    level = np.array(level_db, np.float32)
    takes = len(level)
    notes = pd.DataFrame({
        "recording": [f"r{k}" for k in range(takes)], "instrument": "a", "state": "as_found", "dynamic": dynamic,
        "articulation": "slurred", "direction": "up", "session": "s", "midi": 69, "written_note": "A4", "group": 1,
    })  # fmt: skip
    frequency = np.tile(440.0 * np.arange(1, level.shape[1] + 1), (takes, 1)).astype(np.float32)
    setups = Setups(("s",), np.array([1]), np.array([True]), np.zeros((1, BAND_HZ.size)), errors_db)
    none = SetupErrors(np.zeros((0, takes, 1), np.float32), np.zeros(takes, int), session_directions(setups)[1], [])
    told = Normalised(setups, notes, none, frequency, level, np.full(level.shape, room, np.float32), pd.DataFrame())
    return harmonic_profiles(told, "mf")


def test_levels_are_relative_to_the_whole_note():
    # two harmonics of equal power: each 10 log10(1/2) dB of the whole, however loud the take
    table = profiles([[-20, -20], [-40, -40]])
    assert table["harmonic"].tolist() == [1, 2] and table["n_takes"].tolist() == [2, 2]
    assert table["level_db"].tolist() == pytest.approx([-3.0103, -3.0103], abs=1e-4)
    assert table["se_db"].tolist() == pytest.approx([0, 0], abs=1e-4)


def test_the_error_is_that_of_the_mean_of_the_takes():
    table = profiles([[-20, -30], [-20, -20]])
    power = np.array([[1, 0.1], [1, 1]])
    level = 10 * np.log10(power / power.sum(axis=1, keepdims=True))
    assert table["level_db"].tolist() == pytest.approx(level.mean(axis=0), abs=1e-4)
    assert table["se_db"].tolist() == pytest.approx(level.std(axis=0, ddof=1) / np.sqrt(2), abs=1e-4)


def test_a_harmonic_not_heard_in_every_take_has_no_row():
    assert profiles([[-20, -30], [-20, np.nan]])["harmonic"].tolist() == [1]


def test_other_dynamics_do_not_count():
    assert profiles([[-20, -30]], dynamic="p").empty


def test_one_take_has_no_error():
    assert profiles([[-20, -30]])["se_db"].isna().all()


def test_the_room_and_the_set_up_widen_it_and_a_gain_does_not():
    flat = np.ones((1, 1, BAND_HZ.size))  # a session's gain off by 1 dB: every harmonic alike
    assert profiles([[-20, -20]] * 2, flat)["se_db"].tolist() == pytest.approx([0, 0], abs=1e-4)
    tilted = np.log2(BAND_HZ / 440)[None, None]  # 1 dB more at the octave: half of it beside the whole of two equals
    assert profiles([[-20, -20]] * 2, tilted)["se_db"].tolist() == pytest.approx([0.5, 0.5], abs=0.02)
    assert profiles([[-20, -20]] * 2, room=4.0)["se_db"].tolist() == pytest.approx([2, 2], abs=1e-3)
