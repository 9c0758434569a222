"""Notes that were played, but far off their place: looked for where a note is missing, between its neighbours.

A neighbour less than 50 cents away takes the sound of such a note for its own. It is parted from it by its pitch: one
note has one pitch, and the pitch of a stretch of sound changes between two notes by a step.
"""

import numpy as np

from evenbore.facts.arrays import Floats, Floats32
from evenbore.notes.attempts import Span
from evenbore.notes.evidence import Evidence

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_WIDE_CENTS = 150.0  # a note is looked for so far from its place
_STEP_CENTS = 15.0  # least difference between the pitches of two notes
_STEP_SDS = 1.6  # and in standard deviations of the pitch from frame to frame
_STEADY_CENTS = 12.0  # the pitch of a note wanders less
_LEAST_S = 0.13  # shortest note that is looked for
_REACH_S, _PAUSE_S = 3.0, 1.0  # how far before the first and after the last note, and how far away from it
_CLEAR = 0.5  # score of a pitch that is clear, and by how much
_LEAD = 0.35  # another one may explain the moment better

Part = tuple[int, int, float]  # first frame, frame after the last, pitch in cents


def place_far_off(evidence: Evidence, target: Floats, played: list[list[Span]]) -> Floats:
    """How many cents off missing notes were found, (N,), 0 for all others.

    target: (N,) where each note should be. played: the attempts at each note, in place; a note that was found far off
    takes its frames from its neighbours.
    """
    away_cents = np.zeros(len(target))
    there = [step for step, spans in enumerate(played) if spans]
    for step in (step for step in range(len(target)) if there and not played[step]):
        a, b = max((i for i in there if i < step), default=None), min((i for i in there if i > step), default=None)
        found = _find(evidence, target, played, step, a, b)
        if found is not None:
            start, stop, pitch = found
            if a is not None:
                played[a] = [(first, min(last, start - 1)) for first, last in played[a] if first < start]
            if b is not None:
                played[b] = [(max(first, stop), last) for first, last in played[b] if last >= stop]
            played[step], away_cents[step] = [(start, stop - 1)], pitch - 100 * target[step]
            there.append(step)
    return away_cents


def _find(
    evidence: Evidence, target: Floats, played: list[list[Span]], step: int, a: int | None, b: int | None
) -> Part | None:
    """The note `step` between the notes a and b that are there, one of which may be None."""
    reach, pause = round(_REACH_S / evidence.hop_s), round(_PAUSE_S / evidence.hop_s)
    start = played[a][0][0] if a is not None else max(0, played[b or 0][0][0] - reach)
    stop = played[b][-1][1] + 1 if b is not None else min(len(evidence.score), played[a or 0][-1][1] + 1 + reach)
    parts = _parts(evidence, start, stop, target[[i for i in (a, step, b) if i is not None]])
    before = None if a is None else _nearest(parts, played[a], 100 * target[a])
    after = None if b is None else _nearest(parts, played[b], 100 * target[b])
    if (a is not None and before is None) or (b is not None and after is None):
        return None
    taken = [part[2] for part in (before, after) if part is not None]
    taken += [100 * target[i] for i in (step - 1, step + 1) if 0 <= i < len(target) and i not in (a, b)]
    if before is not None:
        start, stop = before[1], stop if after is not None else before[1] + pause
    if after is not None:
        start, stop = start if before is not None else after[0] - pause, after[0]
    fits = [
        part
        for part in parts
        if start <= (part[0] if before is not None else part[1])
        and (part[1] if after is not None else part[0]) <= stop
        and abs(part[2] - 100 * target[step]) <= _WIDE_CENTS
        and all(abs(part[2] - pitch) >= _STEP_CENTS for pitch in taken)
    ]
    return max(fits, key=lambda part: part[1] - part[0], default=None)


def _nearest(parts: list[Part], spans: list[Span], pitch: float) -> Part | None:
    """Of the parts within a note's frames the one that is nearest to a pitch."""
    inside = [part for part in parts if any(part[0] <= last and part[1] > first for first, last in spans)]
    return min(inside, key=lambda part: abs(part[2] - pitch), default=None)


def _parts(evidence: Evidence, start: int, stop: int, around: Floats) -> list[Part]:
    """All stretches of one steady pitch between two frames, near the pitches `around`."""
    track = _track(evidence.score[start:stop], evidence.grid_midi, around.min(), around.max())
    least = max(3, round(_LEAST_S / evidence.hop_s))
    edge = np.nonzero(np.diff(np.concatenate([[False], ~np.isnan(track), [False]])))[0]
    parts: list[Part] = []
    for first, after in zip(edge[::2], edge[1::2], strict=True):
        for k, m in _steps(track[first:after], least):
            piece = track[first + k : first + m]
            if np.median(np.abs(piece - np.median(piece))) * 1.4826 <= _STEADY_CENTS and m - k >= least:
                parts.append((int(start + first + k), int(start + first + m), float(np.median(piece))))
    return parts


def _track(score: Floats32, grid: Floats, lowest: float, highest: float) -> Floats:
    """(T,) pitch of each frame in cents over MIDI number 0, NaN where none from lowest to highest is clear."""
    near = np.nonzero((grid >= lowest - 0.02 * _WIDE_CENTS) & (grid <= highest + 0.02 * _WIDE_CENTS))[0]
    best = near[score[:, near].argmax(axis=1)]
    peak = score[np.arange(len(score)), best]
    beside = np.clip(best[:, None] + np.arange(-3, 4), 0, len(grid) - 1)
    weight = np.clip(np.take_along_axis(score, beside, axis=1) - 0.7 * peak[:, None], 0, None)
    pitch = 100 * np.sum(weight * grid[beside], axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    clear = (peak >= _CLEAR) & (peak >= score.max(axis=1) - _LEAD)
    return np.where(clear, pitch, np.nan)


def _steps(track: Floats, least: int) -> list[tuple[int, int]]:
    """Where the track changes by steps: first and after the last frame of every part."""
    n = len(track)
    if n < 2 * least:
        return [(0, n)]
    k = np.arange(least, n - least + 1)
    total, square = np.cumsum(track), np.cumsum(track**2)
    left, right = total[k - 1] / k, (total[-1] - total[k - 1]) / (n - k)
    rest = np.maximum(square[-1] - k * left**2 - (n - k) * right**2, 0)
    i = int(rest.argmin())
    if abs(right[i] - left[i]) < max(_STEP_CENTS, _STEP_SDS * np.sqrt(rest[i] / n)):
        return [(0, n)]
    at = int(k[i])
    return _steps(track[:at], least) + [(at + x, at + y) for x, y in _steps(track[at:], least)]
