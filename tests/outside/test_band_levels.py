"""One-third-octave levels against Butterworth filters, the usual other way to have them.

The filters: order 8 band-passes (16 poles) between the band edges of IEC 61260-1:2014, built and run by scipy. They
pass 3 dB less at the edges, so noise is compared (its level is right in both, within 0.3 dB; class 1 of the
standard allows 0.4 dB at the mid-band, from memory) and, of tones, the bands from whose edges all harmonics keep 3 %.
"""

import numpy as np
import pytest
from scipy import signal

from evenbore.facts.acoustics import third_octave_bands
from evenbore.notes.spectrum import analyse, band_levels
from tones import harmonic_tone, measure_tone

RATE = 48_000
BANDS = third_octave_bands()


def filtered_levels(x):
    """Level in dB (0 dB: full-scale sine) that each filter passes, the first half second left to settle."""
    levels = []
    for lower, upper in zip(BANDS.lower, BANDS.upper, strict=True):
        if upper >= 0.5 * RATE or lower < 60:
            levels.append(np.nan)
            continue
        sections = signal.butter(8, [lower, upper], "bandpass", fs=RATE, output="sos")
        levels.append(10 * np.log10(2 * np.mean(signal.sosfilt(sections, x)[RATE // 2 :] ** 2)))
    return np.array(levels)


def our_noise_levels(x, f0):
    frames = analyse(x[RATE // 2 :].astype(np.float32), RATE, f0)
    return band_levels(frames.power, frames.bin_hz)


@pytest.mark.parametrize("slope", [0.0, -0.5, -1.0, -2.0])
def test_noise(slope):
    """White, pink, red and steeper noise, some 70 dB weaker in the highest band: 4.5 s, the same samples for both."""
    n = 5 * RATE
    shape = np.maximum(np.fft.rfftfreq(n, 1 / RATE), 20.0) ** slope
    x = np.fft.irfft(np.fft.rfft(np.random.default_rng(0).standard_normal(n)) * shape, n)
    x *= 0.1 / np.std(x)
    ours, reference = our_noise_levels(x, 58.27), filtered_levels(x)
    both = np.isfinite(ours) & np.isfinite(reference)
    assert both.sum() >= 20
    assert np.abs(ours - reference)[both].max() <= 0.3


@pytest.mark.parametrize("f0", [73.42, 92.5, 146.83, 233.08])
def test_harmonic_tones(f0):
    level = -12.0 - 3.0 * np.arange(1, int(9900 / f0) + 1)  # all together below full scale: a clipped tone has no bands
    x = harmonic_tone(f0, level, 2.0, RATE)
    ours, reference = measure_tone(x, RATE, f0).bands[0][:, 1], filtered_levels(x)
    frequency = f0 * np.arange(1, len(level) + 1)
    checked = 0
    for band, (lower, upper) in enumerate(zip(BANDS.lower, BANDS.upper, strict=True)):
        inside = (frequency > lower) & (frequency < upper)
        near = np.abs(frequency[:, None] / [lower, upper] - 1).min() < 0.03
        if not inside.any() or near or not np.isfinite(ours[band]):
            continue
        # the harmonics in the band, by arithmetic
        assert ours[band] == pytest.approx(10 * np.log10(np.sum(10 ** (level[inside] / 10))), abs=0.1)
        assert ours[band] == pytest.approx(reference[band], abs=0.3)
        checked += 1
    assert checked >= 3


@pytest.mark.parametrize("f0", [146.83, 440.0])
def test_tone_and_noise(f0):
    """A band without harmonics holds the noise alone; white noise 20 dB down, the same samples for both."""
    level = -12.0 * np.log2(np.arange(1, 9))
    x = harmonic_tone(f0, level, 3.0, RATE)
    x = 0.1 * (x + np.random.default_rng(0).normal(0, 0.1 * np.std(x), len(x)))
    ours, reference = measure_tone(x, RATE, f0).bands[0][:, 1], filtered_levels(x)
    clear = np.isfinite(ours) & (BANDS.lower > 8.5 * f0) & (BANDS.upper < 0.45 * RATE)
    assert clear.sum() >= 3
    assert np.abs(ours - reference)[clear].max() <= 0.5
