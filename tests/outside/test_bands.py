"""One-third-octave bands against the standards' values."""

import numpy as np
import pytest

from evenbore.facts.acoustics import third_octave_bands

# ISO 266:1997, table 1: nominal frequencies of the one-third octaves.
NOMINAL = [
    20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500,
    3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
]  # fmt: skip
# IEC 61260-1:2014, annex E: exact mid-band frequencies, base ten, to six figures.
EXACT = [
    19.9526, 25.1189, 31.6228, 39.8107, 50.1187, 63.0957, 79.4328, 100, 125.893, 158.489, 199.526, 251.189,
    316.228, 398.107, 501.187, 630.957, 794.328, 1000, 1258.93, 1584.89, 1995.26, 2511.89, 3162.28, 3981.07,
    5011.87, 6309.57, 7943.28, 10000, 12589.3, 15848.9, 19952.6,
]  # fmt: skip


def test_nominal_and_exact_midband_frequencies():
    bands = third_octave_bands()
    assert bands.nominal.tolist() == NOMINAL
    assert bands.centre == pytest.approx(EXACT, rel=5e-6)  # six figures


def test_edges_at_1_khz():
    bands = third_octave_bands(1000, 1000)
    # IEC 61260-1:2014, formulas (4) and (5), base ten.
    assert bands.lower == pytest.approx([891.251], abs=5e-4)
    assert bands.upper == pytest.approx([1122.018], abs=5e-4)


def test_bands_adjoin():
    bands = third_octave_bands(10, 40_000)
    assert np.allclose(bands.upper[:-1], bands.lower[1:], rtol=1e-12)
