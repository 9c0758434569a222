"""Found notes against what was played: which numbers are wrong, and which of these nothing warns of.

A row of the table of notes is about the true note that its span overlaps most. What can be wrong of it:

    label    another note sounds there, or none for most of the span
    pitch    f0_hz more than 25 cents from what sounds
    level    level_dbfs more than 2 dB from the note's own, after the take's median difference is taken off
    attack   attack_ms more than 30 ms from a planted rise, or there at all where none was recorded
    onset    onset_s more than 60 ms from the true one
    noise, high noise
             the air behind hnr_db, noise_high_db more than 3 dB from what is measured of the same take before room,
             recorder or file changed it, less what these are known to make a lasting noise louder by

An empty value is not wrong. Wrong and silent: confidence of `UNSURE` or more, and no flag on the note that puts the
measure in doubt.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from evenbore.facts.flags import UNSURE, read_flags
from evenbore.facts.rows import Row

from .play import Truth

PITCH_CENTS, LEVEL_DB, ATTACK_MS, ONSET_S, NOISE_DB = 25.0, 2.0, 30.0, 0.06, 3.0
COVERED = 0.6
MEASURES = {
    "label": "midi",
    "pitch": "f0_hz",
    "level": "level_dbfs",
    "attack": "attack_ms",
    "onset": "onset_s",
    "noise": "hnr_db",
    "high noise": "noise_high_db",
}
# What a flag says of a note beyond the measures it puts in doubt (`evenbore.facts.flags`): that its name or its
# beginning is to be read with care.
MARKED = {
    "unsure": ("label", "onset"),
    "far_off": ("label", "pitch"),
    "other_name": ("label",),
    "onset_vague": ("onset",),
    "too_short": ("label", "onset"),
    "level_moves": ("label", "onset"),
    "no_clear_pitch": ("label", "onset"),
    "repeated": ("onset",),
    "cracked": ("onset",),
    "cut_off": ("onset",),
    "dropout": ("onset",),
}


@dataclass
class Score:
    """One take. `wrong`, `silent`: measure -> notes; `wrong_notes`, `silent_notes`: notes with any of them. `right`,
    `doubted`: measure -> values not known to be wrong, and how many of them a flag puts in doubt. `missed`:
    notes of whole passes that nothing was found of. `pitch_errors`: pairs (error, stated standard error), cents.
    `confidence`: of each note (stated, 1 where note and pitch are right, 1 where a flag puts either in doubt).
    `failures`: words about every note that is silently wrong."""

    played: int = 0
    found: int = 0
    wrong_notes: int = 0
    silent_notes: int = 0
    missed: int = 0
    wrong: dict[str, int] = field(default_factory=lambda: dict.fromkeys(MEASURES, 0))
    silent: dict[str, int] = field(default_factory=lambda: dict.fromkeys(MEASURES, 0))
    right: dict[str, int] = field(default_factory=lambda: dict.fromkeys(MEASURES, 0))
    doubted: dict[str, int] = field(default_factory=lambda: dict.fromkeys(MEASURES, 0))
    pitch_errors: list[tuple[float, float]] = field(default_factory=list)
    confidence: list[tuple[float, int, int]] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)


def score(
    truth: tuple[Truth, ...], rows: list[Row], plain_rows: list[Row] | None = None, louder_db: float = 0.0
) -> Score:
    """Score of one take; `plain_rows`: what was measured of it before the recording changed it, by which a lasting
    noise became `louder_db` louder."""
    asked = {(note.of_pass, step) for note in truth if note.of_pass for step in note.steps}
    result = Score(played=len(asked), found=len(rows))
    about = [_about(truth, row) for row in rows]
    level_db = _middle(
        row["level_dbfs"] - note.level_db for row, note in zip(rows, about, strict=True) if note is not None
    )
    plain = {row["step"]: row for row in plain_rows or []}
    for row, note in zip(rows, about, strict=True):
        errors = _errors(row, note, level_db, plain.get(row["step"]), louder_db)
        doubted = in_doubt(row["flags"])
        wrong = [name for name, (_, is_wrong) in errors.items() if is_wrong]
        silent = [name for name in wrong if row["confidence"] >= UNSURE and name not in doubted]
        result.wrong_notes += bool(wrong)
        result.silent_notes += bool(silent)
        for name in wrong:
            result.wrong[name] += 1
        for name in {name for name, column in MEASURES.items() if not math.isnan(row[column])}.difference(wrong):
            result.right[name] += 1
            result.doubted[name] += name in doubted
        for name in silent:
            result.silent[name] += 1
        if silent:
            result.failures.append(_words(row, note, {name: errors[name][0] for name in silent}))
        right = not (errors["label"][1] or errors["pitch"][1])
        result.confidence.append((row["confidence"], int(right), int(not doubted.isdisjoint(("label", "pitch")))))
        if note is not None and not errors["label"][1]:
            asked -= {(note.of_pass, step) for step in note.steps}
            if math.isfinite(errors["pitch"][0]):
                result.pitch_errors.append((errors["pitch"][0], row["f0_se_cents"]))
    result.missed = len(asked)
    return result


def in_doubt(flags: str) -> set[str]:
    """The measures, by the names of `MEASURES`, that a note's flags warn of."""
    doubted = set()
    for one in read_flags(flags):
        doubted |= {*MARKED.get(one.flag.word, ())}
        doubted |= {name for name, column in MEASURES.items() if column in one.doubts}
    return doubted


def holds(reason: str, words: tuple[str, ...]) -> bool:
    """Whether a reason holds one of these words."""
    return any(re.search(rf"\b{word}", reason, re.IGNORECASE) for word in words)


def _about(truth: tuple[Truth, ...], row: Row) -> Truth | None:
    """The true note that a row's span overlaps most; None where none does."""
    overlap = [min(note.offset_s, row["offset_s"]) - max(note.onset_s, row["onset_s"]) for note in truth]
    most = int(np.argmax(overlap)) if overlap else 0
    return truth[most] if overlap and overlap[most] > 0 else None


def _errors(
    row: Row, note: Truth | None, level_db: float, plain: Row | None, louder_db: float
) -> dict[str, tuple[float, bool]]:
    """Measure -> how far off (NaN: not known), and whether that is wrong."""
    if note is None:
        return dict.fromkeys(MEASURES, (math.nan, False)) | {"label": (math.nan, True)}
    shared = min(note.offset_s, row["offset_s"]) - max(note.onset_s, row["onset_s"])
    covered = shared / max(1e-9, row["offset_s"] - row["onset_s"])
    pitch = 1200 * math.log2(row["f0_hz"] / note.hz) if row["f0_hz"] > 0 else math.nan
    level = row["level_dbfs"] - note.level_db - level_db
    attack = row["attack_ms"] - note.attack_ms
    onset = row["onset_s"] - note.onset_s
    air, before = _air_db(row), (math.nan, math.nan) if plain is None else _air_db(plain)
    noise, high = (now - then - louder_db for now, then in zip(air, before, strict=True))
    return {
        "label": (covered, covered < COVERED or note.midi != row["midi"]),
        "pitch": (pitch, abs(pitch) > PITCH_CENTS),
        "level": (level, abs(level) > LEVEL_DB),
        "attack": (attack, abs(attack) > ATTACK_MS),
        "onset": (onset, abs(onset) > ONSET_S),
        "noise": (noise, abs(noise) > NOISE_DB),
        "high noise": (high, abs(high) > NOISE_DB),
    }


def _air_db(row: Row) -> tuple[float, float]:
    """Level of the air's noise, and of that above 2 kHz."""
    return row["level_dbfs"] - row["hnr_db"], row["level_dbfs"] + row["noise_high_db"]


def _middle(differences: Iterable[float]) -> float:
    """Median of what is known; 0 of nothing."""
    known = [difference for difference in differences if math.isfinite(difference)]
    return float(np.median(known)) if known else 0.0


def _words(row: Row, note: Truth | None, errors: dict[str, float]) -> str:
    shown = ", ".join(f"{name} {error:+.2f}" for name, error in errors.items())
    here = "nothing" if note is None else f"midi {note.midi} from {note.onset_s:.2f} to {note.offset_s:.2f} s"
    span = f"{row['onset_s']:.2f}-{row['offset_s']:.2f} s, {row['f0_hz']:.1f} Hz, confidence {row['confidence']:.2f}"
    return f"step {row['step']}, midi {row['midi']}, {span} [{row['flags']}]: {shown}; {here} sounds"
