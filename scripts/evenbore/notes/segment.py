"""Find the notes of an expected scale in a recording.

The sheet says which notes were played, in which order. A hidden Markov model walks through them from
left to right: a note lasts while its pitch explains the spectrum, a gap takes silence, breath, speech,
squeaks and whatever else is not the scale, notes may be missing, and the instrument may sit anywhere
within 80 cents of its nominal pitch. What is not the scale stays in the gaps, it is not forced into it.

Reference: Rabiner 1989, Proc. IEEE 77, 257 (Viterbi search).
"""

from dataclasses import dataclass

import numpy as np

from evenbore.facts.arrays import Bools, Floats, Floats32, Ints
from evenbore.notes.evidence import GRID_CENTS, Evidence

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_LIMIT_CENTS = 80.0  # the instrument may sit this far from nominal
_TYPICAL_CENTS = 20.0  # most instruments sit within about this
_NOTE_CENTS = 50.0  # and a single note this far from the instrument
_NEUTRAL = 0.4  # score at which a note and a gap are equally likely
_LEAD = 0.35  # another pitch may explain the moment better by this much
_GAIN = 6.0  # log-likelihood per unit of score
_ENTER = 4.0  # cost of starting a note: a note needs a few good frames
_SKIP = 12.0  # cost of a missing note
_GAP_PER_S = 20.0  # cost of a gap inside the scale, so that one complete pass beats two halves
_PASS_SHARE = 0.8  # a further pass holds this share of the notes of the best one
_LOOK = 4  # further passes are looked for in stretches so many times as long as the best one
_FOUND_FRAMES = 3
_DIP, _BESIDE = 0.7, 6  # a note is played anew where the level dips under this share of that of so many frames beside


@dataclass(frozen=True)
class Alignment:
    """Where each expected note lies.

    first, last: (N,) frame numbers, -1 where the note was not found. score: (N,) mean evidence of the
    note; rival: (N,) mean evidence of the best other pitch at least 80 cents away. offset_cents: how far
    the instrument sits from nominal.
    """

    first: Ints
    last: Ints
    score: Floats
    rival: Floats
    offset_cents: float

    @property
    def found(self) -> Bools:
        """(N,) bool: which expected notes were found."""
        return self.first >= 0


def find_passes(evidence: Evidence, midi: Ints, tuning_hz: float) -> list[Alignment]:
    """Align the expected sounding notes `midi` (N,) with every complete pass of the scale, in order of time.

    A4 of the session is `tuning_hz`. The list is never empty: the best pass comes even when it is poor. A
    false start, or half a scale beside a whole one, is no pass.
    """
    nominal = np.asarray(midi, float) + 12 * np.log2(tuning_hz / 440.0)
    score = evidence.score
    offsets = _offsets(score, evidence.grid_midi, nominal)
    # a scale that lost a note fits as well a semitone away: the nearer offset is the likelier one
    offset = offsets[0]
    if len(offsets) > 1:
        totals = [
            _search(_note_scores(score, evidence.grid_midi, nominal + o / 100), evidence.hop_s)[0]
            - 0.5 * (o / _TYPICAL_CENTS) ** 2
            for o in offsets
        ]
        offset = offsets[int(np.argmax(totals))]
    target = nominal + offset / 100
    notes = _note_scores(score, evidence.grid_midi, target)
    best = _align(score, notes, evidence, target, offset, 0, len(score))
    passes, rest = [best], [(0, _start(best)), (_stop(best), len(score))]
    length = _stop(best) - _start(best)
    while rest and best.found.mean() >= _PASS_SHARE:
        start, stop = rest.pop()
        if stop - start < _PASS_SHARE * length / 2:
            continue
        # a look at a few passes' worth at a time: the work grows with the recording, not with its square
        seen = min(stop, start + _LOOK * length)
        other = _align(score, notes, evidence, target, offset, start, seen)
        if other.found.sum() >= _PASS_SHARE * best.found.sum():
            passes.append(other)
            rest += [(start, _start(other)), (_stop(other), stop)]
        elif seen < stop:
            rest.append((start + _LOOK * length // 2, stop))
    return sorted(passes, key=_start)


def _start(scale: Alignment) -> int:
    """First frame of the first note found; 0 when there is none."""
    return int(scale.first[scale.found][0]) if scale.found.any() else 0


def _stop(scale: Alignment) -> int:
    """Frame after the last note found; 0 when there is none."""
    return int(scale.last[scale.found][-1]) + 1 if scale.found.any() else 0


def _align(
    score: Floats32, notes: Floats32, evidence: Evidence, target: Floats, offset: float, start: int, stop: int
) -> Alignment:
    """The best pass between two frames."""
    _, first, last = _search(notes[start:stop], evidence.hop_s)
    _part_repeated(first, last, target, evidence.level[start:stop])
    short = (first >= 0) & (last - first + 1 < _FOUND_FRAMES)
    first[short], last[short] = -1, -1
    there = first >= 0
    first[there] += start
    last[there] += start
    support, rival = _support(score, notes, evidence.grid_midi, target, first, last)
    return Alignment(first, last, support, rival, offset)


def _part_repeated(first: Ints, last: Ints, target: Floats, level: Floats32) -> None:
    """Part notes that are asked for several times in a row where the level dips, in place: their pitch cannot tell."""
    runs = np.split(np.arange(len(target)), np.nonzero(np.diff(target))[0] + 1)
    for run in (run for run in runs if len(run) > 1 and (first[run] >= 0).any()):
        there = run[first[run] >= 0]
        begin, end = first[there].min(), last[there].max()
        dips = _dips(level[begin : end + 1], len(run) - 1)
        if dips is not None:
            first[run] = begin + np.concatenate([[0], dips])
            last[run] = np.concatenate([begin + dips - 1, [end]])


def _dips(level: Floats32, count: int) -> Ints | None:
    """Frames of the `count` deepest dips of the level, in order of time; None where there are fewer."""
    depth = np.ones(len(level))
    for t in range(_FOUND_FRAMES, len(level) - _FOUND_FRAMES):
        before, after = level[max(0, t - _BESIDE) : t].max(), level[t + 1 : t + 1 + _BESIDE].max()
        depth[t] = level[t] / min(before, after) if min(before, after) > 0 else 1.0
    dips: list[int] = []
    while len(dips) < count:
        t = int(np.argmin(depth))
        if depth[t] > _DIP:
            return None
        dips.append(t)
        depth[max(0, t - _FOUND_FRAMES + 1) : t + _FOUND_FRAMES] = 1.0
    return np.sort(dips)


def _offsets(score: Floats32, grid: Floats, nominal: Floats) -> list[float]:
    """Offsets in cents worth trying: the one the pitches themselves agree on, and its semitone neighbours."""
    best = np.argmax(score, axis=1)
    peak = score[np.arange(len(score)), best]
    use = peak > 0.5
    if not use.any():
        return [0.0]
    angle = 2 * np.pi * (grid[best[use]] - nominal[0])
    mean = np.angle(np.sum(peak[use] * np.exp(1j * angle))) * 100 / (2 * np.pi)
    tried = [mean - 100, mean, mean + 100]
    return [offset for offset in tried if abs(offset) <= _LIMIT_CENTS + 0.25 * GRID_CENTS]


def _note_scores(score: Floats32, grid: Floats, target: Floats) -> Floats32:
    """(T, N) best score of each expected note within its own tolerance, less where another pitch leads clearly."""
    step = GRID_CENTS / 100
    half = int(_NOTE_CENTS / GRID_CENTS)
    centre = np.rint((target - grid[0]) / step).astype(int)
    values, where = np.unique(centre, return_inverse=True)
    columns = [score[:, max(0, c - half) : c + half + 1].max(axis=1, initial=0) for c in values]
    of_note = np.stack(columns, axis=1)[:, where]
    leading: Floats32 = np.minimum(of_note, of_note - score.max(axis=1, keepdims=True) + _LEAD + _NEUTRAL)
    return leading


def _search(notes: Floats32, hop_s: float) -> tuple[float, Ints, Ints]:
    """Viterbi search: log-likelihood, and first and last frame of every note, -1 where it is missing.

    States 0 … n-1 are the notes, n … 2n the gaps before, between and after them; one more can't be reached.
    """
    n_frames, n = notes.shape
    gaps, nowhere = n + np.arange(n + 1), 2 * n + 1
    # which states can come before each state, and what that costs
    before = np.full((4, 2 * n + 2), nowhere)
    cost = np.zeros((4, 2 * n + 2), np.float32)
    before[0, :nowhere] = np.arange(nowhere)  # stay
    before[1, 1:n], cost[1, 1:n] = np.arange(n - 1), _ENTER  # slur on
    before[2, :n], cost[2, :n] = gaps[:-1], _ENTER  # start after a gap
    before[3, 2:n], cost[3, 2:n] = np.arange(n - 2), _ENTER + _SKIP  # slur over a missing note
    before[1, gaps[1:]] = np.arange(n)  # stop
    before[2, gaps[1:]], cost[2, gaps[1:]] = gaps[:-1], _SKIP  # a note is missing
    gain = np.zeros((n_frames, 2 * n + 2), np.float32)
    gain[:, :n] = _GAIN * (notes - _NEUTRAL)
    gain[:, n + 1 : 2 * n] = -_GAP_PER_S * hop_s
    # notes missing at either end cost as much as anywhere else
    state = np.full(2 * n + 2, -1e9, np.float32)
    state[gaps] = -_SKIP * np.arange(n + 1)
    at_end = np.zeros(2 * n + 2, np.float32)
    at_end[:n], at_end[gaps] = _SKIP * np.arange(n - 1, -1, -1), _SKIP * np.arange(n, -1, -1)
    moves = np.empty((n_frames, 2 * n + 2), np.uint8)
    every = np.arange(2 * n + 2)
    for t in range(n_frames):
        options = state[before] - cost
        move = options.argmax(axis=0)
        moves[t] = move
        state = options[move, every] + gain[t]
    final = state - at_end
    at = int(final.argmax())
    total = float(final[at])
    first, last = np.full(n, -1), np.full(n, -1)
    for t in range(n_frames - 1, -1, -1):
        if at < n:
            first[at] = t
            last[at] = max(last[at], t)
        at = before[moves[t, at], at]
    return total, first, last


def _support(
    score: Floats32, notes: Floats32, grid: Floats, target: Floats, first: Ints, last: Ints
) -> tuple[Floats, Floats]:
    support, rival = np.full(len(first), np.nan), np.full(len(first), np.nan)
    for i in np.nonzero(first >= 0)[0]:
        span = slice(first[i], last[i] + 1)
        support[i] = notes[span, i].mean()
        other = np.abs(grid - target[i]) > 0.8
        rival[i] = score[span][:, other].mean(axis=0).max()
    return support, rival
