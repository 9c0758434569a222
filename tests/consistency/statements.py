"""One statement of an output about the study, and the numbers and notes in it.

A number as printed stands for all numbers that are printed so: an interval (low, high), e.g. "4.2" for (4.15, 4.25).
"""

import re
from dataclasses import dataclass
from typing import Any

Range = tuple[float, float]
NUMBER = r"[+−-]?\d+(?:\.\d+)?"
NOTE = r"(?<![\w#♯♭])[A-G][#b♯♭]?\d(?![\w.])"
SPAN = re.compile(rf"({NOTE})(?: to ({NOTE}))?")
_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


@dataclass(frozen=True)
class Statement:
    """What `source` says about `subject` (see `outputs`) of an instrument in a state.

    `instrument`: id, None of the study as a whole; `state`: None where the source names none, so that the current one
    is meant; `key`: what of the subject, such as the criterion, the set of priorities or the notes.
    """

    source: str
    subject: str
    instrument: str | None
    state: str | None
    key: Any
    claim: Any


@dataclass(frozen=True)
class Finding:
    """A finding as one source tells it; None for what it does not tell. `size`: signed, sharp and wide positive."""

    kind: str | None = None
    size: Range | None = None
    unit: str | None = None
    tolerance: float | None = None
    confidence: float | None = None
    scope: str | None = None


def printed(text: str) -> Range:
    """All numbers that are printed like this one."""
    text = text.replace("−", "-").replace("\u00a0", " ").strip()
    half = 0.5 * 10.0 ** -len(text.partition(".")[2])
    return float(text) - half, float(text) + half


def exact(value: float) -> Range:
    """A number of a table, which has six significant digits."""
    half = 1e-5 * abs(value) + 1e-9
    return value - half, value + half


def share(text: str) -> Range:
    """A probability in per cent: '44 %', 'under 1 %', 'over 99 %'; as shares of one."""
    number = float(re.search(r"\d+", text).group())
    if "under" in text:
        return 0.0, number / 100
    if "over" in text:
        return number / 100, 1.0
    return (number - 0.5) / 100, (number + 0.5) / 100


def meet(a: Range, b: Range) -> bool:
    """Whether two numbers can be the same."""
    return max(a[0], b[0]) <= min(a[1], b[1]) + 1e-9


def midi(note: str) -> int:
    """A written note as a number, so that G#4 and Ab4 are one."""
    sign = {"#": 1, "♯": 1, "b": -1, "♭": -1}.get(note[1], 0)
    return _SEMITONES[note[0]] + sign + 12 * (int(note[-1]) + 1)


def span(text: str) -> tuple[int, int] | None:
    """The first note or notes that a text names, (first, last); None when it names none."""
    found = SPAN.search(text)
    return found and (midi(found[1]), midi(found[2] or found[1]))


def plain(key: str) -> str:
    """A key as the outputs write it: `worst_note_cents` -> worst note."""
    return " ".join(key.replace("_cents", "").replace("_", " ").split())
