"""How much brighter, more hollow or stronger in the fundamental a tone is than another, against Praat, and what of it
listeners notice, against published figures.

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
from evenbore.facts.measures import centroid_order, fundamental_db, odd_even_db
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


def our_levels(sounds):
    """Levels of the harmonics, (N, 16) dB."""
    all_frames = [analyse(x.astype(np.float32), RATE, F0) for x in sounds]
    return np.array([harmonics(f, measure_pitch(f, F0).f0_hz).level_db[: ORDER.size] for f in all_frames], np.float32)


def our_slopes(sounds):
    """dB per octave against the usual."""
    levels = our_levels(sounds)
    rows = [
        {"recording": str(k), "instrument": str(k), "state": "", "group": 1, "midi": 57} for k in range(len(levels))
    ]
    return against_usual(pd.DataFrame(rows), levels, {})[0]


def test_differences_of_slope_are_praats():
    sounds = [sound(tilt) for tilt in (-1.0, 0.0, 0.5, 2.0)]
    ours, praats = our_slopes(sounds), np.array([praats_slope(x) for x in sounds])
    assert ours - ours[1] == pytest.approx([-1.0, 0.0, 0.5, 2.0], abs=0.02)
    # Praat sums bins of 100 Hz, with 2 % less of the difference
    assert praats - praats[1] == pytest.approx(ours - ours[1], abs=0.06)


def praats_energies(x):
    """Energy of each harmonic (16,), of the band of 80 Hz around it in Praat's spectrum."""
    spectrum = parselmouth.Sound(x, RATE).to_spectrum()
    return np.array([spectrum.get_band_energy(h * F0 - 40, h * F0 + 40) for h in ORDER])


def test_hollow_tones_and_strong_fundamentals_by_the_papers_definitions_on_praats_spectrum():
    even, first = ORDER % 2 == 0, ORDER == 1
    plain = -4.0 * OCTAVES - OCTAVES**2
    sounds = [
        0.1 * harmonic_tone(F0, plain - hollow * even + strong * first, 2.0, RATE)
        for hollow, strong in ((0.0, 0.0), (3.0, 0.0), (0.0, 3.2), (12.0, -6.0))
    ]
    levels, f0, energies = our_levels(sounds).astype(float), np.full(4, F0), np.array([*map(praats_energies, sounds)])
    # Peeters et al. 2011: energies of the odd over those of the even harmonics
    odd_even = 10 * np.log10(energies[:, 0::2].sum(axis=1) / energies[:, 1::2].sum(axis=1))
    assert odd_even_db(levels, f0) == pytest.approx(odd_even, abs=0.05)
    assert odd_even[1] - odd_even[0] == pytest.approx(3.0, abs=0.05)
    # Pollard & Jansson 1982: T1 = a1 / sum of all a, T2 + T3 = 1 - T1
    t1 = np.sqrt(energies[:, 0]) / np.sqrt(energies).sum(axis=1)
    assert fundamental_db(levels, f0) == pytest.approx(20 * np.log10(t1 / (1 - t1)), abs=0.05)
    assert fundamental_db(levels, f0)[2] - fundamental_db(levels, f0)[0] == pytest.approx(3.2, abs=0.05)


def test_the_least_that_is_noticed_is_that_of_the_centroid():
    # Allen & Oxenham 2014, J. Acoust. Soc. Am. 135, 1371: 4 to 5 % of the centroid, from memory
    noticed = CRITERIA["brightness"].just_noticeable
    for slope in (-6.0, -9.0, -12.0):
        level = np.array([slope * OCTAVES, (slope + noticed) * OCTAVES])
        dull, bright = centroid_order(level, np.full(2, F0))
        assert 0.04 < bright / dull - 1 < 0.06
