"""Players for the last judgement, that nothing was tuned on: other instruments of a soundfont, other physical models of
the synthesis toolkit (`strangers.modelled`), and pulses through a resonant filter.

Conventions as in `sounds`.
"""

import zlib

import numpy as np

from rendering.models import csound_plays
from rendering.render import RATE, TAIL_S, Notes, note_hz

# General MIDI programs (0-based) that stand in for a family of about the same range.
STAND_INS = {
    "piccolo": 79,  # ocarina
    "flute": 77,  # shakuhachi
    "oboe": 40,  # violin
    "clarinet_b_flat": 80,  # square wave
    "saxophone_alto": 41,  # viola
    "trombone": 42,  # cello
    "bassoon": 43,  # contrabass
    "trumpet_b_flat": 61,  # brass section
}
# Share of a period for which the pulse is up, and the filter's corner in multiples of the note's frequency. No source.
PULSES = {
    "saxophone_soprano": (0.3, 7.0),
    "clarinet_b_flat": (0.5, 5.0),
    "cor_anglais": (0.18, 9.0),
    "saxophone_tenor": (0.35, 8.0),
    "horn_f": (0.25, 4.0),
    "flute": (0.4, 2.0),
}


def pulsed(family: str, notes: Notes) -> np.ndarray:
    """Csound's band-limited pulses through its ladder filter, which opens as the note begins and trembles after."""
    width, corner = PULSES[family]
    orchestra = (
        f"sr={RATE}\nksmps=16\nnchnls=1\n0dbfs=1\nseed 11\ninstr 1\n"
        "kjit jspline 0.001, 2, 7\nkopen linsegr 0, p5, 1, 1, 1, 0.05, 0\nktremble jspline 0.06, 3, 8\n"
        f"apulse vco2 0.3, p4 * (1 + kjit), 2, {width}\nahiss noise 0.004, 0\n"
        f"aout moogladder apulse + ahiss, p4 * {corner} * (0.4 + 0.6 * kopen) * (1 + ktremble), 0.15\n"
        "out aout * kopen * 0.4\nendin\n"
    )
    events = []
    for midi, on, off in notes:
        rng = np.random.default_rng(zlib.crc32(f"pulsed {family} {midi}".encode()))
        hz = note_hz(midi + float(np.clip(rng.normal(0, 0.1), -0.3, 0.3)))
        events.append(f"i1 {on:.6f} {off - on:.6f} {hz:.6f} {rng.uniform(0.02, 0.08):.4f}")
    return csound_plays(orchestra, events, notes[-1][2] + TAIL_S)
