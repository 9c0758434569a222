"""Whether a recording holds the scale that its sheet tells of; and when not, what it holds.

The tones that are heard, whatever the sheet says, are laid beside the expected scale and beside others: moved by
semitones, in the opposite order, of another pattern or direction. A scale pays for each of its notes that is not heard
and for each tone that it leaves unexplained, so that its ends tell one scale from its neighbour. What another scale
explains no better (a tuning note, a false start, speech, a second pass) counts alike for all.

Conventions: pitches are sounding MIDI numbers at A4 = 440 Hz, fractional. Costs are in notes.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np

from evenbore.facts.arrays import Floats, Ints
from evenbore.facts.rows import RecordingRow
from evenbore.notes.attempts import Span
from evenbore.notes.evidence import Evidence
from evenbore.notes.segment import Alignment
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_note
from evenbore.trade.scale import DIRECTIONS, expected_scale

# ASSUME: tuned by trial on development takes (tests/accuracy/takes.py names their sources); no source.
_CLEAR = 0.5  # score from which a frame holds a tone
_TOGETHER = 0.5  # semitones: a tone stays this near its own mean
_GLITCH_FRAMES = 3  # a tone that comes back after so few frames never stopped
_LEAST_FRAMES = 3
_LOOK_BACK = 3  # runs that a frame may belong to
_AWAY = 0.35, 0.9  # semitones: a tone this far from its place is it entirely, and not at all
_BETTER = 1.0  # notes by which another scale must be the cheaper; a neighbour's two ends are worth two
_HOLDS = 0.8  # share of its notes that another scale must show
_ALL_THERE = 0.9  # of the expected notes: what was found may be measured
_LEAST_FOUND = 0.5  # with fewer of the expected notes than this there is no such scale in the recording
_STEADY_S, _FEW = 0.16, 3  # half of a scale's tones last as long, of speech they do not; fewer tones are no scale
_TUNED = 0.6  # what tones are in tune by, where a part of the notes was found
_GLIDE = 0.6  # semitones that most notes glide on towards the next one; of a sweep all of the way
# ASSUME: an instrument a semitone away is played at A4 = 440 to 446 Hz, and then lies 100 to 76 cents off (common
# practice). Nothing in the take tells it from one that lies so far off in all its notes.
_OTHER_NAME_CENTS = 75.0
_MAY_BE_ANOTHER, _SEMITONE_OFF = 0.8, 0.92  # semitones off the tuning: it may be another scale, and surely is
# ASSUME: slides and barrels move an instrument by less; at 50 the next semitone is as near (common practice).
_OFF_TUNE_CENTS = 45.0
_INTERVALS = {12: "an octave", 19: "a twelfth", 24: "two octaves"}


@dataclass(frozen=True)
class Objection:
    """What speaks against the sheet, in plain words; `unusable`: the notes found are not those that the sheet names.

    `off_cents`: all notes of the sheet are there, so far off the tuning; 0 elsewhere. `shift`: semitones by which the
    scale seems to sound elsewhere.
    """

    reason: str
    unusable: bool
    off_cents: float = 0.0
    shift: int = 0


@dataclass(frozen=True)
class _Tones:
    """Tones heard, in order: pitch (M,), frames first and last (M,), weight (M,) 0 … 1 by length."""

    pitch: Floats
    first: Floats
    last: Floats
    weight: Floats


def objection(
    evidence: Evidence, row: RecordingRow, family: Family, written: Ints, best: Alignment
) -> Objection | None:
    """What speaks against the scale `written` (N,) of the sheet's row, of which `best` was found; None: nothing."""
    nominal = family.to_sounding(written) + 12 * np.log2(row["tuning_hz"] / 440.0)
    span = f"{midi_to_note(int(written[0]))} to {midi_to_note(int(written[-1]))} written for {family.name}"
    if _glides(evidence, nominal, best):
        return Objection(f"the pitch glides all the time and stands on no note: no scale ({span} was expected)", True)
    tones = _heard(evidence)
    placed = nominal + best.offset_cents / 100
    placed += _phase(tones, placed)
    as_said = float(_costs(tones, placed)[0])
    if as_said >= _BETTER:
        another = _another_scale(tones, row, family, written, placed, as_said, span)
        if another and (another.unusable or best.found.mean() >= _ALL_THERE):
            return another
        away = _away(tones, evidence, nominal, placed, as_said)
        if _MAY_BE_ANOTHER < abs(away) <= _SEMITONE_OFF:
            return Objection("", unusable=False, off_cents=100 * away)
        if abs(away) > _SEMITONE_OFF:
            shift = int(np.rint(away))
            interval = _INTERVALS.get(abs(shift), f"{abs(shift)} semitone{'s' if abs(shift) > 1 else ''}")
            return Objection(
                f"sounds {interval} {'higher' if shift > 0 else 'lower'} than the sheet says ({span}): another range or"
                " register, the wrong family, or notes named at concert pitch?",
                unusable=True,
                shift=shift,
            )
        low = _low_overblown(tones, written, placed, as_said, best, span)
        if low:
            return low
    return _too_little(tones, written, placed, best, evidence.hop_s, span)


def tuning_remark(offset_cents: float, tuning_hz: float) -> list[str]:
    """What to ask when the whole take lies off the session's tuning (cents); NaN: nothing."""
    if not abs(offset_cents) > _OFF_TUNE_CENTS:
        return []
    off, ways = abs(offset_cents), ("sharp", "higher", "flat")
    way, moved, other = ways if offset_cents > 0 else ("flat", "lower", "sharp")
    if not may_be_another(offset_cents):
        return [f"the whole take lies {off:.0f} cents {way}: another tuning, transposition or recorder speed?"]
    return [
        f"the whole take lies {off:.0f} cents {way}, or sounds a semitone {moved} than the sheet says and"
        f" {abs(100 - off):.0f} cents {other if off < 100 else way}: correct the family or the range if so, or"
        f" `tuning_hz` of the session ({tuning_hz * 2 ** (offset_cents / 1200):.0f}); until then its cents do not count"
    ]


def may_be_another(offset_cents: float) -> bool:
    """Whether a take so far off the tuning may be one of the neighbouring notes."""
    return abs(offset_cents) >= _OTHER_NAME_CENTS


def _another_scale(
    tones: _Tones, row: RecordingRow, family: Family, written: Ints, placed: Floats, as_said: float, span: str
) -> Objection | None:
    """The scale in another order, direction or pattern that explains the tones clearly better."""
    likeliest, least = None, as_said - _BETTER
    for reason, scale in _other_scales(row, family, written, span):
        sounding = scale + (placed[0] - written[0])
        cost = float(_costs(tones, sounding)[0])
        if cost <= least and np.mean(_matched(tones, sounding) >= 0) >= _HOLDS:
            likeliest, least = (reason, scale), cost
    if likeliest is None:
        return None
    reason, scale = likeliest
    if not _within(written, scale):
        return Objection(reason, unusable=True)
    return Objection(f"{reason}; only the expected notes were measured", unusable=False)


def _other_scales(row: RecordingRow, family: Family, written: Ints, span: str) -> Iterator[tuple[str, Ints]]:
    """What to say, and the written notes, of the scales that it might be instead."""
    if not np.array_equal(written, written[::-1]):
        yield f"the notes come in the opposite order ({span} was expected): correct `direction`", written[::-1]
    if row["pattern"] == "notes":
        return
    said = row["pattern"], row["direction"]
    for it_is in product(("chromatic", "major"), DIRECTIONS):
        scale = expected_scale(family, it_is[0], row["low"], row["high"], it_is[1])
        if not np.array_equal(scale, written) and not np.array_equal(scale, written[::-1]):
            names = [f"`{name}`" for name, a, b in zip(("pattern", "direction"), it_is, said, strict=True) if a != b]
            holds, expected = (f"a {pattern} scale {way.replace('-', ' and ')}" for pattern, way in (it_is, said))
            yield f"holds {holds} where {expected} was expected ({span}): correct {' and '.join(names)}", scale


def _within(part: Ints, whole: Ints) -> bool:
    """Whether all notes of a scale come in another one, in the same order."""
    left = iter(whole.tolist())
    return all(note in left for note in part.tolist())


def _away(tones: _Tones, evidence: Evidence, nominal: Floats, placed: Floats, as_said: float) -> float:
    """Semitones off the tuning at which the whole scale moved explains the tones clearly better; 0: nowhere."""
    low, high = evidence.grid_midi[0] - placed.min(), evidence.grid_midi[-1] - placed.max()
    shifts = np.arange(int(np.ceil(low)), int(high) + 1)
    costs = _costs(tones, placed + shifts[:, None])
    likeliest = shifts[int(np.argmin(costs))]
    if costs.min() > as_said - _BETTER or np.mean(_matched(tones, placed + likeliest) >= 0) < _HOLDS:
        return 0.0
    return float(likeliest + placed[0] - nominal[0])


def _low_overblown(
    tones: _Tones, written: Ints, placed: Floats, as_said: float, best: Alignment, span: str
) -> Objection | None:
    """The scale with all its notes up to one of them an octave or a twelfth too high."""
    tops = np.unique(written)[_FEW - 1 : -1]
    for interval in (12, 19):
        scales = placed + interval * (written <= tops[:, None])
        costs = _costs(tones, scales)
        k = int(np.argmin(costs)) if len(tops) else 0
        if len(tops) and costs[k] <= as_said - _BETTER and np.mean(_matched(tones, scales[k]) >= 0) >= _HOLDS:
            return Objection(
                f"the notes up to {midi_to_note(int(tops[k]))} sound {_INTERVALS[interval]} higher than the sheet says"
                f" ({span}): overblown, or the upper part played twice?",
                unusable=bool(best.found.mean() < _LEAST_FOUND),
            )
    return None


def _too_little(
    tones: _Tones, written: Ints, placed: Floats, best: Alignment, hop_s: float, span: str
) -> Objection | None:
    """What a recording holds in which much of the scale was not found."""
    share = float(best.found.mean())
    if share >= _HOLDS:
        return None
    count = f"{int(best.found.sum())} of {len(written)} expected notes found ({span})"
    length_s = (tones.last - tones.first + 1) * hop_s
    fleeting = len(length_s) < _FEW or np.median(length_s) < _STEADY_S
    if fleeting and (share < _LEAST_FOUND or _in_tune(tones) < _TUNED):
        return Objection(f"no such scale in it: {count}, hardly a steady tone: speech, noise or nothing played?", True)
    matched = _matched(tones, placed)
    there = np.nonzero(matched >= 0)[0]
    whole = len(there) > 1 and len(there) >= _ALL_THERE * (there[-1] - there[0] + 1)
    if whole and tones.weight[matched[there]].sum() >= _HOLDS * tones.weight.sum():
        ends = " to ".join(midi_to_note(int(written[i])) for i in (there[0], there[-1]))
        return Objection(f"holds {ends} only, {count}: a smaller range than the sheet says?", share < _LEAST_FOUND)
    if share >= _LEAST_FOUND:
        return None
    return Objection(f"no such scale in it: {count}; another pattern or range than the sheet says?", True)


def tone_of_frames(evidence: Evidence) -> Floats:
    """(T,) the pitch that each frame holds, NaN where it holds no clear one."""
    best = np.argmax(evidence.score, axis=1)
    clear = evidence.score[np.arange(len(best)), best] > _CLEAR
    return np.where(clear, evidence.grid_midi[best], np.nan)


def runs_of_tone(pitch: Floats) -> Floats:
    """(K, 4) mean pitch, number of frames, first and last frame of the tones in the frames' pitches (T,)."""
    frames = np.nonzero(~np.isnan(pitch))[0]
    runs: list[list[float]] = []
    for t, midi in zip(frames.tolist(), pitch[frames].tolist(), strict=True):
        for run in runs[: -_LOOK_BACK - 1 : -1]:
            if abs(midi - run[0]) <= _TOGETHER and t - run[3] <= _GLITCH_FRAMES:
                run[0] += (midi - run[0]) / (run[1] + 1)
                run[1], run[3] = run[1] + 1, t
                break
        else:
            runs.append([midi, 1, t, t])
    return np.array([run for run in runs if run[1] >= _LEAST_FRAMES]).reshape(-1, 4)


def tones_between(evidence: Evidence, notes: list[tuple[Span, float]]) -> dict[Span, float]:
    """First and last frame, and pitch, of the tones that sound between two of the notes (span, pitch) and are neither.

    A tone at the pitch of the note before or after is its echo, or a part of it; one of less than half the shorter's
    length is how that begins or ends.
    """
    tones: dict[Span, float] = {}
    for ((start, end), before), ((begin, stop), after) in pairwise(notes):
        least = max(_LEAST_FRAMES, min(end - start, stop - begin) / 2)
        if begin - end > least:
            runs = runs_of_tone(tone_of_frames(replace(evidence, score=evidence.score[end + 1 : begin])))
            frames = end + 1 + runs[:, 2:].astype(int)
            for pitch, (first, last) in zip(runs[:, 0].tolist(), frames.tolist(), strict=True):
                apart = min(abs(pitch - before), abs(pitch - after)) > _TOGETHER
                if first > end and last - first >= least and apart:
                    tones[first, last] = pitch
                    end = last
    return tones


def _heard(evidence: Evidence) -> _Tones:
    """The tones of a recording, whatever the sheet says; equal ones in a row are one."""
    kept = runs_of_tone(tone_of_frames(evidence))
    if not len(kept):
        return _Tones(*(np.empty(0) for _ in range(4)))
    start = np.nonzero(np.abs(np.diff(kept[:, 0], prepend=-np.inf)) > _TOGETHER)[0]
    count = np.add.reduceat(kept[:, 1], start)
    pitch = np.add.reduceat(kept[:, 0] * kept[:, 1], start) / count
    last = np.maximum.reduceat(kept[:, 3], start)
    return _Tones(pitch, kept[start, 2], last, np.minimum(1, count / np.median(count)) ** 2)


def _wheel(tones: _Tones, midi: float) -> complex:
    """Mean direction of the tones on a circle of one semitone that begins at `midi`; 0 without tones."""
    turned = tones.weight * np.exp(2j * np.pi * (tones.pitch - midi))
    return complex(turned.sum() / max(tones.weight.sum(), 1e-9))


def _phase(tones: _Tones, placed: Floats) -> float:
    """Semitones (−0.5 … 0.5) by which the tones lie off the semitones of the placed scale."""
    return float(np.angle(_wheel(tones, placed[0])) / (2 * np.pi))


def _in_tune(tones: _Tones) -> float:
    """1 where all tones lie whole semitones apart, near 0 where they lie anywhere."""
    return abs(_wheel(tones, 0.0))


def _differences(tones: _Tones, scales: Floats) -> Floats:
    """(M, …) cost of taking each tone for each note."""
    start, end = _AWAY
    shape = -1, *[1] * scales.ndim
    away = np.abs(tones.pitch.reshape(shape) - scales)
    hardly = np.maximum(1 - 2 * tones.weight, 0).reshape(shape)
    return 2 * np.clip((away - start) / (end - start), 0, 1) + hardly


def _costs(tones: _Tones, scales: Floats) -> Floats:
    """(K,) notes not heard and tones unexplained, at the least, when the tones are one of the scales (K, N) or (N,)."""
    scales = np.atleast_2d(scales)
    scales = scales[:, np.concatenate([[True], np.diff(scales[0]) != 0])]
    return _table(tones, scales)[-1][:, -1]


def _table(tones: _Tones, scales: Floats) -> list[Floats]:
    """After each tone (M + 1), the least cost (K, N + 1) of having come so far in the scales."""
    steps = np.arange(scales.shape[1] + 1.0)
    cost = np.tile(steps, (len(scales), 1))
    table = [cost]
    for weight, match in zip(tones.weight, _differences(tones, scales), strict=True):
        after = cost + weight
        np.minimum(after[:, 1:], cost[:, :-1] + match, out=after[:, 1:])
        cost = np.minimum.accumulate(after - steps, axis=1) + steps
        table.append(cost)
    return table


def _matched(tones: _Tones, scale: Floats) -> Ints:
    """(N,) number of the tone that each note is heard as, -1 where it is not heard."""
    matched = np.full(len(scale), -1)
    table = [cost[0] for cost in _table(tones, scale[None])]
    match = _differences(tones, scale)
    i, j = len(scale), len(tones.pitch)
    while i and j:
        here = table[j][i]
        if here > table[j - 1][i - 1] + match[j - 1, i - 1] - 1e-9 and match[j - 1, i - 1] < 1:
            i, j = i - 1, j - 1
            matched[i] = j
        elif here > table[j - 1][i] + tones.weight[j - 1] - 1e-9:
            j -= 1
        else:
            i -= 1
    return matched


def _glides(evidence: Evidence, nominal: Floats, best: Alignment) -> bool:
    """Whether most notes found glide on towards the next one, as in a sweep, instead of standing still."""
    if len(nominal) < 2:
        return False
    towards = np.sign(np.gradient(nominal))
    slides = []
    for i in np.nonzero(best.found & (towards != 0))[0]:
        near = np.abs(evidence.grid_midi - nominal[i] - best.offset_cents / 100) <= 1
        score = evidence.score[best.first[i] : best.last[i] + 1, near]
        track = evidence.grid_midi[near][np.argmax(score, axis=1)]
        time = np.arange(len(track)) - (len(track) - 1) / 2
        if len(track) >= _LEAST_FRAMES:
            slides.append(towards[i] * (time @ track) / (time @ time) * len(track))
    return len(slides) > 1 and float(np.median(slides)) > _GLIDE
