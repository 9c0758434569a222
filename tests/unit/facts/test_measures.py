"""Descriptors by hand from two published-style test vectors: a_h = 1/h, and a square wave's odd 1/h.

Definitions: Peeters et al. 2011, J. Acoust. Soc. Am. 130, 2902; Pollard & Jansson 1982, Acustica 51, 162.
The numbers are closed forms of those definitions, computed outside this project.
"""

import numpy as np
import pytest

from evenbore.facts.measures import HARMONIC_MEASURES, harmonic_measures, hidden_by_noise

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


def test_85_percent_rolloff():
    # of 1.549768, harmonics 1 and 2 hold 1.25 (80.7 %), 1 to 3 hold 1.361111 (87.8 %)
    assert measured(SAW)["rolloff_85_hz"] == 300.0


def test_weighted_levels():
    # at 1 kHz the A-weight is 0 dB, at 2 kHz 1.2 dB (IEC 61672-1:2013, table 3): 10 lg (1 + 10^0.12)
    assert measured([0.0, 0.0], f0=1000.0)["level_dba"] == pytest.approx(3.65, abs=0.05)
    # ITU-R BS.1770-4, annex 1: a full-scale sine of 997 Hz in one channel reads -3.01 LKFS
    assert measured([0.0], f0=997.0)["level_lufs"] == pytest.approx(-3.01, abs=0.005)
    # two of 6.02 dB less each: 997 Hz and 1994 Hz, weighted 0.691 and 3.06 dB
    both = -0.691 + 10 * np.log10(0.125 * (10**0.0691 + 10**0.306))
    assert measured([-6.0206, -6.0206], f0=997.0)["level_lufs"] == pytest.approx(both, abs=0.02)


def test_brightness_of_single_harmonics():
    # w = f^4 / (f^4 + 2000^4): 1/17 at 1 kHz, 1/2 at 2 kHz; equal parts: the mean
    assert measured([0.0], f0=1000.0)["brightness_db"] == pytest.approx(10 * np.log10(1 / 17))
    assert measured([0.0, 0.0], f0=1000.0)["brightness_db"] == pytest.approx(10 * np.log10((1 / 17 + 1 / 2) / 2))


def test_tilt_leaves_out_what_lies_far_below():
    # -6.02 dB an octave down to the fourth harmonic; the fifth to eighth, 60 dB down, would make it steeper
    levels = np.concatenate([SAW[:4], np.full(4, -60.0)])
    assert measured(levels)["tilt_db_per_octave"] == pytest.approx(-6.0206, abs=1e-4)
    assert np.isnan(measured([0.0, -31.0, -31.0])["tilt_db_per_octave"])  # one harmonic within 30 dB is no slope


def test_tilt_by_hand():
    # 0 dB at h = 1 and 2, -25 dB at 4: weights 1, 1, 1/2; mean of log2 h 0.8
    # sum w (x - 0.8) y = 0.5 * 1.2 * -25 = -15, sum w (x - 0.8) x = 0.2 + 0.5 * 1.2 * 2 = 1.4
    assert measured([0.0, 0.0, np.nan, -25.0])["tilt_db_per_octave"] == pytest.approx(-15 / 1.4)


def hidden(level_db, limit_db, f0=1000.0):
    level, f0_hz = np.atleast_2d(level_db), np.array([f0])
    found = hidden_by_noise(level, np.atleast_2d(limit_db), f0_hz, harmonic_measures(level, f0_hz))
    return {name for name, flag in found.items() if flag[0]}


def test_what_the_noise_may_hide():
    # 1/h, the fourth harmonic missing: on the line through the others it would have amplitude 1/4
    levels = [0.0, -6.0206, -9.5424, np.nan]
    names = hidden(levels, np.full(4, -5.0))
    # centroid 3 / 1.8333 = 1.64 or 4 / 2.0833 = 1.92; T1 0.545 or 0.48; level 1.34 or 1.53 dB
    assert {"centroid_hz", "centroid_order", "tristimulus_1"} <= names
    assert "tilt_db_per_octave" in names
    assert not {"level_dbfs", "level_dba", "level_lufs"} & names


def test_low_noise_hides_nothing():
    assert hidden([0.0, -6.0206, -9.5424, np.nan], np.full(4, -80.0)) == set()


def test_noise_may_hide_a_whole_band():
    # 2 harmonics of 1 kHz up to 2 kHz, the third and fourth under noise 20 dB down: a high band there might be
    assert "high_band_db" in hidden([0.0, -6.0, np.nan, np.nan], np.full(4, -20.0))


def test_nothing_is_hidden_beyond_the_range_of_measurement():
    assert hidden([0.0, -6.0206, -9.5424, np.nan], [-5.0, -5.0, -5.0, np.nan]) == set()
