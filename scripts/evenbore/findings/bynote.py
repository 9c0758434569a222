"""A pattern note by note, as the text of one cell: what was found and what the pattern expects, dB around 2 kHz.

"Bb3 -12.1 -11.8; B3 ? -11.5": written note, found, expected; `?` where the note was not measured or does not sound.
"""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from evenbore.facts.arrays import Floats, Ints
from evenbore.trade.pitch import midi_to_note, note_to_midi


class NotePattern(NamedTuple):
    """One note (written number) of a pattern: `found` and `expected` in dB against the others; NaN: not measured."""

    written: int
    found: float
    expected: float


def fitted_pattern(written: Ints, found: Floats, shape: Floats) -> list[NotePattern]:
    """The notes (N,) with a pattern's `shape` brought to the height of what was `found` by least squares."""
    known = np.isfinite(found)
    scale = float(found[known] @ shape[known]) / max(float(shape[known] @ shape[known]), 1e-9)
    return [NotePattern(*one) for one in zip(written.tolist(), found.tolist(), (scale * shape).tolist(), strict=True)]


def to_text(notes: Iterable[NotePattern]) -> str:
    """The cell."""
    return "; ".join(f"{midi_to_note(one.written)} {_number(one.found)} {_number(one.expected)}" for one in notes)


def from_text(cell: object) -> list[NotePattern]:
    """What a cell holds; nothing of an empty one."""
    parts = [part.split() for part in cell.split(";")] if isinstance(cell, str) else []
    return [NotePattern(note_to_midi(note), _read(found), _read(expected)) for note, found, expected in parts]


def _number(value: float) -> str:
    return "?" if np.isnan(value) else f"{round(value, 1) + 0.0:.1f}"


def _read(text: str) -> float:
    return np.nan if text == "?" else float(text)
