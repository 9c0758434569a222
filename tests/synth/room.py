"""What stands between an instrument and the file: room, microphone, gain, noise, hum.

The direct sound passes without delay, so times of the source stay true. Frequencies are Hz, levels dB,
times seconds; sounds are float64 (n,) in full-scale units.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.fft import next_fast_len
from scipy.interpolate import PchipInterpolator
from scipy.signal import fftconvolve

from evenbore.facts.arrays import Floats
from synth.tones import coloured_noise


def room_response(rate: int, rt60_s: float, reverberant_db: float, rng: np.random.Generator) -> Floats:
    """Impulse response (m,): direct sound of 1, six early reflections, exponential tail.

    The tail is Gaussian noise whose energy falls by 60 dB in `rt60_s` (ISO 3382-1 defines the reverberation
    time so); `reverberant_db` is the energy of all but the direct sound relative to the direct sound.
    """
    n = round(rate * rt60_s * 1.1) + 1
    t = np.arange(n) / rate
    tail = rng.standard_normal(n) * 10.0 ** (-3 * t / rt60_s)
    tail[: round(0.008 * rate)] = 0.0
    tail /= np.sqrt(np.sum(tail**2))
    early = np.zeros(n)
    for delay in rng.uniform(0.003, 0.03, 6):
        early[min(n - 1, round(delay * rate))] += rng.choice([-1, 1]) * 10.0 ** (-3 * delay / rt60_s)
    early /= np.sqrt(np.sum(early**2))
    reflected = np.sqrt(0.8) * tail + np.sqrt(0.2) * early
    response: Floats = reflected * 10.0 ** (reverberant_db / 20) / np.sqrt(np.sum(reflected**2))
    response[0] += 1.0
    return response


@dataclass(frozen=True)
class Chain:
    """One set-up: room, position, microphone and recorder of a session.

    `eq` are (frequency, dB) points of the microphone's response joined smoothly over log frequency;
    `low_cut_hz` is a second-order high-pass; `noise_dbfs` the RMS of the background, which has more energy at
    low frequencies; `hum_dbfs` the RMS of mains hum with its second and third harmonic. `move` is the share
    of the room's reflected amplitude that changes from take to take as the player shifts. `seed` fixes the room.
    """

    seed: int
    gain_db: float = 0.0
    eq: tuple[tuple[float, float], ...] = ((100.0, 0.0), (10000.0, 0.0))
    low_cut_hz: float = 0.0
    rt60_s: float = 0.0
    reverberant_db: float = -8.0
    move: float = 0.2
    noise_dbfs: float = -np.inf
    hum_dbfs: float = -np.inf
    hum_hz: float = field(default=50.0)

    def response_db(self, frequency_hz: Floats) -> Floats:
        """Response of microphone, low cut and gain, without the room; same shape as `frequency_hz`."""
        f = np.maximum(np.asarray(frequency_hz, dtype=float), 1e-3)
        points = np.log2([point[0] for point in self.eq])
        curve = PchipInterpolator(points, [point[1] for point in self.eq])
        response = curve(np.clip(np.log2(f), points[0], points[-1])) + self.gain_db
        if self.low_cut_hz > 0:
            response = response - 10 * np.log10(1 + (self.low_cut_hz / f) ** 4)
        return response

    def record(self, sound: Floats, rate: int, rng: np.random.Generator) -> Floats:
        """The sound as this set-up writes it to a file, float64 (n,)."""
        if self.rt60_s > 0:
            room = room_response(rate, self.rt60_s, self.reverberant_db, np.random.default_rng(self.seed))
            moved = room_response(rate, self.rt60_s, self.reverberant_db, rng)
            # Amplitudes mix so that the reflected energy stays the same; the direct sound stays 1.
            mixed = np.sqrt(1 - self.move**2) * room + self.move * moved
            mixed[0] = 1.0
            sound = fftconvolve(sound, mixed)[: sound.size]
        heard = filtered(sound, rate, self.response_db)
        return heard + room_noise(sound.size, rate, self.noise_dbfs, rng) + self._hum(sound.size, rate)

    def _hum(self, n: int, rate: int) -> Floats:
        t = np.arange(n) / rate
        hum = sum(a * np.sin(2 * np.pi * k * self.hum_hz * t) for k, a in ((1, 1.0), (2, 0.5), (3, 0.3)))
        scaled: Floats = hum / np.sqrt(0.5 * (1 + 0.25 + 0.09)) * 10.0 ** (self.hum_dbfs / 20)
        return scaled


def filtered(sound: Floats, rate: int, response_db: Callable[[Floats], Floats]) -> Floats:
    """`sound` (n,) through the response `response_db(frequency)`, without delay or phase change."""
    padded = next_fast_len(sound.size + rate // 4, real=True)
    gain = 10.0 ** (response_db(np.fft.rfftfreq(padded, 1 / rate).astype(float)) / 20)
    return np.fft.irfft(np.fft.rfft(sound, padded) * gain, padded)[: sound.size]


def room_noise(n: int, rate: int, level_dbfs: float, rng: np.random.Generator) -> Floats:
    """Room noise (n,) of that RMS level: level up to 100 Hz, then 3 dB per octave down (ASSUME: quiet room)."""
    frequency = np.fft.rfftfreq(n, 1 / rate)
    shape = 1 / np.sqrt(1 + frequency / 100)
    noise: Floats = 10.0 ** (level_dbfs / 20) * coloured_noise(n, rng, shape)
    return noise
