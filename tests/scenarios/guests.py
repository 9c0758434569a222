"""Players for the set `latest`: other instruments of another soundfont, and phase distortion.

Conventions as in `sounds`.
"""

import math
import zlib

import numpy as np
import scipy.signal

from rendering.render import RATE, TAIL_S, Notes, note_hz

# General MIDI programs (0-based) that stand in for a family of about the same range.
STAND_INS = {
    "piccolo": 78,  # whistle
    "flute": 76,  # blown bottle
    "oboe": 111,  # shanai
    "clarinet_b_flat": 82,  # calliope
    "saxophone_soprano": 110,  # fiddle
    "saxophone_alto": 81,  # sawtooth
    "trumpet_b_flat": 62,  # synthesised brass
    "trombone": 63,  # another
    "bassoon": 87,  # bass and lead
    "horn_f": 52,  # choir
}
# Where a period's phase bends while the note is held, and while it begins: a sine read at such a phase is the brighter
# the earlier it bends (own choice, no source).
BENDS = {
    "oboe": (0.08, 0.2),
    "clarinet_b_flat": (0.15, 0.4),
    "saxophone_tenor": (0.1, 0.3),
    "bassoon": (0.06, 0.25),
    "trombone": (0.12, 0.45),
    "flute": (0.3, 0.45),
}
TREMBLE_CENTS, SHIMMER, BREATH = 3.0, 0.05, 0.01


def distorted(family: str, notes: Notes) -> np.ndarray:
    """A sine read at a phase that runs fast and then slowly. Pitch and level tremble, and there is breath."""
    held, begun = BENDS[family]
    audio = np.zeros(round((notes[-1][2] + TAIL_S) * RATE))
    for midi, on_s, off_s in notes:
        rng = np.random.default_rng(zlib.crc32(f"distorted {family} {midi}".encode()))
        time = np.arange(round((off_s - on_s) * RATE)) / RATE
        tremble, shimmer, bending = (slow(rng, len(time), hz) for hz in (8, 4, 3))
        cents = np.clip(rng.normal(0, 8), -25, 25) + TREMBLE_CENTS * tremble
        turn = np.cumsum(note_hz(midi) * 2 ** (cents / 1200)) / RATE % 1
        ends = np.minimum(1, np.minimum(time / rng.uniform(0.02, 0.07), (time[-1] - time) / 0.03))
        loud = np.sin(math.pi / 2 * ends) ** 2 * np.clip(1 + SHIMMER * shimmer, 0.8, 1.2)
        # no brighter than the sample rate allows: the fast part of a period lasts four samples at the least
        bend = np.clip((held + (begun - held) * (1 - ends)) * (1 + 0.05 * bending), 4 * note_hz(midi) / RATE, 0.5)
        phase = np.where(turn < bend, 0.5 * turn / bend, 0.5 + 0.5 * (turn - bend) / (1 - bend))
        air = np.diff(rng.standard_normal(len(time) + 1))
        audio[round(on_s * RATE) :][: len(time)] += 0.1 * loud * (np.cos(2 * math.pi * phase) + BREATH * air)
    return audio


def slow(rng: np.random.Generator, count: int, hz: float) -> np.ndarray:
    """Noise below `hz`, standard deviation 1, (count,)."""
    slow = scipy.signal.lfilter(*scipy.signal.butter(1, hz, fs=RATE), rng.standard_normal(count))
    return slow / max(slow.std(), 1e-9)
