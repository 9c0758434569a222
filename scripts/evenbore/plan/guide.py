"""A guide track for the player's ear: a soft metronome, and shortly before each note a short cue of what comes.

For one earphone, so soft that the microphone does not hear it. The cue is over before the note begins and lasts a sixth
of a second: it tells which note, and gives no pitch to tune to. Two seconds of silence first, then a bar of count-in.
"""

from collections.abc import Sequence

import numpy as np

from evenbore.facts.arrays import Floats

GUIDE_RATE = 44_100
SILENCE_S = 2.0
COUNT_IN = 4
BEAT_S = 1.0  # a note a second: slow enough to settle, too fast to correct
CUE_BEFORE_S = 0.5
CUE_S = 0.15
TICK_S = 0.03
TICK_HZ = 1500.0
TICK_PEAK, CUE_PEAK = 0.05, 0.04  # -26 and -28 dB of full scale
LOWEST_CUE_HZ = 220.0


def note_times(count: int) -> Floats:
    """When each of `count` notes begins, seconds."""
    return SILENCE_S + BEAT_S * (COUNT_IN + np.arange(count, dtype=float))


def cue_hz(sounding_hz: float) -> float:
    """Frequency of the cue: the note itself, by octaves up to where small earphones sound."""
    return float(sounding_hz * 2.0 ** max(0, np.ceil(np.log2(LOWEST_CUE_HZ / sounding_hz))))


def guide_track(sounding_hz: Sequence[float] | Floats) -> Floats:
    """Samples (N,) at GUIDE_RATE, full scale 1, of the guide to a scale of these sounding notes."""
    times = note_times(len(sounding_hz))
    track = np.zeros(round((times[-1] + BEAT_S + SILENCE_S) * GUIDE_RATE))
    t = np.arange(round(TICK_S * GUIDE_RATE)) / GUIDE_RATE
    tick = TICK_PEAK * np.sin(2 * np.pi * TICK_HZ * t) * np.hanning(t.size)
    for beat in SILENCE_S + BEAT_S * np.arange(COUNT_IN + len(times)):
        _add(track, tick, beat)
    t = np.arange(round(CUE_S * GUIDE_RATE)) / GUIDE_RATE
    for hz, time in zip(sounding_hz, times, strict=True):
        _add(track, CUE_PEAK * np.sin(2 * np.pi * cue_hz(hz) * t) * np.hanning(t.size), time - CUE_BEFORE_S)
    return track


def _add(track: Floats, sound: Floats, at_s: float) -> None:
    start = round(at_s * GUIDE_RATE)
    track[start : start + sound.size] += sound
