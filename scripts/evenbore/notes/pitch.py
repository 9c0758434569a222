"""Fundamental frequency of a note from the phase advance of all its harmonics together.

A steady wind tone is strictly periodic, so every harmonic tells the same fundamental: harmonic h with
a phase slope of d radians per hop gives f0 = d / (2 pi hop h). The higher and the stronger over the
noise, the more precise; a weak or missing fundamental, or missing even harmonics, cost nothing.

Reference for frequency from phase differences: Flanagan & Golden 1966, Bell Syst. Tech. J. 45, 1493.
"""

import math
from dataclasses import dataclass

import numpy as np

from evenbore.facts.arrays import Bools, Floats, quantile
from evenbore.notes.spectrum import Frames, noise_between

# ASSUME: own choice, no source.
_START_CENTS = 15.0  # the first guess may be this far off
_MORE_PASSES = 2
_CLOSE_CENTS = 5.0  # a better guess than this leaves the result as it is
_BEST_SNR_DB = 45.0  # beyond this the tone's own unsteadiness counts, not the noise
_LEAST_SNR_DB = 10.0
_STRETCHES = 4  # of a note, whose mean pitches tell how far the pitch of the whole may be off
_TOP_HZ = 2500.0  # higher harmonics of a played tone tremble: breath, and edges of sampled sounds


@dataclass(frozen=True)
class Pitch:
    """f0_hz over the steady part, its standard error in cents, and track (F-1,) in cents around f0_hz.

    The error is what the harmonics disagree by and what the pitch wanders by from one stretch of the note to the next
    (batch means: Conway 1963, Management Science 10, 47, from memory), together.
    """

    f0_hz: float
    se_cents: float
    track_cents: Floats
    hop_s: float


def measure_pitch(frames: Frames, guess_hz: float) -> Pitch | None:
    """Pitch over the frames, starting from a guess within about 15 cents; None when no harmonic is clear.

    >>> from evenbore.notes.spectrum import analyse
    >>> tone = np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000).astype(np.float32)
    >>> print(f"{measure_pitch(analyse(tone, 48_000, 442.0), 442.0).f0_hz:.2f}")
    440.00
    """
    # first only harmonics whose phase cannot have slipped a turn between two frames
    slip = 2 ** (_START_CENTS / 1200) - 1
    highest_hz = min(_TOP_HZ, 0.45 * frames.rate)
    top_hz = min(0.25 / (slip * frames.hop_s), highest_hz)
    for more in range(_MORE_PASSES, -1, -1):
        found = _slopes(frames, guess_hz, top_hz)
        if found is None:
            return None
        slope, each, weight = found
        shift = float(weight @ each)
        f0_hz = guess_hz + shift
        if not more or (top_hz == highest_hz and 1200 * abs(math.log2(f0_hz / guess_hz)) < _CLOSE_CENTS):
            break
        guess_hz, top_hz = f0_hz, highest_hz
    track = slope @ weight
    per_cent = 1200 / math.log(2) / guess_hz
    spread = np.sum((weight * (each - shift)) ** 2) * len(each) / max(len(each) - 1, 1)
    track_cents = 1200 * np.log2(np.maximum(guess_hz + track, 1e-6) / f0_hz)
    variance = spread * per_cent**2
    return Pitch(f0_hz, math.sqrt(variance + _wander(track_cents, variance)), track_cents, frames.hop_s)


def _slopes(frames: Frames, f0: float, top_hz: float) -> tuple[Floats, Floats, Floats] | None:
    """Of the harmonics up to `top_hz` that are clear and agree: how far each has the fundamental off `f0` from frame to
    frame, (F - 1, H), and on average, (H,), in Hz, and their weights (H,), together 1. None where none is clear."""
    power = frames.power
    number = np.arange(1, max(1, int(top_hz / f0)) + 1)
    position = number * f0 / frames.bin_hz
    nearest = np.rint(position).astype(int)
    floor = noise_between(power, frames.bin_hz, f0, len(number))
    snr = power[nearest] / np.maximum(floor[:-1], floor[1:])
    use = snr > 10 ** (_LEAST_SNR_DB / 10)
    if not use.any():
        return None
    number, nearest = number[use], nearest[use]
    weight = number**2 * np.minimum(snr[use], 10 ** (_BEST_SNR_DB / 10))
    values = frames.values.take(nearest, axis=1)
    turn = np.exp(-2j * np.pi * number * f0 * frames.hop_s).astype(np.complex64)
    advance = values[1:] * np.conj(values[:-1]) * turn
    slope = np.arctan2(advance.imag, advance.real) / (2 * np.pi * frames.hop_s * number)
    each = slope.mean(axis=0)
    keep = _consistent(each, weight)
    weight = weight[keep]
    return slope[:, keep], each[keep], weight / weight.sum()


def _wander(track_cents: Floats, of_noise: float) -> float:
    """Variance of the mean of a track (F,) through slow wander, from the means of its stretches.

    `of_noise`: the mean's variance through noise in the phases. That falls out between neighbouring stretches, all but
    at the ends, and so alone makes the stretches' variance look as many times as large as there are stretches.
    """
    number = min(_STRETCHES, len(track_cents) // 2)
    if number < 2:
        return 0.0
    lengths = (len(track_cents) + np.arange(number)[::-1]) // number  # the first ones are one longer
    means = np.add.reduceat(track_cents, np.cumsum(lengths) - lengths) / lengths
    off = means - means.mean()
    return float(max(off @ off / (number - 1) / number - number * of_noise, 0.0))


def _consistent(each: Floats, weight: Floats) -> Bools:
    """Which harmonics agree with the weighted median of all: a hum line or a stray partial does not."""
    order = np.argsort(each)
    middle = each[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)]
    deviation = np.abs(each - middle)
    scale = 1.4826 * quantile(deviation, 0.5)
    agrees: Bools = deviation <= 4 * scale + 1e-4 * np.abs(middle) + 1e-3
    return agrees
