"""A-weighting against the table of the standard."""

import numpy as np
import pytest

from evenbore.facts.acoustics import a_weight_db, third_octave_bands

# IEC 61672-1:2013, table 3: nominal frequency (Hz), A-weighting (dB).
TABLE = {
    10: -70.4, 12.5: -63.4, 16: -56.7, 20: -50.5, 25: -44.7, 31.5: -39.4, 40: -34.6, 50: -30.2, 63: -26.2,
    80: -22.5, 100: -19.1, 125: -16.1, 160: -13.4, 200: -10.9, 250: -8.6, 315: -6.6, 400: -4.8, 500: -3.2,
    630: -1.9, 800: -0.8, 1000: 0.0, 1250: 0.6, 1600: 1.0, 2000: 1.2, 2500: 1.3, 3150: 1.2, 4000: 1.0,
    5000: 0.5, 6300: -0.1, 8000: -1.1, 10000: -2.5, 12500: -4.3, 16000: -6.6, 20000: -9.3,
}  # fmt: skip


@pytest.mark.parametrize("nominal", TABLE)
def test_a_weighting_at_the_exact_midband(nominal):
    bands = third_octave_bands(10, 20_000)
    exact = bands.centre[bands.nominal == nominal]
    assert a_weight_db(exact) == pytest.approx([TABLE[nominal]], abs=0.1)


def test_no_weight_at_zero_frequency():
    assert a_weight_db(np.array([0.0]))[0] == -np.inf
