"""Found notes against the notes played.

Notes match as in the MIREX note tracking task (mir_eval.transcription): onsets within 50 ms and pitches within
50 cents, one to one. True notes whose references failed count at their nominal pitch.
"""

import math
import warnings
from dataclasses import asdict, dataclass, field

import numpy as np

from rendering.render import TrueNote, note_hz

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from mir_eval import transcription

ONSET_S = 0.05
PITCH_CENTS = 50.0
LOOSE_ONSET_S = 0.5  # for the errors of onsets, so that those of more than 50 ms show as well
MISTAKES = {"octave": 1200, "twelfth": 1902, "two octaves": 2400}
MISTAKE_CENTS = 100.0


@dataclass(frozen=True)
class Found:
    """A note as found: seconds, Hz, and the stated probability of being the expected one (NaN: not stated)."""

    onset_s: float
    offset_s: float
    hz: float
    confidence: float = math.nan


@dataclass
class Score:
    """What one take came to. Counts of notes, and lists with one value for every note that has it.

    matched: onset and pitch agree. matched_offset: the offset too (within 50 ms or a fifth of the note).
    matched_onset: onsets alone. pitched: found under the right pitch, with whatever onset. spurious: found
    where no expected note sounds. mistaken: an octave, a twelfth or two octaves off the note that sounds.
    onset_ms, offset_ms, cents: found minus true. confidence: pairs (stated, 1 if right). failures: words about
    every note that went wrong.
    """

    played: int = 0
    found: int = 0
    matched: int = 0
    matched_offset: int = 0
    matched_onset: int = 0
    pitched: int = 0
    spurious: int = 0
    mistaken: int = 0
    onset_ms: list[float] = field(default_factory=list)
    offset_ms: list[float] = field(default_factory=list)
    cents: list[float] = field(default_factory=list)
    confidence: list[tuple[float, int]] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)

    def as_dict(self) -> dict:
        """Plain values for a JSON file."""
        return asdict(self)


def score(played: tuple[TrueNote, ...], found: list[Found], names: bool = True) -> Score:
    """Score of one take; `names`: list the failures."""
    reference, estimate = _arrays(played), _found_arrays(found)
    result = Score(played=len(played), found=len(found))
    matched = _match(reference, estimate, ONSET_S, None)
    result.matched = len(matched)
    result.matched_offset = len(_match(reference, estimate, ONSET_S, 0.2))
    result.matched_onset = len(transcription.match_note_onsets(reference[0], estimate[0], onset_tolerance=ONSET_S))
    loosely = _match(reference, estimate, LOOSE_ONSET_S, None)
    result.pitched = len(loosely)
    for true, mine in loosely:
        result.onset_ms.append(1000 * (found[mine].onset_s - played[true].onset_s))
        result.offset_ms.append(1000 * (found[mine].offset_s - played[true].offset_s))
    for true, mine in matched:
        if _certain(played[true]):
            result.cents.append(_cents(found[mine].hz, played[true].hz))
    hit = {mine for _, mine in matched}
    for mine, note in enumerate(found):
        sounding = _sounding(played, note)
        off = math.nan if sounding is None else _cents(note.hz, _pitch(sounding))
        mistake = next((name for name, size in MISTAKES.items() if abs(abs(off) - size) <= MISTAKE_CENTS), None)
        result.spurious += sounding is None
        result.mistaken += mistake is not None
        if not math.isnan(note.confidence):
            result.confidence.append((note.confidence, int(abs(off) <= PITCH_CENTS)))
        if names and mine not in hit:
            result.failures.append(_words(note, sounding, off, mistake))
    if names:
        missed = set(range(len(played))) - {true for true, _ in matched}
        result.failures += [f"not matched: {_played_words(played[true])}" for true in sorted(missed)]
    return result


def track_errors(played: tuple[TrueNote, ...], pitches: list[float]) -> tuple[list[float], int, int]:
    """Errors of a pitch told for every true note: cents (gross ones left out), gross ones, and of these mistaken."""
    cents, gross, mistaken = [], 0, 0
    for note, hz in zip(played, pitches, strict=True):
        off = _cents(hz, _pitch(note))
        if not abs(off) <= PITCH_CENTS:
            gross += 1
            mistaken += any(abs(abs(off) - size) <= MISTAKE_CENTS for size in MISTAKES.values())
        elif _certain(note):
            cents.append(off)
    return cents, gross, mistaken


def _arrays(played) -> tuple[np.ndarray, np.ndarray]:
    times = [(note.onset_s, max(note.offset_s, note.onset_s + 0.01)) for note in played]
    return np.array(times).reshape(-1, 2), np.array([_pitch(note) for note in played])


def _found_arrays(found: list[Found]) -> tuple[np.ndarray, np.ndarray]:
    times = [(note.onset_s, max(note.offset_s, note.onset_s + 0.01)) for note in found]
    return np.array(times).reshape(-1, 2), np.array([note.hz for note in found])


def _match(reference, estimate, onset_s: float, offset_ratio: float | None) -> list[tuple[int, int]]:
    if not len(reference[0]) or not len(estimate[0]):
        return []
    return transcription.match_notes(
        *reference,
        *estimate,
        onset_tolerance=onset_s,
        pitch_tolerance=PITCH_CENTS,
        offset_ratio=offset_ratio,
    )


def _pitch(note: TrueNote) -> float:
    """True pitch; the nominal one where the references found none."""
    return note_hz(note.midi) if math.isnan(note.hz) else note.hz


def _certain(note: TrueNote) -> bool:
    return not math.isnan(note.hz) and note.exact


def _sounding(played: tuple[TrueNote, ...], found: Found) -> TrueNote | None:
    """The played note that sounds at the middle of a found one, or within 50 ms of it."""
    middle = (found.onset_s + found.offset_s) / 2
    distance = [max(note.onset_s - middle, middle - note.offset_s, 0.0) for note in played]
    nearest = int(np.argmin(distance))
    return played[nearest] if distance[nearest] <= ONSET_S else None


def _cents(hz: float, true_hz: float) -> float:
    return 1200 * math.log2(hz / true_hz) if hz > 0 else math.nan


def _words(note: Found, sounding: TrueNote | None, off: float, mistake: str | None) -> str:
    here = f"found at {note.onset_s:.3f}-{note.offset_s:.3f} s, {note.hz:.1f} Hz, confidence {note.confidence:.2f}"
    if sounding is None:
        return f"spurious: {here}"
    if mistake:
        return f"{mistake} off: {here}"
    late = 1000 * (note.onset_s - sounding.onset_s)
    return f"off by {late:+.0f} ms, {off:+.1f} cents: {here}"


def _played_words(note: TrueNote) -> str:
    references = ", ".join(f"{_cents(hz, note_hz(note.midi)):+.1f}" for hz in note.references_hz)
    return f"step {note.step}, midi {note.midi} ({references} cents), {note.onset_s:.3f}-{note.offset_s:.3f} s"
