"""Descriptors by hand from two published-style test vectors: a_h = 1/h, and a square wave's odd 1/h.

Definitions: Peeters et al. 2011, J. Acoust. Soc. Am. 130, 2902; Pollard & Jansson 1982, Acustica 51, 162.
The numbers are closed forms of those definitions, computed outside this project.
"""

import numpy as np
import pytest

from evenbore.measures import HARMONIC_MEASURES, harmonic_measures

SAW = 20 * np.log10(1 / np.arange(1, 11))
SQUARE = np.where(np.arange(1, 11) % 2 == 1, SAW, np.nan)
F0 = 100.0


def measured(level_db, f0=F0):
    return {name: value[0] for name, value in harmonic_measures(np.atleast_2d(level_db), np.array([f0])).items()}


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        (
            SAW,
            {
                "tristimulus_1": 0.341417, "tristimulus_2": 0.369869, "tristimulus_3": 0.288714,
                "centroid_order": 3.414172, "centroid_hz": 341.4172, "odd_even_db": 5.0994,
                # sum 1/h^2 for h = 1..10 is 1.549768
                "level_dbfs": 10 * np.log10(1.549767731),
                # a_h = 1/h falls by 20 log10(2) dB an octave, everywhere
                "tilt_db_per_octave": -6.0206,
                # 1 + 1/4 + 1/9 + 1/16 + 1/25 = 1.463611 is 94.44 % of the energy, with 1/36 it is 96.2 %
                "rolloff_hz": 600.0,
            },
        ),
        (
            SQUARE,
            {
                "tristimulus_1": 0.559503, "tristimulus_2": 0.186501, "tristimulus_3": 0.253996,
                "centroid_order": 2.797513, "odd_even_db": np.nan, "tilt_db_per_octave": -6.0206,
            },
        ),
    ],
)  # fmt: skip
def test_test_vectors(levels, expected):
    values = measured(levels)
    for name, value in expected.items():
        assert values[name] == pytest.approx(value, abs=2e-4, nan_ok=True), name


def test_high_band_splits_at_2_khz():
    # equal amplitudes at 500 … 3000 Hz: two harmonics above 2 kHz, four up to it
    assert measured(np.zeros(6), f0=500.0)["high_band_db"] == pytest.approx(10 * np.log10(2 / 4))


def test_a_low_passed_tone_has_less_high_band_and_a_lower_centroid():
    """Common practice, no source: players call a tone muffled when its upper partials go."""
    open_tone = measured(SAW, f0=500.0)
    covered = measured(SAW - 10 * np.log10(1 + (500.0 * np.arange(1, 11) / 1200) ** 2), f0=500.0)
    assert covered["high_band_db"] < open_tone["high_band_db"] - 3
    assert covered["centroid_hz"] < open_tone["centroid_hz"]


def test_gain_moves_the_level_alone():
    plain, louder = measured(SAW, 300.0), measured(SAW + 12.0, 300.0)
    for name in HARMONIC_MEASURES:
        gain = 12 if name.startswith("level_") else 0
        assert louder[name] == pytest.approx(plain[name] + gain, nan_ok=True), name


def test_missing_harmonics_are_absent_not_guessed():
    values = measured([np.nan, np.nan, np.nan])
    assert all(np.isnan(value) for value in values.values())
    assert np.isnan(measured([0.0, -6.0])["tilt_db_per_octave"])  # two points are no slope
    assert np.isnan(measured(SAW, f0=100.0)["high_band_db"])  # nothing reaches 2 kHz
