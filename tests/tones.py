"""Steady tones, and what the program measures of one."""

import numpy as np

from evenbore.notes.edges import Edges
from evenbore.notes.note import Notes, measure_notes
from evenbore.recording.audio import signal_from_array

LEAD_S = 0.5


def harmonic_tone(f0_hz, levels_db, seconds, rate):
    """Harmonics h at levels_db[h - 1] dB (a full-scale sine is 0 dB), phases all different, (n,)."""
    t = np.arange(round(seconds * rate)) / rate
    return sum(
        10 ** (level / 20) * np.sin(2 * np.pi * h * f0_hz * t + 1.7 * h * h)
        for h, level in enumerate(levels_db, 1)
        if np.isfinite(level) and h * f0_hz < 0.5 * rate
    )


def measure_tone(tone, rate, f0_hz, room=1e-6, seed=0) -> Notes:
    """Measure one note, see `measure_tones`."""
    return measure_tones([tone], rate, [f0_hz], room, seed)


def measure_tones(tones, rate, f0_hz, room=1e-6, seed=0, reverb_s=float("nan")) -> Notes:
    """Measure a take of notes, the `tones`, in a room of faint noise (RMS `room`), LEAD_S of it around each, that is
    known to echo for `reverb_s`."""
    pause = np.zeros(round(LEAD_S * rate))
    x = np.concatenate([pause, *(part for tone in tones for part in (tone, pause))])
    x = x + np.random.default_rng(seed).normal(0, room, len(x))
    seconds = np.array([len(tone) / rate for tone in tones])
    onset = LEAD_S + np.cumsum(seconds + LEAD_S) - (seconds + LEAD_S)
    edges = Edges(
        onset, onset + seconds, np.zeros(len(onset), bool), np.full(len(onset), np.nan), np.zeros(len(onset), bool)
    )
    hz = np.array(f0_hz, float)
    return measure_notes(signal_from_array(x, rate), edges, hz, hz, reverb_s)
