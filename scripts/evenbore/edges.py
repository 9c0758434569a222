"""Onsets and offsets of notes to a few milliseconds.

A note begins where its own sound reaches a tenth (20 dB below) of its steady amplitude, and ends where
it falls below that; between slurred notes both fall half-way, where the new note has become as strong
as the old one. "Its own sound" is what the note's steady spectrum explains of each short spectrum, next
to the spectrum of its neighbour and of the background, by least squares.
"""

from dataclasses import dataclass

import numpy as np

_HOP_S = 0.003
_REACH_S = 0.150  # how far around the first estimate an edge is looked for
_EDGE = 0.1  # 20 dB below the steady amplitude
_SLUR_GAP_S = 0.06  # a shorter gap between two notes may be a slur
_DIP = 0.25  # unless the sound of both dips below this share of its steady amplitude
_TOP_HZ = 6000.0
_PERIODS = 3.0
_SHORTEST_S = 0.020


@dataclass(frozen=True)
class Edges:
    """Onset and offset in seconds, (N,); slurred: the note follows its predecessor without a gap;
    transition_s: time in which a slur goes from a tenth to nine tenths of the new note, NaN otherwise.
    """

    onset_s: np.ndarray
    offset_s: np.ndarray
    slurred: np.ndarray
    transition_s: np.ndarray


class _Spectra:
    """Short magnitude spectra of a stretch of the signal: values (F, K) at times (F,)."""

    def __init__(self, signal, start_s: float, stop_s: float, size: int):
        rate = signal.rate
        hop = max(1, round(_HOP_S * rate))
        first = round(start_s * rate)
        count = max(1, int((stop_s - start_s) * rate) // hop + 1)
        x = signal.slice(first - size // 2, first + (count - 1) * hop + size - size // 2)
        frames = np.lib.stride_tricks.sliding_window_view(x, size)[::hop] * np.hanning(size).astype(np.float32)
        self.values = np.abs(np.fft.rfft(frames, axis=1))[:, 1 : int(_TOP_HZ * size / rate) + 2]
        self.times = (first + hop * np.arange(count)) / rate


def refine(signal, first_s: np.ndarray, last_s: np.ndarray, f0_hz: np.ndarray) -> Edges:
    """Edges of notes roughly between first_s and last_s, in playing order, all arrays (N,)."""
    n = len(first_s)
    onset, offset = first_s.astype(float), last_s.astype(float)
    slurred, transition = np.zeros(n, bool), np.full(n, np.nan)
    for i in range(n):
        slur = _slur(signal, first_s, last_s, f0_hz, i) if i > 0 else None
        if slur is not None:
            onset[i], transition[i] = slur
            offset[i - 1] = onset[i]
            slurred[i] = True
            continue
        onset[i] = _gap_edge(signal, first_s, last_s, f0_hz, i, before=True)
        if i > 0:
            offset[i - 1] = min(_gap_edge(signal, first_s, last_s, f0_hz, i - 1, before=False), onset[i])
    if n:
        offset[-1] = _gap_edge(signal, first_s, last_s, f0_hz, n - 1, before=False)
    return Edges(onset, offset, slurred, transition)


def _size(rate: int, f0_hz: float) -> int:
    return 1 << int(np.ceil(np.log2(max(_PERIODS / f0_hz, _SHORTEST_S) * rate)))


def _steady(signal, start_s: float, stop_s: float, size: int) -> np.ndarray:
    """Mean short spectrum of the middle of a note."""
    third = (stop_s - start_s) / 3
    return _Spectra(signal, start_s + third, stop_s - third, size).values.mean(axis=0)


def _shares(spectra: np.ndarray, parts: list[np.ndarray]) -> np.ndarray:
    """(P, F) amplitude of each part in each spectrum, least squares, in units of the part's own level."""
    return np.maximum(np.linalg.lstsq(np.stack(parts, axis=1), spectra.T, rcond=None)[0], 0.0)


def _slur(signal, first_s, last_s, f0_hz, i: int) -> tuple[float, float] | None:
    """Middle and length of the slur into note i; None when there is a gap before it."""
    if first_s[i] - last_s[i - 1] >= _SLUR_GAP_S:
        return None
    guess = 0.5 * (last_s[i - 1] + first_s[i])
    size = _size(signal.rate, min(f0_hz[i - 1], f0_hz[i]))
    start = max(guess - _REACH_S, 0.5 * (first_s[i - 1] + last_s[i - 1]))
    stop = min(guess + _REACH_S, 0.5 * (first_s[i] + last_s[i]))
    spectra = _Spectra(signal, start, stop, size)
    old, new = _shares(
        spectra.values,
        [_steady(signal, first_s[i - 1], last_s[i - 1], size), _steady(signal, first_s[i], last_s[i], size)],
    )
    times = spectra.times
    if np.min(old + new) < _DIP:
        return None
    share = new / (old + new + 1e-9)
    middle = _crossing(times, share, 0.5, guess)
    rise = _crossing(times, share, 0.9, middle) - _crossing(times, share, 0.1, middle)
    return middle, max(rise, 0.0)


def _crossing(times: np.ndarray, values: np.ndarray, level: float, near: float) -> float:
    """Time of the upward crossing of `level` nearest to `near`; `near` itself when there is none."""
    up = np.nonzero((values[:-1] < level) & (values[1:] >= level))[0]
    if len(up) == 0:
        return float(near)
    part = (level - values[up]) / (values[up + 1] - values[up])
    crossing = times[up] + part * (times[up + 1] - times[up])
    return float(crossing[np.argmin(np.abs(crossing - near))])


def _gap_edge(signal, first_s, last_s, f0_hz, i: int, before: bool) -> float:
    """Onset (before=True) or offset of note i next to a gap."""
    size = _size(signal.rate, f0_hz[i])
    middle = 0.5 * (first_s[i] + last_s[i])
    neighbour = i - 1 if before else i + 1
    has_neighbour = 0 <= neighbour < len(first_s)
    if before:
        bound = 0.5 * (first_s[neighbour] + last_s[neighbour]) if has_neighbour else 0.0
        start, stop = max(first_s[i] - _REACH_S, bound), middle
    else:
        end = signal.frames / signal.rate
        bound = 0.5 * (first_s[neighbour] + last_s[neighbour]) if has_neighbour else end
        start, stop = middle, min(last_s[i] + 2 * _REACH_S, bound)
    spectra = _Spectra(signal, start, stop, size)
    parts = [_steady(signal, first_s[i], last_s[i], size), spectra.values.min(axis=0) + 1e-9]
    if has_neighbour:
        parts.append(_steady(signal, first_s[neighbour], last_s[neighbour], size))
    own = _shares(spectra.values, parts)[0]
    quiet = np.nonzero(own < _EDGE)[0]
    if len(quiet) == 0:
        return float(first_s[i] if before else last_s[i])
    k = quiet[-1] if before else quiet[0]
    other = min(k + 1, len(own) - 1) if before else max(k - 1, 0)
    if other == k:
        return float(spectra.times[k])
    part = (_EDGE - own[k]) / (own[other] - own[k])
    return float(spectra.times[k] + part * (spectra.times[other] - spectra.times[k]))
