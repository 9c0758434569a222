"""The scales in a long recording, whatever lies between them: speech, silence, trying out.

The recording is read in blocks; of each frame only its clear pitch and its level are kept, so that hours need little
memory. A scale is a chain of tones, each a semitone or a tone on from the one before, in one direction; tones that do
not fit (a squeak, a second attempt) are passed over. Chains much shorter than the longest are no takes, and are told.

Conventions: SOUNDING midi at A4 = 440 Hz; seconds of the file.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from evenbore.facts.arrays import Floats
from evenbore.notes.evidence import frame_size, gather
from evenbore.notes.sheetfit import runs_of_tone, tone_of_frames
from evenbore.recording.audio import Signal, signal_from_array
from evenbore.trade.families import Family

# ASSUME: tuned by trial on evenings put together from the first set of players in tests/evening.py; no source.
_BLOCK_S, _MARGIN_S = 120.0, 1.0
_STEP = 0.4, 2.6  # semitones from a tone of a scale to the next
_LOOK_BACK = 8  # tones, of which all but the last are passed over
_PASSED_OVER = 0.4  # what each of these costs, in tones
_PAUSE_S, _PAUSE_COSTS = 0.6, 2.0  # a longer pause inside a scale costs so many tones a second
_LEAST_TONES, _LEAST_SPAN = 8, 10.0  # of a scale
_PART = 0.7  # share of the longest scale's span; what spans less is a part of a scale, or trying out
_TURN_S, _TURN_REST_S = 5.0, 1.0  # up and down in one: in so little time, and without such a rest
_TOUCH_S = 1.0  # two scales may share the note at which one turns into the other
_AGAIN_S = 0.3  # a tone that comes back after so long is another
_WHOLE_TONE = 1.5  # semitones
_HELD_S = 0.16  # a tone that lasts as long is played, not spoken
_LEAD_S, _TAIL_S = 2.0, 1.5  # silence that stays around a take, for the noise of the room
_MAJOR = 0.4  # share of whole tones among the steps of a scale that is not chromatic
_QUIET = 0.03  # of the level that is seldom passed: silence
_SELDOM = 95


@dataclass(frozen=True)
class FoundScale:
    """A scale: where it sounds, `low` and `high` its ends, up, down or up-down, chromatic or major.

    `level_db`: its median level, re full scale.
    """

    first_s: float
    last_s: float
    low: float
    high: float
    direction: str
    pattern: str
    start_s: float = 0.0
    end_s: float = 0.0
    level_db: float = 0.0


@dataclass(frozen=True)
class LongFile:
    """What a long recording holds: whole scales, parts of scales, and (start, end, words) of what is between them."""

    duration_s: float
    scales: list[FoundScale]
    parts: list[FoundScale]
    between: list[tuple[float, float, str]]


def find_scales(signal: Signal, family: Family) -> LongFile:
    """Find the scales that an instrument of the family plays in a recording."""
    low, high = (float(family.to_sounding(np.array(note))) for note in (family.low, family.high))
    pitch, level, hop_s = _frames(signal, low, high)
    tones = _tones(pitch, hop_s)
    chains = [chain for direction in (1, -1) for chain in _chains(tones, direction)]
    found = _apart(chains)
    longest = max((scale.high - scale.low for scale in found), default=0.0)
    least = max(_PART * longest, _LEAST_SPAN)
    parts = [scale for scale in found if scale.high - scale.low < least]
    whole = _turned([scale for scale in found if scale not in parts], tones)
    duration = signal.duration_s
    ends = [(scale.first_s, _played_on(scale.last_s, tones)) for scale in whole]
    ends = [(a[0], min(a[1], b[0])) for a, b in pairwise([*ends, (duration, duration)])]
    placed = [
        replace(scale, start_s=start, end_s=end, level_db=_level_db(level, scale, hop_s))
        for scale, (start, end) in zip(whole, _with_silence(ends, duration), strict=True)
    ]
    return LongFile(duration, placed, parts, _between(ends, duration, tones, level, hop_s))


def _frames(signal: Signal, low: float, high: float) -> tuple[Floats, Floats, float]:
    """(T,) clear pitch, (T,) level, and seconds between frames, of the whole recording block by block."""
    hop = frame_size(signal.rate, 440.0 * 2 ** ((low - 1 - 69) / 12)) // 4
    block, margin = (round(seconds * signal.rate / hop) for seconds in (_BLOCK_S, _MARGIN_S))
    pitches, levels = [], []
    for first in range(0, signal.frames // hop + 1, block):
        samples = signal.slice((first - margin) * hop, (first + block + margin) * hop)
        evidence = gather(signal_from_array(samples, signal.rate), low, high)
        pitches.append(tone_of_frames(evidence)[margin : margin + block])
        levels.append(evidence.level[margin : margin + block].astype(float))
    count = signal.frames // hop + 1
    return np.concatenate(pitches)[:count], np.concatenate(levels)[:count], hop / signal.rate


def _tones(pitch: Floats, hop_s: float) -> Floats:
    """(N, 3) pitch, begin and end in seconds of the tones; one broken by a moment is one."""
    tones: list[list[float]] = []
    for midi, _, first, last in runs_of_tone(pitch).tolist():
        begin, end = first * hop_s, (last + 1) * hop_s
        if tones and abs(midi - tones[-1][0]) < _STEP[0] and begin - tones[-1][2] <= _AGAIN_S:
            tones[-1][2] = end
        else:
            tones.append([midi, begin, end])
    return np.array(tones).reshape(-1, 3)


def _chains(tones: Floats, direction: int) -> list[FoundScale]:
    """Chains of tones that rise (1) or fall (-1), the longest first; none shares a tone with another."""
    n = len(tones)
    worth, before = np.ones(n), np.full(n, -1)
    for j in range(n):
        for i in range(max(0, j - _LOOK_BACK), j):
            step = direction * (tones[j, 0] - tones[i, 0])
            pause = max(0.0, tones[j, 1] - tones[i, 2] - _PAUSE_S)
            value = 1 + worth[i] - _PASSED_OVER * (j - i - 1) - _PAUSE_COSTS * pause
            if _STEP[0] <= step <= _STEP[1] and value > worth[j]:
                worth[j], before[j] = value, i
    used = np.zeros(n, bool)
    chains = []
    for end in np.argsort(-worth, kind="stable"):
        chain = []
        at = int(end)
        while at >= 0 and not used[at]:
            chain.append(at)
            at = int(before[at])
        if len(chain) >= _LEAST_TONES // 2:
            used[chain[-1] : chain[0] + 1] = True
            chains.append(_scale(tones[chain[::-1]], direction))
    return chains


def _scale(tones: Floats, direction: int) -> FoundScale:
    steps = np.abs(np.diff(tones[:, 0]))
    return FoundScale(
        float(tones[0, 1]), float(tones[-1, 2]), float(tones[:, 0].min()), float(tones[:, 0].max()),
        "up" if direction > 0 else "down", "major" if np.mean(steps > _WHOLE_TONE) > _MAJOR else "chromatic",
    )  # fmt: skip


def _level_db(level: Floats, scale: FoundScale, hop_s: float) -> float:
    played = level[round(scale.first_s / hop_s) : round(scale.last_s / hop_s)]
    return float(20 * np.log10(np.median(played) + 1e-9))


def _apart(chains: list[FoundScale]) -> list[FoundScale]:
    """The chains in order of time; of two at the same time the wider."""
    kept: list[FoundScale] = []
    for chain in sorted(chains, key=lambda scale: scale.low - scale.high):
        if all(min(chain.last_s, one.last_s) - max(chain.first_s, one.first_s) < _TOUCH_S for one in kept):
            kept.append(chain)
    return sorted(kept, key=lambda scale: scale.first_s)


def _played_on(last_s: float, tones: Floats) -> float:
    """Where the sound ends that goes on without a rest after a scale's last tone: notes that were not made out."""
    for begin, end in tones[tones[:, 1] > last_s, 1:].tolist():
        if begin - last_s > _PAUSE_S:
            break
        last_s = end
    return last_s


def _turned(scales: list[FoundScale], tones: Floats) -> list[FoundScale]:
    """Up and then down without a rest, between the same notes, is one."""
    joined: list[FoundScale] = []
    for scale in scales:
        last = joined[-1] if joined else None
        if (
            last is not None
            and (last.direction, scale.direction) == ("up", "down")
            and scale.first_s - last.last_s <= _TURN_S
            and _longest_rest(tones, last.last_s, scale.first_s) <= _TURN_REST_S
            and abs(scale.high - last.high) <= _STEP[1]
            and min(scale.high - scale.low, last.high - last.low) >= _PART * (last.high - min(last.low, scale.low))
        ):
            joined[-1] = replace(last, last_s=scale.last_s, low=min(last.low, scale.low), direction="up-down")
        else:
            joined.append(scale)
    return joined


def _longest_rest(tones: Floats, begin: float, end: float) -> float:
    """The longest time without a tone between two times."""
    inside = tones[(tones[:, 2] > begin) & (tones[:, 1] < end), 1:]
    edges: list[tuple[float, float]] = [(begin, begin), *((a, b) for a, b in inside.tolist()), (end, end)]
    return max(b[0] - a[1] for a, b in pairwise(edges))


def _with_silence(ends: list[tuple[float, float]], duration: float) -> list[tuple[float, float]]:
    """Where each take begins and ends, with what silence belongs to it; two never overlap."""
    edges = [0.0, *((a[1] + b[0]) / 2 for a, b in pairwise(ends)), duration]
    return [
        (round(max(first - _LEAD_S, edges[k]), 2), round(min(last + _TAIL_S, edges[k + 1]), 2))
        for k, (first, last) in enumerate(ends)
    ]


def _between(
    ends: list[tuple[float, float]], duration: float, tones: Floats, level: Floats, hop_s: float
) -> list[tuple[float, float, str]]:
    """What fills the stretches that no scale does, in seconds of each."""
    sounding = level > _QUIET * np.percentile(level, _SELDOM)
    told = []
    for (_, begin), (end, _) in pairwise([(0.0, 0.0), *ends, (duration, duration)]):
        if end - begin < _LEAD_S + _TAIL_S:
            continue
        loud = float(sounding[round(begin / hop_s) : round(end / hop_s)].sum()) * hop_s
        inside = tones[(tones[:, 1] >= begin) & (tones[:, 2] <= end)]
        held = (inside[:, 2] - inside[:, 1])[inside[:, 2] - inside[:, 1] >= _HELD_S]
        playing = min(float(held.sum()), loud)
        words = (("silence", end - begin - loud), ("playing", playing), ("speech or noise", loud - playing))
        told.append((begin, end, ", ".join(f"{name} {seconds:.0f} s" for name, seconds in words if seconds >= 1)))
    return told
