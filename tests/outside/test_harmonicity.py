"""Harmonics-to-noise ratio against tones of known ratio and against Praat (Boersma 1993, Proc. IFA 17, 97).

Praat takes the ratio from the peak of the normalised autocorrelation, over the whole spectrum up to half the sample
rate; ours is the energy of the harmonics over the noise between them up to 10 kHz. So the noise is white, and Praat's
figure is taken to our band. Praat itself stays within 0.75 dB of the truth between 10 and 20 dB in our band; below it
reads too high, and above the sampling of its autocorrelation's peak makes it err by several dB (both measured here,
the truth being known), so it is asked no further.
"""

import numpy as np
import parselmouth
import pytest
import soxr
from parselmouth.praat import call

from rendering.render import RATE as RENDERED_RATE
from rendering.study import SOUNDFONT, Plan, render_plan
from tones import harmonic_tone, measure_tone, measure_tones

RATE = 44_100
DRY_S = 0.1  # no room sounds on after these tones


def praat_hnr(x, rate, lowest_hz):
    """Median over the frames of Praat's harmonicity by cross-correlation, dB."""
    harmonicity = call(parselmouth.Sound(x.astype(float), rate), "To Harmonicity (cc)", 0.01, lowest_hz, 0.1, 4.5)
    values = harmonicity.values[0]
    return np.median(values[values > -200])


def our_share(f0):
    """Share of white noise, by power, that lies in the band our noise is summed over."""
    return int(min(10_000, 0.45 * RATE) / f0) * f0 / (RATE / 2)


def noisy(tone, hnr_db, f0, seed=0):
    """The tone with white noise so strong that the ratio in our band is hnr_db."""
    power = np.mean(tone**2) * 10 ** (-hnr_db / 10) / our_share(f0)
    return tone + np.random.default_rng(seed).normal(0, np.sqrt(power), len(tone))


@pytest.mark.parametrize("f0", [110.0, 220.0, 440.0, 880.0])
@pytest.mark.parametrize("hnr_db", [10, 15, 20])
def test_known_ratio_and_praat(f0, hnr_db):
    x = 0.1 * noisy(harmonic_tone(f0, -6.0 * np.log2(np.arange(1, 12)), 2.0, RATE), hnr_db, f0)
    ours = measure_tone(x, RATE, f0).rows[0]["hnr_db"]
    assert ours == pytest.approx(hnr_db, abs=0.3)
    assert ours == pytest.approx(praat_hnr(x, RATE, 0.8 * f0) - 10 * np.log10(our_share(f0)), abs=0.75)


@pytest.mark.parametrize("hnr_db", [5, 30, 40, 50])
def test_known_ratio_beyond_praats_reach(hnr_db):
    x = 0.1 * noisy(harmonic_tone(220.0, -6.0 * np.log2(np.arange(1, 12)), 2.0, RATE), hnr_db, 220.0)
    assert measure_tone(x, RATE, 220.0).rows[0]["hnr_db"] == pytest.approx(hnr_db, abs=0.3)


@pytest.mark.parametrize("f0", [220.0, 440.0])
def test_noise_in_bands(f0):
    """White noise: its shares below and above 2 kHz are those of the bands' widths."""
    x = 0.1 * noisy(harmonic_tone(f0, -6.0 * np.log2(np.arange(1, 12)), 2.0, RATE), 20, f0)
    row = measure_tone(x, RATE, f0).rows[0]
    harmonics = int(min(10_000, 0.45 * RATE) / f0)
    low = int(2000 / f0) / harmonics
    assert row["noise_low_db"] == pytest.approx(-20 + 10 * np.log10(low), abs=0.5)
    assert row["noise_high_db"] == pytest.approx(-20 + 10 * np.log10(1 - low), abs=0.5)
    assert 10 ** (row["noise_low_db"] / 10) + 10 ** (row["noise_high_db"] / 10) == pytest.approx(
        10 ** (-row["hnr_db"] / 10)
    )


@pytest.mark.slow
@pytest.mark.parametrize("family", ["clarinet_b_flat", "oboe", "saxophone_tenor"])
def test_praat_on_sampled_instruments_with_noise(family, require_program, require_file):
    """Sampled notes have ratios beyond Praat's reach; with white noise 15 dB down both must see that noise."""
    require_program("fluidsynth")
    soundfont = require_file("fluid-soundfont-gm", f"/usr/share/sounds/sf2/{SOUNDFONT}")
    take = render_plan(Plan(f"{family}_tongued", family, "tongued", "up"), soundfont)
    notes, parts = take.notes[::3], []
    for note in notes:
        start, stop = (round(t * RENDERED_RATE) for t in (note.onset_s + 0.1, note.offset_s - 0.05))
        parts.append(noisy(soxr.resample(take.audio[start:stop], RENDERED_RATE, RATE), 15, note.hz))
    hz = [note.hz for note in notes]
    ours = [row["hnr_db"] for row in measure_tones(parts, RATE, hz, reverb_s=DRY_S).rows]
    praats = [praat_hnr(x, RATE, 0.8 * f0) - 10 * np.log10(our_share(f0)) for x, f0 in zip(parts, hz, strict=True)]
    off = np.subtract(ours, praats)
    assert abs(np.nanmedian(off)) <= 0.5
    assert np.nanpercentile(np.abs(off), 90) <= 1.0
