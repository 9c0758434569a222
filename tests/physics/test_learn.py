"""What is learned from the bench: measures as the program takes them, means that leave nothing empty, types apart."""

import numpy as np
import pytest

from physics.learn import TYPES, mean, measured, sounding, types


def test_measured_is_the_power_of_all_harmonics_and_empty_without_a_tone():
    levels = np.array([[60.0, 60.0, -200.0], [np.nan] * 3])
    found = measured(levels, np.array([440.0, 440.0]))
    assert found.shape == (4, 2)
    assert found[0, 0] == pytest.approx(60 + 10 * np.log10(2), abs=1e-6)
    assert np.isnan(found[:, 1]).all()


def test_a_note_that_no_bore_tells_is_as_the_nearest_above():
    bores = [np.array([np.nan, np.nan, -2.0, 0.0]), np.array([np.nan, np.nan, -4.0, np.nan])]
    assert mean(bores).tolist() == [-3, -3, -3, 0]


def test_notes_that_a_bore_never_plays_are_not_silenced():
    bores = [{"sounds": np.array([True, False, False])}, {"sounds": np.array([True, True, False])}]
    speaks = [np.array([True, False, False]), np.array([False, True, False])]
    assert sounding(speaks, bores).tolist() == [0.5, 1, 1]


def test_types_are_told_apart_whatever_their_size_and_by_notes_that_do_not_speak():
    rng = np.random.default_rng(1)
    kinds = np.linalg.qr(rng.normal(size=(40, TYPES // 2)))[0].T.reshape(TYPES // 2, 1, 4, 10)
    which = np.arange(6 * TYPES) % TYPES
    sizes = rng.uniform(2, 12, len(which))[:, None, None, None]
    levels = kinds[which // 2] * sizes + rng.normal(0, 0.02, (len(which), 1, 4, 10))
    speaks = np.ones((len(which), 1, 10), bool)
    speaks[which % 2 == 1, 0, :6] = False
    assert sorted(which[types(levels, speaks)].tolist()) == list(range(TYPES))
