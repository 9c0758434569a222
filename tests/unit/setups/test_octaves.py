"""Levels in overlapping octaves, by hand."""

import numpy as np
import pytest

from evenbore.setups.octaves import OCTAVES, octave_levels


def test_a_sine_weighs_by_its_distance_from_the_middle():
    # 1414 Hz lies half an octave above 1 kHz and below 2 kHz: weight 1/2 in each, raised to the fourth, 12.04 dB
    levels = octave_levels(np.array([[0.0]]), np.array([1000 * np.sqrt(2)]))
    assert levels["octave_1000_db"] == pytest.approx(-12.0412, abs=1e-4)
    assert levels["octave_2000_db"] == pytest.approx(-12.0412, abs=1e-4)
    assert np.isnan(levels["octave_4000_db"]).all()


def test_missing_harmonics_count_as_absent():
    level = np.array([[-20.0, np.nan, -30.0, -40.0]])
    levels = octave_levels(level, np.array([1000.0]))
    assert levels["octave_1000_db"] == pytest.approx(-20.0)
    # 3 kHz lies log2(1.5) above 2 kHz and log2(4/3) below 4 kHz
    assert levels["octave_2000_db"] == pytest.approx(-30 + 40 * np.log10(1 - np.log2(1.5)))
    assert levels["octave_4000_db"] == pytest.approx(40 * np.log10(0.1 + 10**-0.75 * (1 - np.log2(4 / 3))))
    assert set(levels) == set(OCTAVES)


def test_the_strongest_harmonic_does_not_speak_for_all():
    # four harmonics near 4 kHz, one of them 12 dB up: 10 lg of the summed energy would rise by 7 dB
    level = np.zeros((2, 44))
    level[1, 39] = 12.0
    even, peaked = octave_levels(level, np.array([100.0, 100.0]))["octave_4000_db"]
    assert 0 < peaked - even < 2
