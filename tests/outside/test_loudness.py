"""Loudness against the standard's figures, its test signals and a reference library."""

import numpy as np
import pyloudnorm
import pytest

from evenbore.facts.acoustics import k_weight_power
from evenbore.recording.audio import signal_from_array
from evenbore.recording.quality import lufs

RATE = 48_000


def sine(hz, dbfs, seconds, rate=RATE):
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


def scale(rate, seed=0):
    """Detached harmonic tones of changing level over faint noise, 12 s."""
    rng = np.random.default_rng(seed)
    parts = [np.zeros(rate)]
    for note in range(16):
        f0 = 58.27 * 2 ** (note / 4)
        tone = sum(sine(h * f0, -6 * h, 0.6, rate) for h in range(1, 12) if h * f0 < 0.45 * rate)
        parts.append(tone * np.hanning(len(tone)) * rng.uniform(0.1, 0.6))
        parts.append(np.zeros(round(0.1 * rate * rng.uniform(0.5, 1.5))))
    samples = np.concatenate(parts)
    return samples + rng.normal(0, 1e-4, len(samples))


# Response in dB of the standard's two filters, computed with a signal-processing library from the
# coefficients of ITU-R BS.1770-4, annex 1, tables 1 and 2.
RESPONSE = {
    20: -13.275, 50: -3.934, 100: -1.134, 200: -0.265, 500: 0.043, 997: 0.691, 2000: 3.071, 4000: 3.968,
    8000: 4.039, 16000: 4.043,
}  # fmt: skip


def test_weight():
    weight = 10 * np.log10(k_weight_power(np.array(list(RESPONSE), float)))
    assert weight == pytest.approx(list(RESPONSE.values()), abs=1.1e-3)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_full_scale_sine_at_997_hz(rate):
    # ITU-R BS.1770-4, annex 1: 0 dBFS, 997 Hz in one channel reads -3.01 LKFS.
    assert lufs(signal_from_array(sine(997, 0, 10, rate), rate)) == pytest.approx(-3.01, abs=0.01)


# EBU Tech 3341, table 1, cases 1 to 5: tones of 1 kHz in two channels, (level in dBFS, seconds), expected
# LUFS, tolerance 0.1 LU. One channel alone reads 3.01 LU less.
EBU = [
    ([(-23, 20)], -23),
    ([(-33, 20)], -33),
    ([(-36, 10), (-23, 60), (-36, 10)], -23),
    ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23),
    ([(-26, 20), (-20, 20.1), (-26, 20)], -23),
]


@pytest.mark.parametrize(("parts", "expected"), EBU)
def test_ebu_cases_in_one_channel(parts, expected):
    samples = np.concatenate([sine(1000, dbfs, seconds) for dbfs, seconds in parts])
    assert lufs(signal_from_array(samples, RATE)) == pytest.approx(expected - 3.01, abs=0.1)


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
@pytest.mark.parametrize("seed", range(3))
def test_agrees_with_a_reference_library_on_scales(rate, seed):
    samples = scale(rate, seed)
    reference = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples)
    assert lufs(signal_from_array(samples, rate)) == pytest.approx(reference, abs=0.1)


def test_nothing_above_the_absolute_gate():
    assert np.isnan(lufs(signal_from_array(sine(1000, -75, 5), RATE)))
    assert np.isnan(lufs(signal_from_array(sine(1000, -10, 0.3), RATE)))
