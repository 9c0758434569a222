"""What was played more than once: attempts at a note, and passes of the scale.

An attempt is one stretch of a note's own sound: silence, breath or another pitch ends it. Which of several counts is
told here. A run is what was played going forward only, from going back to going back: for each note its attempts.
"""

import numpy as np

from evenbore.facts.arrays import Bools, Floats32, Ints, quantile

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_QUIET = 0.1  # a note breaks off where its level falls below this share of what it is before and after,
_STEEP, _NEAR_FRAMES = (
    0.2,
    2,
)  # or below this share of what it is so many frames before and after; a vibrato is smoother
_STRAY = 0.4  # and where it explains less than this share of what it usually explains
_STRAY_FRAMES = 2  # for so many frames; a single one is enough where another pitch explains the moment (score under 0)
_FAINT = 0.3  # what is fainter than this share of a note's level before or after it is a hum or an echo,
_FAINT_FRAMES = 8  # where it lasts so long
_STUB = 0.5  # an attempt shorter than this share of the longest is no full one
_SMEAR = 3  # a window of four hops sees a note for so many frames more than it sounds
_WHOLE_PASS = 0.75  # share of the notes that a pass holds, wrong ones apart
_AS_FULL = 0.8  # a pass with so many of the notes that the fullest has is another take, not a false start
_AGAIN = 0.5  # of a whole scale less than this share may be played anew; more is another pass

Span = tuple[int, int]  # first and last frame
Run = dict[int, list[Span]]


def attempts(first: Ints, last: Ints, notes: Floats32, level: Floats32, least: int) -> Run:
    """The attempts at each note of a run, of `least` frames or more.

    first, last: (N,) frames, -1 where a note is missing. notes: (T, N) how well each note explains each frame.
    level: (T,).
    """
    run = {}
    for step in np.nonzero(first >= 0)[0].tolist():
        begin, end = int(first[step]), int(last[step])
        own = level[begin : end + 1]
        heard = np.flatnonzero(own >= _FAINT * quantile(own, 0.75))
        before, after = int(heard[0]), end - begin - int(heard[-1])
        begin, end = begin + before * (before >= _FAINT_FRAMES), end - after * (after >= _FAINT_FRAMES)
        spans = _parts(notes[begin : end + 1, step], level[begin : end + 1], least)
        if len(spans) > 1:
            run[step] = [(begin + a, begin + b) for a, b in spans]
        elif end - begin + 1 >= least:
            run[step] = [(begin, end)]
    return run


def counted(spans: list[Span], next_missing: bool = False) -> int:
    """Which attempt counts: the last one, but where that is a stub the longest.

    The first full one where the next note is missing: what follows it may be that note, come out at this one's pitch.
    """
    lengths = [last - first + 1 - _SMEAR for first, last in spans]
    if next_missing and len(spans) > 1:
        return next(k for k, length in enumerate(lengths) if length >= _STUB * max(lengths))
    if not spans or lengths[-1] >= _STUB * max(lengths):
        return len(spans) - 1
    return int(np.argmax(lengths))


def gather_passes(runs: list[Run], n: int) -> list[list[list[Span]]]:
    """For every pass of a scale of n notes the attempts at each of its notes, both in order of time.

    All whole passes, each from the first note to the last; where there is none, the one that holds most notes, with
    those that hold nearly as many.
    """
    passes: list[Run] = []
    for run in (run for run in runs if run):
        if passes and _goes_on(passes[-1], run, n):
            passes[-1] = _joined(passes[-1], run)
        else:
            passes.append(run)
    whole = [one for one in passes if 0 in one and n - 1 in one and len(one) >= _WHOLE_PASS * n]
    fullest = max(map(len, passes), default=0)
    kept = whole or [one for one in passes if len(one) >= max(_AS_FULL * fullest, min(fullest, _AGAIN * n))] or [{}]
    return [[one.get(step, []) for step in range(n)] for one in kept]


def _goes_on(before: Run, run: Run, n: int) -> bool:
    """Whether a run goes on with what was played before it; else the scale was begun anew."""
    if min(run) <= min(before):
        return len(before) == 1 and min(run) == min(before)
    if n - 1 in before:
        return n - 1 in run and len(run) < _AGAIN * n
    return True


def _joined(before: Run, run: Run) -> Run:
    """Both, less what was no part of the scale: notes of either between which and the rest the other fills a hole."""
    skipped = min((step for step in run if step not in before), default=max(before) + 1)
    reached = max(step for step in before if step <= skipped)
    start = max((step for step in range(min(run), reached + 1) if step not in run), default=-1)
    joined = {step: list(spans) for step, spans in before.items() if step <= reached}
    for step in (step for step in run if step > start):
        joined[step] = joined.get(step, []) + run[step]
    return dict(sorted(joined.items()))


def _parts(score: Floats32, level: Floats32, least: int) -> list[Span]:
    """First and last frame of every unbroken part."""
    broken = _quiet(level, least) | _lasting(score < _STRAY * quantile(score, 0.5)) | (score < 0)
    edge = np.nonzero(np.diff(np.concatenate([[True], broken, [True]])))[0]
    return [(int(a), int(b) - 1) for a, b in zip(edge[::2], edge[1::2], strict=True) if b - a >= least + _SMEAR]


def _quiet(level: Floats32, least: int) -> Bools:
    """Where the level has fallen from what it was and rises again; `least` frames on both sides are not looked at."""
    quiet = np.zeros(len(level), bool)
    inner = level[1:-1]
    if len(inner) > 2 * least:
        around = np.minimum(np.maximum.accumulate(inner), np.maximum.accumulate(inner[::-1])[::-1])
        quiet[1:-1] = inner < _QUIET * around
        beside = np.minimum(inner[: -2 * _NEAR_FRAMES], inner[2 * _NEAR_FRAMES :])
        quiet[1 + _NEAR_FRAMES : -1 - _NEAR_FRAMES] |= inner[_NEAR_FRAMES:-_NEAR_FRAMES] < _STEEP * beside
        quiet[: least + 1] = quiet[-least - 1 :] = False
    return quiet


def _lasting(broken: Bools) -> Bools:
    """Only stretches of _STRAY_FRAMES or more."""
    edge = np.nonzero(np.diff(np.concatenate([[False], broken, [False]])))[0]
    kept = np.zeros(len(broken), bool)
    for start, stop in zip(edge[::2], edge[1::2], strict=True):
        kept[start:stop] = stop - start >= _STRAY_FRAMES
    return kept
