"""Find the notes of an expected scale in a recording.

The sheet says which notes were played, in which order. A hidden Markov model walks through them from
left to right: a note lasts while its pitch explains the spectrum, a gap takes silence, breath, speech,
squeaks and whatever else is not the scale, notes may be missing, the player may go back and begin anew from
any note, and the instrument may sit anywhere within 80 cents of its nominal pitch. What is not the scale
stays in the gaps, it is not forced into it.

Reference: Rabiner 1989, Proc. IEEE 77, 257 (Viterbi search).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from evenbore.facts.arrays import Bools, Floats, Floats32, Ints
from evenbore.notes.attempts import Span, attempts, counted, gather_passes
from evenbore.notes.evidence import GRID_CENTS, Evidence
from evenbore.notes.faroff import place_far_off

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_LIMIT_CENTS = 80.0  # the instrument may sit this far from nominal
_TYPICAL_CENTS = 20.0  # most instruments sit within about this
NOTE_CENTS = 50.0  # and a single note this far from the instrument
_NEUTRAL = 0.4  # score at which a note and a gap are equally likely
_LEAD = 0.35  # another pitch may explain the moment better by this much
_GAIN = 6.0  # log-likelihood per unit of score
_ENTER = 4.0  # cost of starting a note: a note needs a few good frames
_SKIP = 12.0  # cost of a missing note
_GAP_PER_S = 20.0  # cost of a gap inside the scale, so that one complete pass beats two halves
_BACK = 10.0  # cost of going back to play anew
_FOUND_FRAMES = 3
_BLOCK_FRAMES = 64  # whose ways are weighed together, more than most notes last
_DIP, _BESIDE = 0.7, 6  # a note is played anew where the level dips under this share of that of so many frames beside


@dataclass(frozen=True)
class Alignment:
    """Where each expected note lies.

    first, last: (N,) frame numbers, -1 where the note was not found. score: (N,) mean evidence of the
    note; rival: (N,) mean evidence of the best other pitch at least 80 cents away. offset_cents: how far
    the instrument sits from nominal; away_cents: (N,) how far a note that is far off was found from there, 0 for
    the others. others: of each note the attempts that do not count, in order of time.
    """

    first: Ints
    last: Ints
    score: Floats
    rival: Floats
    offset_cents: float
    away_cents: Floats
    others: tuple[tuple[Span, ...], ...]

    @property
    def found(self) -> Bools:
        """(N,) bool: which expected notes were found."""
        return self.first >= 0


def find_passes(evidence: Evidence, midi: Ints, tuning_hz: float) -> list[Alignment]:
    """Align the expected sounding notes `midi` (N,) with every complete pass of the scale, in order of time.

    A4 of the session is `tuning_hz`. The list is never empty: where no pass is complete the fullest come. A
    false start, or a part of the scale beside a whole one, is no pass.
    """
    nominal = np.asarray(midi, float) + 12 * np.log2(tuning_hz / 440.0)
    score = evidence.score
    likeliest = -np.inf
    # a scale that lost a note fits as well a semitone away: the nearer offset is the likelier one
    for tried in _offsets(score, evidence.grid_midi, nominal):
        scores = note_scores(score, evidence.grid_midi, nominal + tried / 100)
        total, path = _decode(scores, evidence.hop_s, _BACK)
        total -= 0.5 * (tried / _TYPICAL_CENTS) ** 2
        if total > likeliest:
            likeliest, offset, notes, states = total, tried, scores, path
    target = nominal + offset / 100
    runs = []
    for first, last in _runs(states, len(midi)):
        _part_repeated(first, last, target, evidence.level)
        runs.append(attempts(first, last, notes, evidence.level, _FOUND_FRAMES))
    return [_alignment(one, evidence, notes, target, offset) for one in gather_passes(runs, len(midi))]


def _runs(path: Ints, n: int) -> list[tuple[Ints, Ints]]:
    """First and last frame of every note, (n,), -1 where it is missing, in every stretch that only goes forward."""
    edge = np.concatenate([[0], np.nonzero(np.diff(path))[0] + 1, [len(path)]])
    runs: list[tuple[Ints, Ints]] = []
    before = n
    for start, stop in pairwise(edge.tolist()):
        step = int(path[start])
        if step >= n:
            continue
        if step <= before:
            runs.append((np.full(n, -1), np.full(n, -1)))
        runs[-1][0][step], runs[-1][1][step], before = start, stop - 1, step
    return runs


def _alignment(
    played: list[list[Span]], evidence: Evidence, notes: Floats32, target: Floats, offset: float
) -> Alignment:
    """One pass, from the attempts at each of its notes."""
    away_cents = place_far_off(evidence, target, played)
    first, last = np.full(len(target), -1), np.full(len(target), -1)
    others: list[tuple[Span, ...]] = []
    for step, spans in enumerate(played):
        k = counted(spans, step + 1 < len(played) and not played[step + 1])
        if spans:
            first[step], last[step] = spans[k]
        others.append(tuple(spans[:k] + spans[k + 1 :]))
    support, rival = _support(evidence, notes, target + away_cents / 100, first, last)
    for step in np.nonzero(away_cents)[0].tolist():
        span = slice(first[step], last[step] + 1)
        support[step] = note_scores(
            evidence.score[span], evidence.grid_midi, target[[step]] + away_cents[step] / 100
        ).mean()
    return Alignment(first, last, support, rival, offset, away_cents, tuple(others))


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
    mean = offset_of_pitches(score, grid, nominal[0])
    return [offset for offset in (mean - 100, mean, mean + 100) if abs(offset) <= _LIMIT_CENTS + 0.25 * GRID_CENTS]


def offset_of_pitches(score: Floats32, grid: Floats, nominal: float) -> float:
    """Where the clear pitches lie against the semitones around `nominal`, -50 to 50 cents; 0 where none is clear."""
    best = np.argmax(score, axis=1)
    peak = score[np.arange(len(score)), best]
    use = peak > 0.5
    angle = 2 * np.pi * (grid[best[use]] - nominal)
    return float(np.angle(np.sum(peak[use] * np.exp(1j * angle))) * 100 / (2 * np.pi))


def note_scores(score: Floats32, grid: Floats, target: Floats) -> Floats32:
    """(T, N) best score of each expected note within its own tolerance, less where another pitch leads clearly."""
    half = int(NOTE_CENTS / GRID_CENTS)
    centre = np.rint((target - grid[0]) / (GRID_CENTS / 100)).astype(int)
    of_note = score[:, centre]
    for away in (*range(-half, 0), *range(1, half + 1)):
        np.maximum(of_note, score[:, centre + away], out=of_note)
    leading: Floats32 = np.minimum(of_note, of_note - score.max(axis=1, keepdims=True) + _LEAD + _NEUTRAL)
    return leading


def _decode(notes: Floats32, hop_s: float, back: float) -> tuple[float, Ints]:
    """Viterbi search: log-likelihood, and the state of every frame, (T,).

    States 0 … n-1 are the notes, n … 2n the gaps before, between and after them. Going back to a note that has
    been passed costs `back`.
    """
    n_frames, n = notes.shape
    gain = np.zeros((n_frames, 2 * n + 1), np.float32)
    gain[:, :n] = _GAIN * (notes - _NEUTRAL)
    gain[:, n + 1 : 2 * n] = -_GAP_PER_S * hop_s
    # notes missing at either end cost as much as anywhere else
    state = np.full(2 * n + 1, -1e9, np.float32)
    state[n:] = -_SKIP * np.arange(n + 1)
    at_end = np.empty(2 * n + 1, np.float32)
    at_end[:n], at_end[n:] = _SKIP * np.arange(n - 1, -1, -1), _SKIP * np.arange(n, -1, -1)
    source, cost = _ways(n, back)
    states = np.empty((n_frames, 2 * n + 1), np.float32)
    come = np.full(cost.shape, -np.inf, np.float32)
    forward, again = come[:-1], come[-1, n - 1 :: -1]
    for new, gained in zip(states, gain, strict=True):
        state.take(source, out=forward, mode="clip")
        np.maximum.accumulate(state[:n:-1], out=again)
        come += cost
        np.maximum.reduce(come, axis=0, out=new)
        new += gained
        state = new
    final = state - at_end
    path = _back_from(int(final.argmax()), states[:-1], source, cost)
    return float(final.max()), path


def _back_from(at: int, states: Floats32, source: Ints, cost: Floats32) -> Ints:
    """The likeliest way (T,) to the state `at` of the last frame through the states (T - 1, S) of all before it."""
    n = states.shape[1] // 2
    path = np.empty(len(states) + 1, int)
    stop = len(states)
    path[stop] = at
    while stop:
        start = max(0, stop - _BLOCK_FRAMES)
        block = states[start:stop]
        come = block[:, source[:, at]] + cost[:-1, at]
        way = come.argmax(axis=1)
        moves = way > 0
        if at < n:
            again = block[:, n + 1 + at :].max(axis=1) + cost[-1, at]
            goes_back = again > come.max(axis=1)
            moves |= goes_back
        moved = np.flatnonzero(moves)
        k = int(moved[-1]) if len(moved) else 0
        path[start + k : stop] = at  # stays until it moves
        if len(moved):
            if at < n and goes_back[k]:
                at = n + 1 + at + int(block[k, n + 1 + at :].argmax())
            else:
                at = int(source[way[k], at])
            path[start + k] = at
        stop = start + k
    return path


def _ways(n: int, back: float) -> tuple[Ints, Floats32]:
    """From which states each may be reached (4, 2 n + 1), going forward, and what that adds to the log-likelihood.

    The last row of what is added, of (5, 2 n + 1), is of going back to a note from the best of the gaps after it.
    """
    source = np.tile(np.arange(2 * n + 1), (4, 1))  # stay
    cost = np.full((5, 2 * n + 1), -np.inf, np.float32)
    cost[0] = 0
    source[1, :n], cost[1, :n] = np.arange(n, 2 * n), -_ENTER  # start after a gap
    source[2, 1:n], cost[2, 1:n] = np.arange(n - 1), -_ENTER  # slur on
    source[3, 2:n], cost[3, 2:n] = np.arange(n - 2), -_ENTER - _SKIP  # slur over a missing note
    source[1, n + 1 :], cost[1, n + 1 :] = np.arange(n), 0  # stop
    source[2, n + 1 :], cost[2, n + 1 :] = np.arange(n, 2 * n), -_SKIP  # a note is missing
    cost[4, :n] = -_ENTER - back
    return source, cost


def _support(evidence: Evidence, notes: Floats32, target: Floats, first: Ints, last: Ints) -> tuple[Floats, Floats]:
    support, rival = np.full(len(first), np.nan), np.full(len(first), np.nan)
    for i in np.nonzero(first >= 0)[0]:
        span = slice(first[i], last[i] + 1)
        support[i] = notes[span, i].mean()
        other = np.abs(evidence.grid_midi - target[i]) > 0.8
        rival[i] = evidence.score[span].mean(axis=0)[other].max()
    return support, rival
