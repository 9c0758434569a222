"""Players for the takes of the last judgement, that nothing was tuned on: instruments of a soundfont that no other set
plays (reeds, pipes and brass of other kinds), one more physical model of the synthesis toolkit, and waveshaping.

Conventions as in `sounds`.
"""

import math
import zlib

import numpy as np
import scipy.signal

from rendering.render import RATE, TAIL_S, Notes, note_hz

# General MIDI programs (0-based) that stand in for a family of about the same range.
STAND_INS = {
    "flute": 75,  # pan flute
    "piccolo": 78,  # whistle
    "oboe": 111,  # shanai
    "saxophone_alto": 109,  # bagpipe
    "saxophone_soprano": 22,  # harmonica
    "clarinet_b_flat": 20,  # reed organ
    "trumpet_b_flat": 59,  # muted trumpet
    "bassoon": 21,  # accordion
    "cor_anglais": 74,  # recorder
}
# Weights of the Chebyshev polynomials, from the first on: a sine of amplitude 1 comes out with these harmonics (Le Brun
# 1979, J. Audio Eng. Soc. 27, 250, from memory). Rough likenesses, no source.
SHAPES = {
    "clarinet_b_flat": (1.0, 0.03, 0.6, 0.05, 0.35, 0.06, 0.2, 0.05, 0.1),
    "bassoon": (0.4, 0.8, 1.0, 0.7, 0.4, 0.3, 0.2, 0.15, 0.1, 0.08),
    "saxophone_tenor": (0.8, 1.0, 0.7, 0.5, 0.4, 0.25, 0.2, 0.1, 0.05),
    "horn_f": (1.0, 0.6, 0.35, 0.2, 0.1, 0.05),
    "flute": (1.0, 0.35, 0.12, 0.05),
    "trombone": (0.7, 1.0, 0.9, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1),
}
TREMBLE_CENTS, SHIMMER, BREATH = 2.5, 0.04, 0.012


def shaped(family: str, notes: Notes) -> np.ndarray:
    """A sine bent by polynomials: the louder, the more harmonics. Pitch and level tremble, and there is breath."""
    audio = np.zeros(round((notes[-1][2] + TAIL_S) * RATE))
    for midi, on_s, off_s in notes:
        rng = np.random.default_rng(zlib.crc32(f"shaped {family} {midi}".encode()))
        time = np.arange(round((off_s - on_s) * RATE)) / RATE
        tremble, shimmer = (slow(rng, len(time), hz) for hz in (9, 5))
        cents = np.clip(rng.normal(0, 9), -30, 30) + TREMBLE_CENTS * tremble
        phase = 2 * math.pi * np.cumsum(note_hz(midi) * 2 ** (cents / 1200)) / RATE
        rise_s = rng.uniform(0.02, 0.06)
        ends = np.minimum(1, np.minimum(time / rise_s, (time[-1] - time) / 0.03))
        loud = np.sin(math.pi / 2 * ends) * np.clip(1 + SHIMMER * shimmer, 0.8, 1.1) / 1.1
        count = max(1, min(len(SHAPES[family]), int(0.4 * RATE / note_hz(midi))))
        weights = np.array([0.0, *SHAPES[family][:count]])
        sound = np.polynomial.chebyshev.chebval(loud * np.sin(phase), weights)
        sound -= np.polynomial.chebyshev.chebval(0.0, weights)
        air = scipy.signal.lfilter([0.5], [1, -0.5], rng.standard_normal(len(time)))
        high_pass = scipy.signal.butter(2, 30, "highpass", fs=RATE, output="sos")
        audio[round(on_s * RATE) :][: len(time)] += 0.05 * scipy.signal.sosfilt(high_pass, sound + BREATH * air * loud)
    return audio


def slow(rng: np.random.Generator, count: int, hz: float) -> np.ndarray:
    """Noise below `hz`, standard deviation 1, (count,)."""
    slow = scipy.signal.lfilter(*scipy.signal.butter(1, hz, fs=RATE), rng.standard_normal(count))
    return slow / max(slow.std(), 1e-9)
