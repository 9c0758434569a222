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
_DIP = 0.25  # unless the level dips below this share of the weaker note's amplitude
_DIP_WINDOW_S = 0.015
_LOUD = 0.3
_EARLY_S = 0.03
_SOUNDING = 0.5  # a note has surely begun, or not yet ended, at this share of its steady amplitude
_TOP_HZ = 6000.0
_GAP_WINDOW = (3.0, 0.020, 0.200)  # periods, least and greatest length in seconds: short, to see an edge
_SLUR_WINDOW = (8.0, 0.030, 0.090)  # longer, to tell neighbouring notes apart; the middle of a slur stays put
_SLUR_REACH_S = 0.080


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


def refine(signal, first_s: np.ndarray, last_s: np.ndarray, f0_hz: np.ndarray, tongued: bool) -> Edges:
    """Edges of notes roughly between first_s and last_s, in playing order, all arrays (N,).

    `tongued`: every note has its own attack, even where the room fills the gap before it.
    """
    n = len(first_s)
    onset, offset = first_s.astype(float), last_s.astype(float)
    slurred, transition = np.zeros(n, bool), np.full(n, np.nan)
    for i in range(n):
        slur = _slur(signal, first_s, last_s, f0_hz, i) if i > 0 and not tongued else None
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


def _size(rate: int, f0_hz: float, window: tuple[float, float, float]) -> int:
    periods, least, greatest = window
    return 64 * max(1, round(min(max(periods / f0_hz, least), greatest) * rate / 64))


def _steady(signal, start_s: float, stop_s: float, size: int) -> np.ndarray:
    """Mean short spectrum of the middle of a note."""
    third = (stop_s - start_s) / 3
    return _Spectra(signal, start_s + third, stop_s - third, size).values.mean(axis=0)


def _shares(spectra: np.ndarray, parts: list[np.ndarray]) -> np.ndarray:
    """(P, F) amplitude of each part in each spectrum, least squares, in units of the part's own level."""
    return np.maximum(np.linalg.lstsq(np.stack(parts, axis=1), spectra.T, rcond=None)[0], 0.0)


def _slur(signal, first_s, last_s, f0_hz, i: int) -> tuple[float, float] | None:
    """Middle and length of the slur into note i; None when there is a gap before it."""
    guess = 0.5 * (last_s[i - 1] + first_s[i])
    if first_s[i] - last_s[i - 1] >= _SLUR_GAP_S or _dips(signal, guess):
        return None
    size = _size(signal.rate, min(f0_hz[i - 1], f0_hz[i]), _SLUR_WINDOW)
    start = max(guess - _SLUR_REACH_S, 0.5 * (first_s[i - 1] + last_s[i - 1]))
    stop = min(guess + _SLUR_REACH_S, 0.5 * (first_s[i] + last_s[i]))
    spectra = _Spectra(signal, start, stop, size)
    old, new = _shares(
        spectra.values,
        [_steady(signal, first_s[i - 1], last_s[i - 1], size), _steady(signal, first_s[i], last_s[i], size)],
    )
    times = spectra.times
    share = new / (old + new + 1e-9)
    middle = _crossing(times, share, 0.5, guess)
    rise = _crossing(times, share, 0.9, middle) - _crossing(times, share, 0.1, middle)
    return middle, max(rise, 0.0)


def _dips(signal, guess_s: float) -> bool:
    """Whether the level falls away between two notes that meet near guess_s."""
    width = round(_DIP_WINDOW_S * signal.rate)
    half = round(_SLUR_REACH_S / _DIP_WINDOW_S)
    x = signal.slice(round(guess_s * signal.rate) - half * width, round(guess_s * signal.rate) + half * width)
    power = np.mean(x.reshape(-1, width) ** 2, axis=1)
    k = int(np.argmin(power[half // 2 : -half // 2])) + half // 2
    return bool(power[k] < _DIP**2 * min(power[:k].max(), power[k + 1 :].max()))


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
    size = _size(signal.rate, f0_hz[i], _GAP_WINDOW)
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
    shares = _shares(spectra.values, parts)
    # what the background and the neighbour leave is the note's own as well, when it is loud enough to be
    # no echo: the first moments of a cracked note have another spectrum than its steady part
    left = np.maximum(spectra.values - shares[1:].T @ np.stack(parts[1:]), 0)
    left = np.linalg.norm(left, axis=1) / np.linalg.norm(parts[0])
    sign, order = (1, slice(None)) if before else (-1, slice(None, None, -1))
    times, own, left = sign * spectra.times[order], shares[0][order], left[order]
    guess = sign * (first_s[i] if before else last_s[i])
    edge, early = _rise(times, own, guess), _rise(times, left, guess)
    between = left[(times > early) & (times < edge)]
    if len(between) and np.median(between) > _LOUD:
        edge = early
    return abs(edge)


def _rise(times: np.ndarray, own: np.ndarray, guess: float) -> float:
    """Time at which `own` last passes _EDGE before it surely sounds; `guess` when it never passes."""
    sounding = np.nonzero((own >= _SOUNDING) & (times >= guess - _EARLY_S))[0]
    quiet = np.nonzero(own[: sounding[0]] < _EDGE)[0] if len(sounding) else []
    if len(quiet) == 0:
        return float(guess)
    k = quiet[-1]
    part = (_EDGE - own[k]) / (own[k + 1] - own[k])
    return float(times[k] + part * (times[k + 1] - times[k]))
