"""Additive tones whose pitch, times and harmonic levels are known exactly.

Conventions
-----------
Levels are dB of a harmonic's peak amplitude relative to full scale (a sine of peak 1 has level 0); a missing
harmonic has level -inf. Harmonic h stands in column h - 1. Frequencies are Hz, times are seconds from the
first sample. Pitch and amplitude curves are drawn 1000 times a second and interpolated linearly between.
All harmonics share one running phase, so a slur is one continuous sound and partials stay strictly harmonic.

Onset and offset of a tongued note: where the summed harmonic amplitude (root of summed squares) crosses 20 dB
below its steady value. Between slurred notes: the middle of the glide from the one to the next.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.signal import lfilter

from evenbore.facts.arrays import Bools, Floats

CONTROL_RATE = 1000
# A raised-cosine ramp goes from 10 % to 90 % of the amplitude in this share of its length (closed form:
# 1 - 4/pi * asin(sqrt(0.1))), and reaches 10 % after RAMP_TO_TENTH of it.
RAMP_10_TO_90 = 1 - 4 / np.pi * np.arcsin(np.sqrt(0.1))
RAMP_TO_TENTH = 2 / np.pi * np.arcsin(np.sqrt(0.1))
HIGHEST_SHARE_OF_RATE = 0.46
LAGS = 8


@dataclass(frozen=True)
class Note:
    """One note to sound; everything a rendered note can differ in.

    `f0_hz` is the mean pitch aimed at; `levels_db` (H,) the steady harmonic levels. `attack_s` is the 10-90 %
    rise of the fundamental's amplitude; harmonic h arrives later by `upper_delay_s` * (1 - 1/h). `drift_cents`
    is the linear change of pitch from start to end, `scoop_cents` a start below pitch that heals by a factor e
    every `scoop_s`, `jitter_cents` the SD of the random wander. The first `crack_s` sound `crack_semitones` away.
    `breath_dbfs` is the RMS level of the air noise.
    """

    onset_s: float
    offset_s: float
    f0_hz: float
    levels_db: Floats
    attack_s: float = 0.025
    decay_s: float = 0.03
    upper_delay_s: float = 0.015
    drift_cents: float = 0.0
    scoop_cents: float = 0.0
    scoop_s: float = 0.02
    jitter_cents: float = 0.0
    vibrato_cents: float = 0.0
    vibrato_hz: float = 5.0
    crack_s: float = 0.0
    crack_semitones: float = -12.0
    breath_dbfs: float = -np.inf


@dataclass(frozen=True)
class Truth:
    """What really sounds in a rendered note: times, mean pitch over its steady part, steady harmonic levels.

    The steady part runs from 30 % to 80 % of the note.
    """

    onset_s: float
    offset_s: float
    f0_hz: float
    levels_db: Floats


def raised_cosine(t: Floats, start_s: float, length_s: float) -> Floats:
    """A ramp from 0 to 1, same shape as `t`, starting at `start_s` and `length_s` long."""
    x = np.clip((t - start_s) / max(length_s, 1e-9), 0.0, 1.0)
    return 0.5 - 0.5 * np.cos(np.pi * x)


def amplitude(level_db: Floats | float) -> Floats | float:
    """Amplitude of a level in dB; -inf gives 0."""
    return 10.0 ** (np.asarray(level_db, dtype=float) / 20.0)


def render(
    notes: list[Note], rate: int, duration_s: float, slur_s: list[float] | None = None,
    rng: np.random.Generator | None = None,
) -> tuple[Floats, list[Truth]]:  # fmt: skip
    """Sound `notes` one after the other.

    `slur_s` (N - 1,) makes each note glide into the next within that time, without a dip in level; without it
    every note has its own attack and decay. `rng` feeds wander of pitch and air noise; without it there is
    neither. Returns the sound, float64 (n,), and the truth of each note.
    """
    t = np.arange(round(duration_s * CONTROL_RATE) + 2) / CONTROL_RATE
    harmonics = max(len(note.levels_db) for note in notes)
    steady = np.zeros((len(notes), harmonics))
    for row, note in enumerate(notes):
        steady[row, : len(note.levels_db)] = amplitude(note.levels_db)
        orders = np.arange(1, harmonics + 1)
        steady[row, orders * note.f0_hz >= HIGHEST_SHARE_OF_RATE * rate] = 0.0

    borders = _borders(notes, slur_s)
    pitch = np.zeros_like(t)
    level = np.zeros((harmonics, t.size))
    breath = np.zeros_like(t)
    truths = []
    for i, note in enumerate(notes):
        curve = _pitch_curve(note, t, rng)
        heard = (t >= borders[i]) & (t < borders[i + 1])
        if slur_s is None:
            share = heard.astype(float)
        else:
            share = _rise(t, notes, slur_s, i, 1) - _rise(t, notes, slur_s, i + 1, 1)
        pitch += share * curve
        # The lag hardly grows beyond the eighth harmonic, so eight gain curves serve all.
        gains = [_gain(t, notes, slur_s, i, h) for h in range(1, min(harmonics, LAGS) + 1)]
        for h in np.flatnonzero(steady[i]).tolist():
            level[h] += steady[i, h] * gains[min(h, LAGS - 1)]
        breath += amplitude(note.breath_dbfs) * gains[0]
        truths.append(_truth(notes, slur_s, i, t, curve, steady[i]))

    n = round(duration_s * rate)
    sound = _additive(pitch, level, rate, n)
    if rng is not None and breath.any():
        sound += np.interp(np.arange(n) / rate, t, breath) * air_noise(n, rate, rng)
    return sound, truths


def tone(
    f0_hz: float, levels_db: Floats, duration_s: float, rate: int = 44100, lead_s: float = 0.1, tail_s: float = 0.1,
    rng: np.random.Generator | None = None, **shape: float,
) -> tuple[Floats, Truth]:  # fmt: skip
    """One note between two silences; `shape` are further fields of `Note`. Returns sound (n,) and truth."""
    note = Note(lead_s, lead_s + duration_s, f0_hz, np.asarray(levels_db, dtype=float), **shape)
    sound, truths = render([note], rate, lead_s + duration_s + tail_s, rng=rng)
    return sound, truths[0]


def air_noise(n: int, rate: int, rng: np.random.Generator) -> Floats:
    """Noise (n,) of RMS 1 shaped like blown air: broad maximum near 2 kHz, 6 dB per octave down beyond."""
    # ASSUME: the broad hump stands for turbulence at the reed or lip; no measured spectrum is behind it.
    frequency = np.fft.rfftfreq(n, 1 / rate)
    return coloured_noise(n, rng, (frequency / 2000) / (1 + (frequency / 2000) ** 2))


def coloured_noise(n: int, rng: np.random.Generator, shape: Floats) -> Floats:
    """Gaussian noise (n,) of RMS 1 with the amplitude spectrum `shape` (n // 2 + 1,)."""
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * shape, n)
    even: Floats = noise / np.sqrt(np.mean(noise**2))
    return even


def _borders(notes: list[Note], slur_s: list[float] | None) -> Floats:
    """Times (N + 1,) at which the running pitch passes from one note to the next."""
    if slur_s is not None:
        inner = [note.onset_s for note in notes[1:]]
    else:
        inner = [(a.offset_s + b.onset_s) / 2 for a, b in pairwise(notes)]
    return np.array([-np.inf, *inner, np.inf])


def _rise(t: Floats, notes: list[Note], slur_s: list[float], i: int, h: int) -> Floats:
    """How far harmonic h has passed into note i of a slurred line (1 before the first, 0 for the end)."""
    if i == 0:
        return np.ones_like(t)
    if i == len(notes):
        return np.zeros_like(t)
    return raised_cosine(t, notes[i].onset_s - slur_s[i - 1] / 2 + _lag(notes[i], h), slur_s[i - 1])


def _lag(note: Note, h: int) -> float:
    """How much later than the fundamental harmonic h arrives."""
    return note.upper_delay_s * (1 - 1 / min(h, LAGS))


def _gain(t: Floats, notes: list[Note], slur_s: list[float] | None, i: int, h: int) -> Floats:
    """Amplitude share of note i over time for harmonic h; in a slurred line the shares sum to one."""
    note = notes[i]
    attack = note.attack_s / RAMP_10_TO_90
    decay = note.decay_s / RAMP_10_TO_90
    gain = np.ones_like(t)
    if slur_s is not None:
        gain = _rise(t, notes, slur_s, i, h) - _rise(t, notes, slur_s, i + 1, h)
    if slur_s is None or i == 0:
        gain = gain * raised_cosine(t, note.onset_s - RAMP_TO_TENTH * attack + _lag(note, h), attack)
    if slur_s is None or i == len(notes) - 1:
        gain = gain * (1 - raised_cosine(t, note.offset_s - (1 - RAMP_TO_TENTH) * decay, decay))
    return gain


def _pitch_curve(note: Note, t: Floats, rng: np.random.Generator | None) -> Floats:
    """log2 of the pitch over time; wander, drift and vibrato average to zero over the steady part."""
    length = note.offset_s - note.onset_s
    x = (t - note.onset_s) / length
    cents = note.drift_cents * np.clip(x, 0, 1)
    cents += note.vibrato_cents * np.sin(2 * np.pi * note.vibrato_hz * (t - note.onset_s))
    steady = _steady(note, t)
    if rng is not None and note.jitter_cents > 0:
        # A first-order low-pass near 5 Hz: slow wander, as of breath and lips.
        a = np.exp(-2 * np.pi * 5 / CONTROL_RATE)
        wander = lfilter([1 - a], [1, -a], rng.standard_normal(t.size))
        cents += note.jitter_cents * wander / np.std(wander)
    if steady.any():
        cents -= np.mean(cents[steady])
    cents -= note.scoop_cents * np.exp(-np.maximum(t - note.onset_s, 0) / note.scoop_s)
    if note.crack_s > 0:
        cents += 100 * note.crack_semitones * (1 - raised_cosine(t, note.onset_s + note.crack_s, 0.012))
    octaves: Floats = np.log2(note.f0_hz) + cents / 1200
    return octaves


def _steady(note: Note, t: Floats) -> Bools:
    length = note.offset_s - note.onset_s
    return (t >= note.onset_s + 0.3 * length) & (t <= note.onset_s + 0.8 * length)


def _truth(notes: list[Note], slur_s: list[float] | None, i: int, t: Floats, curve: Floats, steady: Floats) -> Truth:
    note = notes[i]
    onset, offset = note.onset_s, note.offset_s
    if slur_s is None or i == 0:
        onset = _crossing(notes, slur_s, i, steady, note.onset_s, rising=True)
    if slur_s is None or i == len(notes) - 1:
        offset = _crossing(notes, slur_s, i, steady, note.offset_s, rising=False)
    elif i + 1 < len(notes):
        offset = notes[i + 1].onset_s
    part = _steady(note, t)
    f0 = 2.0 ** np.mean(curve[part]) if part.any() else note.f0_hz
    with np.errstate(divide="ignore"):
        levels = 20 * np.log10(steady)
    return Truth(float(onset), float(offset), float(f0), levels)


def _crossing(
    notes: list[Note], slur_s: list[float] | None, i: int, steady: Floats, near_s: float, rising: bool
) -> float:
    """When the summed harmonic amplitude of note i crosses -20 dB, to 0.1 ms."""
    fine = near_s + np.arange(-0.3, 0.3, 1e-4)
    power = steady**2
    shares = [*power[: LAGS - 1], power[LAGS - 1 :].sum()]  # from the eighth harmonic on all are as late
    total = sum(share * _gain(fine, notes, slur_s, i, h) ** 2 for h, share in enumerate(shares, 1))
    above = np.flatnonzero(total >= 0.01 * np.sum(power))
    if above.size == 0:
        return near_s
    return float(fine[above[0] if rising else above[-1]])


def _additive(pitch: Floats, level: Floats, rate: int, n: int) -> Floats:
    """Sum of harmonics from log2 pitch (c,) and amplitudes (H, c) drawn at the control rate."""
    at = np.arange(n) * (CONTROL_RATE / rate)
    frequency = 2.0 ** np.interp(at, np.arange(pitch.size), pitch)
    phase = 2 * np.pi * np.cumsum(frequency) / rate
    turn = np.exp(1j * np.mod(phase, 2 * np.pi))
    wheel = np.ones(n, dtype=complex)
    sound = np.zeros(n)
    for curve in level:
        wheel *= turn
        if curve.any():
            sound += np.interp(at, np.arange(curve.size), curve) * wheel.imag
    return sound
