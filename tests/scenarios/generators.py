"""Players made here: additive tones, steady or as unsteady as a living player's.

Conventions as in `sounds`. Everything random is drawn from the note and the family, so that a note is the same every
time it is played.
"""

import math
import zlib
from dataclasses import dataclass

import numpy as np
import scipy.signal

from rendering.render import RATE, TAIL_S, Notes, note_hz

# Level of harmonic h against the first: slope in dB an octave above `corner_hz`, level of even harmonics, and of the
# first itself. ASSUME: rough likenesses of the families, no source.
LIKENESS = {
    "clarinet": (1500.0, -12.0, -25.0, 0.0),
    "saxophone": (1200.0, -9.0, 0.0, -3.0),
    "oboe": (1600.0, -12.0, 0.0, -8.0),
    "bassoon": (600.0, -9.0, 0.0, -15.0),
    "flute": (700.0, -15.0, 0.0, 0.0),
    "trombone": (900.0, -8.0, 0.0, -6.0),
    "trumpet": (1500.0, -9.0, 0.0, -4.0),
    "horn": (600.0, -14.0, 0.0, -2.0),
}


@dataclass(frozen=True)
class Manner:
    """How steadily a note is held: standard deviations of a slow wander of pitch and level, vibrato, breath noise."""

    wander_cents: float
    shimmer_db: float
    vibrato_cents: float
    breath_db: float
    off_cents: float


STEADY = Manner(wander_cents=0.0, shimmer_db=0.0, vibrato_cents=0.0, breath_db=-60.0, off_cents=12.0)
LIVING = Manner(wander_cents=4.0, shimmer_db=0.8, vibrato_cents=6.0, breath_db=-32.0, off_cents=10.0)


def additive(family: str, manner: Manner, notes: Notes) -> np.ndarray:
    """Harmonics with the family's rough spectrum, played in a manner; each note is off by its own few cents."""
    audio = np.zeros(round((notes[-1][2] + TAIL_S) * RATE))
    for midi, on_s, off_s in notes:
        first = round(on_s * RATE)
        sound = _held(family, manner, midi, off_s - on_s)
        audio[first : first + len(sound)] += sound
    return audio


def _held(family: str, manner: Manner, midi: int, seconds: float) -> np.ndarray:
    rng = np.random.default_rng(zlib.crc32(f"{family} {manner} {midi}".encode()))
    time = np.arange(round(seconds * RATE)) / RATE
    cents = np.clip(rng.normal(0, manner.off_cents), -45, 45) + manner.wander_cents * _wander(rng, time, 3.0)
    cents = cents + manner.vibrato_cents * np.sin(2 * math.pi * rng.uniform(4.5, 6.5) * time) * np.minimum(
        1, time / 0.4
    )
    phase = 2 * math.pi * np.cumsum(note_hz(midi) * 2 ** (cents / 1200)) / RATE
    shape = next(value for name, value in LIKENESS.items() if family.startswith(name))
    corner, slope, even, lowest = shape
    sound = np.zeros(len(time))
    for order in range(1, int(min(40, 0.4 * RATE / note_hz(midi))) + 1):
        level = slope * max(0.0, math.log2(order * note_hz(midi) / corner)) + (even if order % 2 == 0 else 0.0)
        level += (lowest if order == 1 else 0.0) + rng.normal(0, 2)
        shimmer = 10 ** (manner.shimmer_db * _wander(rng, time, 8.0) / 20)
        sound += 10 ** (level / 20) * shimmer * np.sin(order * phase + rng.uniform(0, 2 * math.pi))
    sound *= 0.1 / np.sqrt(np.mean(sound**2))
    rise_s = rng.uniform(0.015, 0.06)
    envelope = np.minimum(1, time / rise_s) * np.minimum(1, (time[-1] - time) / 0.03)
    air = rng.standard_normal(len(time))
    air = scipy.signal.lfilter([0.3], [1, -0.7], air)
    air *= 0.1 * 10 ** (manner.breath_db / 20) / air.std()
    return (sound + air) * np.sin(math.pi / 2 * envelope) ** 2


def _wander(rng: np.random.Generator, time: np.ndarray, hz: float) -> np.ndarray:
    """A random walk with unit standard deviation, as fast as `hz`, (n,)."""
    knots = np.cumsum(rng.standard_normal(max(4, math.ceil(time[-1] * hz) + 2)))
    knots = (knots - knots.mean()) / max(knots.std(), 1e-9)
    return np.interp(time, np.linspace(0, time[-1], len(knots)), knots)
