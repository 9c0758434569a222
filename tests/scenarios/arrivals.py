"""Players for the seventh set, that nothing was tuned on: instruments of two soundfonts that no other set plays, a
waveguide that is bowed, and pulses of squared sines.

Conventions as in `sounds`.
"""

import zlib

import numpy as np

from rendering.models import csound_plays
from rendering.render import RATE, TAIL_S, Notes, note_hz

# General MIDI programs (0-based) that stand in for a family of about the same range, of one soundfont and of the other.
STAND_INS = {
    "piccolo": 79,  # ocarina
    "flute": 76,  # blown bottle
    "flute_alto": 77,  # shakuhachi
    "oboe": 40,  # violin
    "saxophone_alto": 41,  # viola
    "trumpet_b_flat": 61,  # brass section
    "trombone": 42,  # cello
    "tuba": 43,  # contrabass
    "euphonium": 63,  # synthesised brass
}
OTHER_STAND_INS = {
    "oboe": 111,  # shanai
    "cor_anglais": 109,  # bagpipe
    "clarinet_b_flat": 22,  # harmonica
    "clarinet_e_flat": 20,  # reed organ
    "saxophone_soprano": 74,  # recorder
    "saxophone_tenor": 21,  # accordion
    "bassoon": 59,  # muted trumpet
    "horn_f": 52,  # choir
}
BOWED = ("clarinet_a", "saxophone_alto", "bassoon", "trombone")
# Frequency of the squared sines (Hz), how many make a pulse, and what each leaves to the next (Kaegi & Tempelaars 1978,
# J. Audio Eng. Soc. 26, 418, from memory; the numbers are rough likenesses, no source).
PULSES = {
    "oboe": (1200, 4, 0.8),
    "flute": (700, 2, 0.5),
    "clarinet_b_flat": (1500, 3, 0.7),
    "saxophone_baritone_low_a": (550, 4, 0.85),
    "bassoon": (480, 5, 0.8),
    "euphonium": (350, 3, 0.7),
    "trumpet_b_flat": (1300, 4, 0.75),
}


def bowed(notes: Notes) -> np.ndarray:
    """Csound's waveguide of a bowed string, the bow's pressure wandering a little."""
    return _played("bowed", notes, "gisine ftgen 1, 0, 8192, 10, 1", (
        "kpress jspline 0.4, 3, 8\n"
        "asound wgbow 0.5, p4, 3 + kpress, 0.127, 0, 0, 1\n"
    ))  # fmt: skip


def pulsed(family: str, notes: Notes) -> np.ndarray:
    """Csound's pulses of squared sines (vosim), with jitter and breath."""
    hz, count, left = PULSES[family]
    return _played(f"pulsed {family}", notes, "gipulse ftgen 1, 0, 8192, 9, 0.5, 1, 0, 1, 0.5, 90", (
        "kjit jspline 0.0015, 4, 9\nkform jspline 0.03, 2, 6\nahiss noise 0.01, -0.3\n"
        f"kform = (1 + kform) * max({hz}, 1.3 * p4)\n"
        f"asound vosim 0.5, p4 * (1 + kjit), kform, {left}, min({count}, int(0.8 * kform / p4)), 1, 1\n"
        "asound dcblock asound\nasound = asound + ahiss\n"
    ))  # fmt: skip


def _played(name: str, notes: Notes, table: str, makes: str) -> np.ndarray:
    orchestra = (
        f"sr={RATE}\nksmps=16\nnchnls=1\n0dbfs=1\nseed 5\n{table}\ninstr 1\nkair linsegr 0, p5, 1, 1, 1, 0.05, 0\n"
        f"{makes}out asound * kair * kair * 0.4\nendin\n"
    )
    events = []
    for midi, on, off in notes:
        rng = np.random.default_rng(zlib.crc32(f"{name} {midi}".encode()))
        hz = note_hz(midi + float(np.clip(rng.normal(0, 0.1), -0.3, 0.3)))
        events.append(f"i1 {on:.6f} {off - on:.6f} {hz:.6f} {rng.uniform(0.02, 0.08):.4f}")
    return csound_plays(orchestra, events, notes[-1][2] + TAIL_S)
