"""How much brighter a tone is than another, against Praat, and what of it listeners notice, against published figures.

Praat (parselmouth) fits a straight line through the long-term average spectrum over the logarithm of frequency, by
least squares, and gives its slope in dB per decade (Praat: "Ltas: Report spectral trend"). Of two tones of one pitch
the slopes' difference, per octave, is what `brightness` tells of them.
"""

import numpy as np
import pandas as pd
import parselmouth
import pytest
from parselmouth.praat import call

from evenbore.facts.criteria import CRITERIA
from evenbore.facts.measures import centroid_order
from evenbore.notes.pitch import measure_pitch
from evenbore.notes.spectrum import analyse, harmonics
from evenbore.setups.tone import against_usual
from tones import harmonic_tone

RATE, F0 = 44_100, 220.0
ORDER = np.arange(1, 17)
OCTAVES = np.log2(ORDER)


def sound(tilt):
    """A tone as curved as a wind instrument's, with so many dB per octave on top."""
    return 0.1 * harmonic_tone(F0, (tilt - 4.0) * OCTAVES - OCTAVES**2, 2.0, RATE)


def praats_slope(x):
    """dB per octave."""
    ltas = call(
        parselmouth.Sound(x, RATE), "To Ltas (pitch-corrected)...", 75, 600, 5000, 100, 0.0001, 0.02, 1.3
    )  # its own defaults
    report = call(ltas, "Report spectral trend", 150, 16.5 * F0, "Logarithmic", "Least squares")
    return float(report.split("Slope:")[1].split()[0]) * np.log10(2)


def our_slopes(sounds):
    """dB per octave against the usual."""
    levels = []
    for x in sounds:
        frames = analyse(x.astype(np.float32), RATE, F0)
        levels.append(harmonics(frames, measure_pitch(frames, F0).f0_hz).level_db[: ORDER.size])
    rows = [
        {"recording": str(k), "instrument": str(k), "state": "", "group": 1, "midi": 57} for k in range(len(levels))
    ]
    return against_usual(pd.DataFrame(rows), np.array(levels, np.float32), {})[0]


def test_differences_of_slope_are_praats():
    sounds = [sound(tilt) for tilt in (-1.0, 0.0, 0.5, 2.0)]
    ours, praats = our_slopes(sounds), np.array([praats_slope(x) for x in sounds])
    assert ours - ours[1] == pytest.approx([-1.0, 0.0, 0.5, 2.0], abs=0.02)
    # Praat sums bins of 100 Hz, with 2 % less of the difference
    assert praats - praats[1] == pytest.approx(ours - ours[1], abs=0.06)


def test_the_least_that_is_noticed_is_that_of_the_centroid():
    # Allen & Oxenham 2014, J. Acoust. Soc. Am. 135, 1371: 4 to 5 % of the centroid, from memory
    noticed = CRITERIA["brightness"].just_noticeable
    for slope in (-6.0, -9.0, -12.0):
        level = np.array([slope * OCTAVES, (slope + noticed) * OCTAVES])
        dull, bright = centroid_order(level, np.full(2, F0))
        assert 0.04 < bright / dull - 1 < 0.06
