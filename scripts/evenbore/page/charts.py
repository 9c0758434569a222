"""Small charts of the page in SVG units (px): bars in the table, the field of curves, where texts have room."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, cast

import pandas as pd

FRAME = {"width": 720, "height": 260, "left": 46, "right": 712, "top": 22, "bottom": 208, "inset": 6}
"""A picture of a curve: its size, the edges of the field, how far within it the first and last note stand."""


@dataclass(frozen=True)
class Bar:
    """An interval on a common scale, all in per cent of the width; `low`, `high` None: no interval."""

    value: float
    low: float | None
    high: float | None


def bars(rows: pd.DataFrame) -> dict[str, Bar]:
    """Bars of one criterion's rows (instrument, value, low, high) on the scale that holds them all."""
    known = rows.dropna(subset="value")
    ends = pd.concat([known["value"], known["low"], known["high"]])
    bottom: float = ends.min()
    span: float = (ends.max() - ends.min()) or 1.0

    def place(value: float) -> float | None:
        return None if pd.isna(value) else round(4 + 92 * (value - bottom) / span, 1)

    drawn: Iterable[Any] = known.itertuples()
    return {row.instrument: Bar(cast(float, place(row.value)), place(row.low), place(row.high)) for row in drawn}


def place_texts(
    places: list[tuple[float, float]], texts: list[str], sides: tuple[float, float], letter: float = 7.2
) -> list[tuple[str, float, float, str]]:
    """Where to write a text beside each point (px): text, x, y of its foot, anchor; the first of several places where
    it covers no other text and no point, within `sides`. `letter`: width of a letter."""
    taken: list[tuple[float, float, float, float]] = [(x - 6, y - 6, x + 6, y + 6) for x, y in places]
    out = []
    for (x, y), text in zip(places, texts, strict=True):
        size = letter * len(text)
        tries = [(x + dx, y + dy, anchor) for dx, dy, anchor in (
            (9, 4, "start"), (-9, 4, "end"), (0, -10, "middle"), (0, 19, "middle"), (9, -8, "start"),
            (9, 16, "start"), (-9, -8, "end"), (-9, 16, "end"), (9, 28, "start"), (9, -20, "start"))]  # fmt: skip
        boxes = []
        for at, foot, anchor in tries:
            left = at - size * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
            boxes.append((left, foot - 11, left + size, foot + 3))
        free = [sides[0] <= b[0] and b[2] <= sides[1] and not any(_overlap(b, t) for t in taken) for b in boxes]
        best = free.index(True) if any(free) else len(tries) - 1
        taken.append(boxes[best])
        at, foot, anchor = tries[best]
        out.append((text, round(at, 1), round(foot, 1), anchor))
    return out


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
