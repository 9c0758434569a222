"""Onsets and offsets of notes to a few milliseconds.

A note begins where its own sound reaches a tenth (20 dB below) of its steady amplitude, and ends where
it falls below that; between slurred notes both fall half-way, where the new note has become as strong
as the old one. "Its own sound" is what the note's steady spectrum explains of each short spectrum, next
to the spectrum of its neighbour and of the background, by least squares.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenbore.facts.arrays import Bools, Floats, Floats32, quantile
from evenbore.notes.spectrum import fast_size, magnitudes, overlapping
from evenbore.recording.audio import Signal

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_HOP_S = 0.003
_SLUR_HOP_S = 0.008
_STEADY_HOP_S = 0.030  # a mean over a steady part needs no more
_EDGE = 0.1  # 20 dB below the steady amplitude
_TROUGH = 1.3  # levels up to this times the least one belong to a trough
_BEFORE_S, _NEAR_S, _AFTER_S = 0.20, 0.05, 0.30  # how far around the first estimate an edge is looked for
_OVERLAP_S = 0.08  # an echo is taken for its note: the next one may have begun so long before that one's estimated end
_SOUNDING = 0.5  # a note has surely begun at this share of its steady amplitude
_LONG_BEFORE_S = 0.30  # where nothing sounds just before it: a note may begin softly, and swell only then
_EARLY_S = 0.03
_MOSTLY_S = 0.12  # so soon after the first estimate most notes sound
_AHEAD_S = 0.04  # a note begins at most this long before the least level between it and the one before
_HIDDEN = 0.15  # what sounds before a note hides its beginning from this share of its amplitude on: the onset is taken
_HANDOVER_S = 0.020  # half-way to so long before the note has become as strong as the old one's echo, or then
_SAME_PITCH = 1 / 24  # octaves: the echo of a note of the same pitch cannot be told from the note
_BROKEN_S = 0.02  # a note that breaks and sounds again does so at most this far from the first estimate
_SLUR_GAP_S = 0.06  # a shorter gap between two notes may be a slur
_DIP = 0.25  # unless the level dips below this share of the weaker note's amplitude
_DIP_WINDOW_S, _DIP_REACH_S = 0.015, 0.080
_TOP_HZ = 6000.0
_GAP_WINDOW = (3.0, 0.020, 0.200)  # periods, least and greatest length in seconds: short, to see an edge
_SLUR_WINDOW = (8.0, 0.030, 0.090)  # longer, to tell neighbouring notes apart; the middle of a slur stays put
_EVEN = 0.4  # power to which magnitudes are raised: a room's echo reinforces some harmonics at random, so all count
_SLUR_REACH_S, _SLUR_HALF_S = 0.120, 0.040  # how far from the first estimate a slur is looked for; half of one
_MIXED, _MIXED_S = 0.2, 0.060  # where both notes have this share at least; so long only in an echo
_OWN_RISE = 0.482  # of the window: the share of a note that begins at once goes from 10 % to 90 % (Hann, closed form)
_LEAST_FRAMES = 3


@dataclass(frozen=True)
class Edges:
    """Onset and offset in seconds, (N,); slurred: the note follows its predecessor without a gap;
    transition_s: time in which a slur goes from a tenth to nine tenths of the new note, NaN otherwise;
    vague: a note has the pitch of the one before, or is mixed with its echo for so long, that the onset of a slur may
    lie elsewhere.
    """

    onset_s: Floats
    offset_s: Floats
    slurred: Bools
    transition_s: Floats
    vague: Bools


class _Spectra:
    """Short magnitude spectra of a stretch of the signal: values (F, K) at times (F,)."""

    def __init__(self, signal: Signal, start_s: float, stop_s: float, size: int, hop_s: float = _HOP_S):
        rate = signal.rate
        hop = max(1, round(hop_s * rate))
        first = round(start_s * rate)
        count = max(1, int((stop_s - start_s) * rate) // hop + 1)
        x = signal.slice(first - size // 2, first + (count - 1) * hop + size - size // 2)
        frames = overlapping(x, size, hop)
        self.values = magnitudes(frames, _hann(size), int(_TOP_HZ * size / rate) + 2)[:, 1:]
        self.times = (first + hop * np.arange(count)) / rate


class _Notes:
    """The notes as first estimated, in playing order, and their steady spectra, made once for each window length.

    first_s, last_s, f0_hz: (N,).
    """

    def __init__(self, signal: Signal, first_s: Floats, last_s: Floats, f0_hz: Floats):
        self.signal, self.first_s, self.last_s, self.f0_hz = signal, first_s, last_s, f0_hz
        self.middle_s = 0.5 * (first_s + last_s)
        self._steady: dict[tuple[int, int], Floats32] = {}

    def size(self, f0_hz: float, window: tuple[float, float, float]) -> int:
        """Samples of a window that holds so many periods, within its least and greatest length in seconds."""
        periods, least, greatest = window
        return fast_size(min(max(periods / f0_hz, least), greatest) * 2 * self.signal.rate) // 2

    def slur_size(self, i: int) -> int:
        """Samples of a window that tells notes i - 1 and i apart."""
        return self.size(self.f0_hz[i - 1 : i + 1].min(), _SLUR_WINDOW)

    def steady(self, i: int, size: int) -> Floats32:
        """Mean short spectrum of the middle third of note i."""
        if (i, size) not in self._steady:
            third = (self.last_s[i] - self.first_s[i]) / 3
            spectra = _Spectra(self.signal, self.first_s[i] + third, self.last_s[i] - third, size, _STEADY_HOP_S)
            self._steady[i, size] = spectra.values.mean(axis=0)
        return self._steady[i, size]


def refine(signal: Signal, first_s: Floats, last_s: Floats, f0_hz: Floats, tongued: Bools) -> Edges:
    """Edges of notes roughly between first_s and last_s, in playing order, all arrays (N,).

    `tongued`: the note has its own attack, even where the room fills the gap before it.
    """
    n = len(first_s)
    notes = _Notes(signal.halved, first_s, last_s, f0_hz)
    onset, offset = first_s.astype(float), last_s.astype(float)
    slurred, vague, transition = np.zeros(n, bool), np.zeros(n, bool), np.full(n, np.nan)
    for i in range(n):
        slur = _slur(notes, i) if i > 0 and not tongued[i] else None
        if slur is not None:
            onset[i], transition[i], vague[i] = slur
            offset[i - 1] = onset[i]
            slurred[i] = True
            continue
        onset[i] = _onset(notes, i)
        if i > 0:
            offset[i - 1] = min(_offset(notes, i - 1), onset[i])
            if _same_pitch(notes, i):
                # what sounds between the two may hold the same harmonics: a break to the octave
                onset[i] = max(onset[i], first_s[i] - _BROKEN_S)
                offset[i - 1] = min(offset[i - 1], last_s[i - 1] + _BROKEN_S)
    if n:
        offset[-1] = _offset(notes, n - 1)
    return Edges(onset, offset, slurred, transition, vague)


@lru_cache(maxsize=128)
def _hann(size: int) -> Floats32:
    return np.hanning(size).astype(np.float32)


def _shares(spectra: Floats32, parts: list[Floats32]) -> Floats32:
    """(P, F) amplitude of each part in each spectrum, least squares, in units of the part's own level."""
    matrix = np.array(parts)
    gram = matrix @ matrix.T
    # normal equations of two or three unknowns; the little on the diagonal parts the inseparable
    gram += 1e-6 * np.diag(gram.diagonal())
    return np.maximum(np.linalg.solve(gram, matrix @ spectra.T), 0.0)


def _same_pitch(notes: _Notes, i: int) -> bool:
    """Whether note i has the pitch of the one before."""
    return bool(abs(np.log2(notes.f0_hz[i] / notes.f0_hz[i - 1])) <= _SAME_PITCH)


def _slur(notes: _Notes, i: int) -> tuple[float, float, bool] | None:
    """Middle and length of the slur into note i, and whether it may lie elsewhere; None when a gap is before it."""
    before, after = notes.last_s[i - 1], notes.first_s[i]
    guess = 0.5 * (before + after)
    if after - before >= _SLUR_GAP_S or _dips(notes.signal, guess):
        return None
    (old, new), plain, times = _parted(notes, i, guess, _SLUR_REACH_S)
    share = _share(old, new)
    mixed = times[(np.cumsum(share > _MIXED) > 0) & (np.cumsum(share[::-1] < 1 - _MIXED)[::-1] > 0)]
    middle = _crossing(times, share, 0.5, guess)
    # a note that swells is softer here than in its middle: what counts is its level on this side of the slur
    old = old / _typical(old[times < middle - _SLUR_HALF_S])
    new = new / _typical(new[times > middle + _SLUR_HALF_S])
    share = _share(old, new)
    middle = _crossing(times, share, 0.5, middle)
    # in a live room the old note's echo goes on: the new one has begun when it has half its own level
    middle = min(middle, _crossing(times, new, 0.5, middle))
    old, new = plain
    share = _share(
        old / _typical(old[times < middle - _SLUR_HALF_S]), new / _typical(new[times > middle + _SLUR_HALF_S])
    )
    rise = _crossing(times, share, 0.9, middle) - _crossing(times, share, 0.1, middle)
    length = float(np.sqrt(max(rise**2 - (_OWN_RISE * notes.slur_size(i) / notes.signal.rate) ** 2, 0.0)))
    return middle, length, bool(len(mixed) and np.ptp(mixed) > _MIXED_S) or _same_pitch(notes, i)


def _share(old: Floats32, new: Floats32) -> Floats32:
    share: Floats32 = new / (old + new + 1e-9)
    return share


def _typical(levels: Floats32) -> float:
    """Median level of a note beside a slur, in units of its steady one; 1 where there is too little to see."""
    return max(float(quantile(levels, 0.5)), _EDGE) if len(levels) >= _LEAST_FRAMES else 1.0


def _dips(signal: Signal, guess_s: float) -> bool:
    """Whether the level falls away between two notes that meet near guess_s."""
    width = round(_DIP_WINDOW_S * signal.rate)
    half = round(_DIP_REACH_S / _DIP_WINDOW_S)
    x = signal.slice(round(guess_s * signal.rate) - half * width, round(guess_s * signal.rate) + half * width)
    power = np.mean(x.reshape(-1, width) ** 2, axis=1)
    k = int(np.argmin(power[half // 2 : -half // 2])) + half // 2
    return bool(power[k] < _DIP**2 * min(power[:k].max(), power[k + 1 :].max()))


def _crossing(times: Floats, values: Floats32, level: float, near: float) -> float:
    """Time of the upward crossing of `level` nearest to `near`; `near` itself when there is none."""
    up = np.nonzero((values[:-1] < level) & (values[1:] >= level))[0]
    if len(up) == 0:
        return float(near)
    part = (level - values[up]) / (values[up + 1] - values[up])
    crossing = times[up] + part * (times[up + 1] - times[up])
    return float(crossing[np.argmin(np.abs(crossing - near))])


def _onset(notes: _Notes, i: int) -> float:
    """Onset of note i after a gap: the earlier of two signs, for each can be hidden; a third one where both may be.

    Its steady spectrum shows in the sound to a tenth (hidden while a note speaks with another spectrum, or an
    echo of its neighbour takes its share); or its level has risen by a tenth, in power, over the trough before it,
    where the old note's echo and the new note meet; or it has become as strong as that echo.
    """
    first = notes.first_s[i]
    near = i > 0 and first - notes.last_s[i - 1] < _BEFORE_S
    start = first - (_BEFORE_S if near else _LONG_BEFORE_S)
    if i > 0:
        start = max(start, notes.last_s[i - 1] - _OVERLAP_S, notes.middle_s[i - 1])
    size = notes.size(notes.f0_hz[i], _GAP_WINDOW)
    steady = notes.steady(i, size)
    stop = max(notes.middle_s[i], start + 2 * _HOP_S)
    for end in (min(first + _MOSTLY_S, stop), stop):
        spectra = _Spectra(notes.signal, start, end, size)
        if near:
            later = _Spectra(notes.signal, end, stop, size, _STEADY_HOP_S)
            least_of_all = np.minimum(spectra.values.min(axis=0), later.values.min(axis=0))
            parts = [steady, least_of_all + 1e-9, notes.steady(i - 1, size)]
        else:
            quiet = spectra.times < start + (stop - start) / 8
            parts = [steady, spectra.values[: max(1, np.count_nonzero(quiet))].mean(axis=0) + 1e-9]
        amplitude = _shares(spectra.values, parts)[0]
        loud = np.nonzero((amplitude >= _SOUNDING) & (spectra.times >= first - _EARLY_S))[0]
        if len(loud) and spectra.times[loud[0]] <= end - _EARLY_S:
            break
    sounding = int(loud[0]) if len(loud) else len(amplitude) - 1
    shown = _last_passes(spectra.times, amplitude, _EDGE, sounding)
    power, own = spectra.values**2, steady**2
    level = np.sqrt(power.sum(axis=1) / own.sum())
    least = level[spectra.times <= first + _NEAR_S].min()
    if least > _HIDDEN:
        # noise or echo hides the first tenth: go back from a quarter, between a steady growth and a growth in dB
        half = spectra.times[sounding]
        quarter = _last_passes(spectra.times, amplitude, 0.5 * _SOUNDING, sounding)
        shown = max(min(shown, quarter - (half - quarter)), spectra.times[0])
        if not near:  # the trough may be another note's
            return float(shown)
    # the level of what can be the note's own: noise and echo elsewhere in the spectrum do not count
    heard = np.sqrt(power @ own / (own @ own))
    k = int(np.argmax(heard <= heard[spectra.times <= first + _NEAR_S].min() * _TROUGH + 0.02))
    k += int(np.argmin(heard[k : k + max(1, _rises(heard[k:]))]))
    # for good: an echo's beats and noise rise too, and fall again
    risen = _last_passes(spectra.times[k:], heard[k:], np.hypot(heard[k], _EDGE), max(sounding - k, 1))
    # what shows long before the trough is the old note's echo
    onset = max(min(shown, risen), spectra.times[k] - _AHEAD_S)
    if near and least > _HIDDEN and not _same_pitch(notes, i):
        handover = _handover(notes, i)
        onset = min(0.5 * (onset + handover - _HANDOVER_S), handover)
    return float(onset)


def _handover(notes: _Notes, i: int) -> float:
    """Time at which note i has become as strong as what is left of the note before it."""
    guess = 0.5 * (notes.last_s[i - 1] + notes.first_s[i])
    (old, new), _, times = _parted(notes, i, guess, _BEFORE_S)
    return _crossing(times, _share(old, new), 0.5, guess)


def _parted(notes: _Notes, i: int, guess: float, before_s: float) -> tuple[Floats32, Floats32, Floats]:
    """Amplitudes of note i - 1 and of note i around the time `guess` where they meet, (2, F), all their harmonics
    counting nearly alike; the same by their strength; and the times (F,).
    """
    size = notes.slur_size(i)
    start = max(guess - before_s, notes.middle_s[i - 1])
    stop = min(guess + _SLUR_REACH_S, notes.middle_s[i])
    spectra = _Spectra(notes.signal, start, stop, size, _SLUR_HOP_S)
    steady = [notes.steady(k, size) for k in (i - 1, i)]
    even = _shares(spectra.values**_EVEN, [one**_EVEN for one in steady]) ** (1 / _EVEN)
    return even, _shares(spectra.values, steady), spectra.times


def _last_passes(times: Floats, values: Floats32, limit: float, before: int) -> float:
    """Time at which `values` last rise through `limit` before the frame `before`; the first time if above all along."""
    quiet = np.nonzero(values[:before] < limit)[0]
    return _passes(times[quiet[-1] :], values[quiet[-1] :], limit) if len(quiet) else float(times[0])


def _offset(notes: _Notes, i: int) -> float:
    """Offset of note i before a gap: where it has fallen to a tenth of its amplitude above what follows."""
    stop = notes.last_s[i] + _AFTER_S
    if i + 1 < len(notes.first_s):
        stop = min(stop, notes.first_s[i + 1] + _NEAR_S)
    start = max(notes.last_s[i] - _NEAR_S, notes.middle_s[i])
    size = notes.size(notes.f0_hz[i], _GAP_WINDOW)
    spectra = _Spectra(notes.signal, start, max(stop, start + 2 * _HOP_S), size)
    level = np.sqrt((spectra.values**2).sum(axis=1) / (notes.steady(i, size) ** 2).sum())
    return _passes(spectra.times, -level, -(level.min() + _EDGE))


def _rises(level: Floats32) -> int:
    """Number of first frames before the level has risen by _EDGE over its least value so far."""
    risen = np.nonzero(level > np.minimum.accumulate(level) + _EDGE)[0]
    return int(risen[0]) if len(risen) else len(level)


def _passes(times: Floats, values: Floats32, limit: float) -> float:
    """Time at which `values` first reach `limit`, between two frames; the last time when they never do."""
    above = np.nonzero(values >= limit)[0]
    if len(above) == 0:
        return float(times[-1])
    k = above[0]
    if k == 0:
        return float(times[0])
    part = (limit - values[k - 1]) / (values[k] - values[k - 1])
    return float(times[k - 1] + part * (times[k] - times[k - 1]))
