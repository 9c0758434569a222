"""Where a sound of one pitch is begun anew: how likely, by logistic regression on what shows at every least level.

A room fills the gap between two notes of one pitch, so that the level hardly dips, and makes the level of a note with
vibrato come and go by more than that. A gap is told from it by the whole spectrum: all of it falls, noise and all, and
the new note's attack raises more of it at once than the harmonics of a note that goes on. Own definition.
"""

from dataclasses import dataclass

import numpy as np

from evenbore.facts.arrays import Floats, Floats32
from evenbore.notes.spectrum import fast_size, magnitudes, overlapping
from evenbore.recording.audio import Signal

_HOP_S = 0.005
_PERIODS, _LEAST_S = 4.0, 0.024  # the window: short, to see the gap; long enough to part the harmonics
_HARMONICS, _TOP_HZ = 8, 6000.0
_FAINT = 1e-3  # of the strongest bin: what is fainter counts as noise
_LEAST_OF, _AROUND = 8, 24  # frames to either side of which the level is least, and against which it dips
_EDGE, _RISES, _APART = 12, 16, 18  # frames at the ends; in which a new note comes up; between two beginnings, at least
_USUAL_FROM, _USUAL = 20, 5  # frames away that tell how far the level dips anyway, and their percentile
# Fitted on the development takes of tests/passages, seeds 11 and 13
_BIAS, _WEIGHTS = -7.47, np.array([0.40, 1.23, 0.33, -0.17])
_MOST = np.array([20.0, 10.0, 12.0, 15.0])  # no sign counts for more


@dataclass(frozen=True)
class Restarts:
    """Times (K,) in s at which a note may begin anew, in order, and how likely it does, (K,)."""

    time_s: Floats
    likely: Floats


def restarts(signal: Signal, start_s: float, stop_s: float, f0_hz: float) -> Restarts:
    """Within a stretch of one pitch; no two of them nearer than two notes may be."""
    hop, size = round(_HOP_S * signal.rate), fast_size(max(_PERIODS / f0_hz, _LEAST_S) * signal.rate)
    first, count = round(start_s * signal.rate), int((stop_s - start_s) / _HOP_S)
    if count <= 2 * _APART:
        return Restarts(np.empty(0), np.empty(0))
    frames = overlapping(signal.slice(first - size // 2, first + (count - 1) * hop + size - size // 2), size, hop)
    n_bins = int(min(_TOP_HZ, 0.45 * signal.rate) * size / signal.rate)
    spectra = magnitudes(frames, np.hanning(size).astype(np.float32), n_bins)
    bins = np.rint(f0_hz * np.arange(1, _HARMONICS + 1) * size / signal.rate).astype(int)
    level = 10 * np.log10(np.sum(spectra[:, bins[bins < n_bins]] ** 2, axis=1) + 1e-18)
    return _apart(start_s, *_signs(level, spectra))


def _signs(level: Floats, spectra: Floats32) -> tuple[list[int], Floats]:
    """Frames at which the level (T,) of harmonics in `spectra` (T, B) is least, and signs of a new note there (K, 4):

    dB that the level dips, against both sides and its median; dB that all bins do on average, against their median;
    the rise of all bins after it, in deviations from the usual one; dB that the level dips elsewhere.
    """
    bins = np.log(spectra + _FAINT * np.percentile(spectra.max(axis=1), 90))
    rise = np.maximum(np.diff(bins, axis=0, prepend=bins[:1]), 0).mean(axis=1)
    rise = np.convolve(rise, np.ones(3) / 3, "same")
    rise = (rise - np.median(rise)) / (np.median(np.abs(rise - np.median(rise))) + 1e-4)
    whole = 20 / np.log(10) * bins.mean(axis=1)
    usual, usual_whole = np.median(level), np.median(whole)
    frames, signs = [], []
    for t in range(_EDGE, len(level) - _EDGE):
        if level[t] > level[t - _LEAST_OF : t + _LEAST_OF + 1].min():
            continue
        beside = min(level[max(0, t - _AROUND) : t].max(), level[t + 1 : t + 1 + _AROUND].max())
        others = np.concatenate([level[: max(0, t - _USUAL_FROM)], level[t + _USUAL_FROM :]])
        frames.append(t)
        signs.append(
            [
                min(beside, usual) - level[t],
                usual_whole - whole[t - 3 : t + 4].min(),
                rise[t - 2 : t + _RISES].max(),
                usual - np.percentile(others, _USUAL) if len(others) else 0.0,
            ]
        )
    return frames, np.array(signs).reshape(-1, len(_WEIGHTS))


def _apart(start_s: float, frames: list[int], signs: Floats) -> Restarts:
    likely = 1 / (1 + np.exp(-(np.minimum(signs, _MOST) @ _WEIGHTS + _BIAS)))
    kept: list[int] = []
    for k in np.argsort(-likely).tolist():
        if all(abs(frames[k] - frames[other]) >= _APART for other in kept):
            kept.append(k)
    kept.sort()
    return Restarts(start_s + _HOP_S * np.array([frames[k] for k in kept], float), likely[kept])
