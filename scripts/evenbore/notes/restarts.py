"""Where a sound of one pitch is begun anew: its level falls and rises again, fast, and that of most of its harmonics.

A room fills the gap between two notes of one pitch, so that the level hardly dips, and makes the level of a note with
vibrato come and go by more than that. Own definition.
"""

import numpy as np

from evenbore.facts.arrays import Floats
from evenbore.notes.spectrum import fast_size, magnitudes, overlapping
from evenbore.recording.audio import Signal

# ASSUME: tuned by trial on the development takes of tests/passages; no source.
_HOP_S = 0.005
_PERIODS, _LEAST_S = 4.0, 0.024  # the window: short, to see the gap; long enough to part the harmonics
_HARMONICS, _RANGE_DB, _TOP_HZ = 8, 20.0, 6000.0
_BEFORE_S, _RISE_S = 0.12, 0.06  # how far before and after a dip the level is looked at
_DIP_DB, _WAVERING_DB = 4.5, 18.0  # depth of a dip on both sides, in a steady note and in one with vibrato
_MOST_DB = 2.5  # and in half of the strong harmonics
_APART_S = 0.09  # two notes begin at least so far apart


def restarts(signal: Signal, start_s: float, stop_s: float, f0_hz: float, wavers: bool) -> Floats:
    """Times (K,) in s within a stretch of one pitch at which it begins anew; `wavers`: it has vibrato."""
    hop, size = round(_HOP_S * signal.rate), fast_size(max(_PERIODS / f0_hz, _LEAST_S) * signal.rate)
    first, count = round(start_s * signal.rate), int((stop_s - start_s) / _HOP_S)
    before, after, apart = (round(seconds / _HOP_S) for seconds in (_BEFORE_S, _RISE_S, _APART_S))
    if count <= 2 * apart:
        return np.empty(0)
    frames = overlapping(signal.slice(first - size // 2, first + (count - 1) * hop + size - size // 2), size, hop)
    bins = f0_hz * np.arange(1, min(_HARMONICS, int(min(_TOP_HZ, 0.45 * signal.rate) / f0_hz)) + 1)
    bins = np.rint(bins * size / signal.rate).astype(int)
    window = np.hanning(size).astype(np.float32)
    level = 20 * np.log10(magnitudes(frames, window, int(bins[-1]) + 2)[:, bins] + 1e-9)
    whole = 10 * np.log10(np.sum(10 ** (level / 10), axis=1))
    typical = np.median(level, axis=0)
    strong = level[:, typical > typical.max() - _RANGE_DB]
    found: list[int] = []
    for t in range(apart, count - apart):
        if whole[t] > whole[max(0, t - 2) : t + 3].min() or (found and t - found[-1] < apart):
            continue
        back, ahead = slice(max(0, t - before), t), slice(t + 1, t + 1 + after)
        dip = min(whole[back].max(), whole[ahead].max()) - whole[t]
        of_each = np.minimum(strong[back].max(axis=0), strong[ahead].max(axis=0)) - strong[t]
        if dip >= (_WAVERING_DB if wavers else _DIP_DB) and np.median(of_each) >= _MOST_DB:
            found.append(t)
    return start_s + _HOP_S * np.array(found)
