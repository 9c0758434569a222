"""Centroid and roll-off against librosa.

librosa takes every bin of a spectrum, ours the harmonics alone. Like with like is (1) the same harmonic amplitudes
given to both, which must agree to rounding, and (2) the same frames of a tone without noise, where the bins of each
harmonic's main lobe add up to a constant times its amplitude; there the main lobes, nine bins wide, may move roll-off
by four bins, and the sum over the lobes and their skirts the centroid by 2 %.
"""

import numpy as np
import pytest

import compiled
from evenbore.facts.measures import harmonic_measures
from evenbore.notes.pitch import measure_pitch
from evenbore.notes.spectrum import analyse, harmonics
from tones import harmonic_tone

RATE = 48_000


@pytest.mark.parametrize("seed", range(5))
def test_the_same_harmonics(seed):
    librosa, rng = compiled.librosa(), np.random.default_rng(seed)
    f0, level = rng.uniform(60, 900), np.cumsum(rng.uniform(-8, 2, 20))
    amplitude, frequency = 10 ** (level / 20)[:, None], f0 * np.arange(1, 21)
    ours = {name: value[0] for name, value in harmonic_measures(level[None], np.array([f0])).items()}
    centroid = librosa.feature.spectral_centroid(S=amplitude, freq=frequency)
    assert ours["centroid_hz"] == pytest.approx(centroid[0, 0], rel=1e-9)
    for name, share in (("rolloff_hz", 0.95), ("rolloff_85_hz", 0.85)):
        # librosa sums what it is given: powers, as Peeters et al. ask
        rolloff = librosa.feature.spectral_rolloff(S=amplitude**2, freq=frequency[:, None], roll_percent=share)
        assert ours[name] == pytest.approx(rolloff[0, 0], rel=1e-9)


@pytest.mark.parametrize("f0", [58.27, 146.83, 440.0, 1046.5])
@pytest.mark.parametrize("tilt", [-4.0, -8.0, -12.0])
def test_the_same_frames(f0, tilt):
    librosa, order = compiled.librosa(), np.arange(1, int(9900 / f0) + 1)
    x = (0.1 * harmonic_tone(f0, tilt * np.log2(order), 0.6, RATE)).astype(np.float32)
    frames = analyse(x, RATE, f0)
    spectrum = harmonics(frames, measure_pitch(frames, f0).f0_hz)
    ours = {n: v[0] for n, v in harmonic_measures(spectrum.level_db[None], spectrum.frequency_hz[:1]).items()}
    magnitude = np.abs(frames.values).T
    frequency = np.arange(len(magnitude)) * frames.bin_hz
    assert ours["centroid_hz"] == pytest.approx(
        np.mean(librosa.feature.spectral_centroid(S=magnitude, freq=frequency)), rel=0.02
    )
    rolloff = librosa.feature.spectral_rolloff(S=magnitude**2, freq=frequency[:, None], roll_percent=0.95)
    assert ours["rolloff_hz"] == pytest.approx(np.median(rolloff), abs=4 * frames.bin_hz)
