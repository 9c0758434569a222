"""Note strip and tube as plain shapes, in millimetres from the top left corner of a drawing DRAWING_WIDTH_MM wide.

The strip is a row of cells, one a written note, sharps half as tall; what is found on notes lies under them as numbered
bars, and over them, note by note, how dull a pattern is found to be and expected. The tube runs from mouthpiece to bell
with its holes in order, evenly spaced: their true places are not known.
No meaning lies in colour alone: bars and regions carry the number of their finding.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from html import escape

import numpy as np
from markupsafe import Markup

from evenbore.facts.rows import Row
from evenbore.findings.bynote import NotePattern, from_text
from evenbore.report.curves import named, place_on
from evenbore.report.pdf import INNER
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_note, note_to_midi

DRAWING_WIDTH_MM = float(INNER)
_MOST_NAMES = 12  # names of notes along the strip
CELL_MM, BAR_MM = 9.0, 3.4
PATTERN_MM = 22.0
LEGEND = "dB around 2 kHz against the others, the rest of the scale being 0; grey: found, line: expected, ×: not heard"
_DARK, _PALE, _LIGHT = "#222222", "#c9c9c9", "#f2f2f2"
SHARPS = (1, 3, 6, 8, 10)
RAISED = ("palm", "side")  # keys drawn on the tube's edge
TUBE_LEGEND = "rings: vents, by the lowest note they open for; on the edge: palm and side keys"


@dataclass(frozen=True)
class Mark:
    """Written notes `low` to `high` that finding `number` is about; for a tube, the holes that open for them."""

    low: int
    high: int
    number: int


@dataclass(frozen=True)
class Shape:
    """`kind` rect, circle or text, at x, y (a circle's centre, the middle of a text's base line)."""

    kind: str
    x: float
    y: float
    w: float = 0.0
    h: float = 0.0
    fill: str = "#ffffff"
    text: str = ""
    size: float = 2.8


def height(shapes: list[Shape]) -> float:
    """Height of a drawing, mm."""
    return max((shape.y + max(shape.h, 1.0) for shape in shapes), default=0.0) + 0.5


def findings_strip(family: Family, findings: Sequence[Row]) -> list[Shape]:
    """The strip with rows of findings.tsv numbered in their order from 1, and the first pattern among them."""
    marks = [
        Mark(note_to_midi(one["first_note"]), note_to_midi(one["last_note"]), n) for n, one in enumerate(findings, 1)
    ]
    return strip(family, marks, next(filter(None, (from_text(one["by_note"]) for one in findings)), []))


def strip(family: Family, marks: list[Mark], pattern: Sequence[NotePattern] = ()) -> list[Shape]:
    """The family's notes in a row, with a numbered bar below for each mark, and the `pattern` above."""
    low, high = family.low, max([family.high, *(mark.high for mark in marks)])
    x_of, step = place_on(low, high + 1, 0, DRAWING_WIDTH_MM), DRAWING_WIDTH_MM / (high - low + 1)
    notes = range(low, high + 1)
    shapes = []
    for note in notes:
        sharp = note % 12 in SHARPS
        tall = CELL_MM / 2 if sharp else CELL_MM
        shapes.append(Shape("rect", x_of(note), 0, step, tall, _PALE if sharp else "#ffffff"))
    for note in sorted({low, *named(notes, _MOST_NAMES), high}):
        shapes.append(Shape("text", x_of(note + 0.5), CELL_MM + 3, text=midi_to_note(note)))
    for row, mark in enumerate(marks):
        x, y = x_of(mark.low), CELL_MM + 4.5 + row * (BAR_MM + 0.8)
        wide = x_of(mark.high + 1) - x
        shapes.append(Shape("rect", x, y, wide, BAR_MM, _DARK))
        beside = x + wide + 2 if x + wide + 4 < DRAWING_WIDTH_MM else x - 2
        shapes.append(Shape("text", beside, y + BAR_MM - 0.8, text=str(mark.number)))
    above = _over_the_notes(pattern, x_of, step) if pattern else []
    return above + [replace(shape, y=shape.y + height(above)) for shape in shapes] if above else shapes


def _over_the_notes(pattern: Sequence[NotePattern], x_of: Callable[[float], float], step: float) -> list[Shape]:
    """Bars of what was found from the rest of the scale, and lines of what is expected."""
    values = np.array([(one.found, one.expected) for one in pattern])
    least, most = min(float(np.nanmin(values)), -1.0), max(float(np.nanmax(values)), 1.0)
    y_of = place_on(most, least, 4.5, PATTERN_MM)
    shapes = [Shape("text", DRAWING_WIDTH_MM / 2, 2.5, text=LEGEND)]
    for one in pattern:
        x = x_of(one.written)
        if np.isnan(one.found):
            shapes.append(Shape("text", x + step / 2, y_of(0) + 1, text="×"))
        else:
            top, foot = sorted((y_of(0), y_of(one.found)))
            shapes.append(Shape("rect", x + step * 0.2, top, step * 0.6, foot - top, _PALE))
        shapes.append(Shape("rect", x, y_of(one.expected) - 0.2, step, 0.4, _DARK))
    ends = {value: y_of(value) for value in (0.0, round(least))}
    return shapes + [
        Shape("text", DRAWING_WIDTH_MM - 6, y + 3, text=f"{value:.0f} dB".replace("-", "−"))
        for value, y in ends.items()
    ]


def svg(shapes: list[Shape], label: str) -> Markup:
    """The drawing for a page, on white."""
    tall = height(shapes) + 0.5
    lines = [
        f'<svg viewBox="-0.5 -0.5 {DRAWING_WIDTH_MM + 1} {tall}" role="img" aria-label="{escape(label)}">',
        f'<rect x="-0.5" y="-0.5" width="{DRAWING_WIDTH_MM + 1}" height="{tall}" fill="#fff"/>',
    ]
    for s in shapes:
        place = f'x="{s.x:.2f}" y="{s.y:.2f}"'
        if s.kind == "rect":
            size = f'width="{s.w:.2f}" height="{s.h:.2f}"'
            lines.append(f'<rect {place} {size} fill="{s.fill}" stroke="#222" stroke-width="0.2"/>')
        elif s.kind == "circle":
            place = f'cx="{s.x:.2f}" cy="{s.y:.2f}" r="{s.w}"'
            lines.append(f'<circle {place} fill="{s.fill}" stroke="#222" stroke-width="0.3"/>')
        else:
            lines.append(f'<text {place} font-size="{s.size}" text-anchor="middle" fill="#111">{escape(s.text)}</text>')
    return Markup("\n".join([*lines, "</svg>"]))


def tube(family: Family, regions: list[Mark], vents: list[Mark]) -> list[Shape]:
    """The tube with its vents and holes in order, vents by the lowest note they open for and holes by the first;
    nothing without a list of holes. `regions`: of holes; `vents`: the notes of findings that are about a vent."""
    if not family.holes:
        return []
    numbers: dict[tuple[int, int], list[str]] = {}
    for mark in regions:
        numbers.setdefault((mark.low, mark.high), []).append(str(mark.number))
    above = sorted(family.vents, key=lambda vent: -vent.low)  # the vent of the highest notes is nearest the player
    y, step = 9.0 + 2.5 * max(len(numbers) - 1, 0), (DRAWING_WIDTH_MM - 24) / (len(above) + len(family.holes))
    shapes = [Shape("rect", 12, y - 3, DRAWING_WIDTH_MM - 24, 6, _LIGHT)]
    ends = ("player", 5.5), ("bell", DRAWING_WIDTH_MM - 5)
    shapes += [Shape("text", x, y + 1, text=text) for text, x in ends]
    for row, ((low, high), findings) in enumerate(numbers.items()):
        inside = [n for n, hole in enumerate(family.holes, len(above)) if low <= hole.first_open_for <= high]
        if inside:
            x, wide = 12 + inside[0] * step, (inside[-1] - inside[0] + 1) * step
            shapes.append(Shape("rect", x, y - 4.5, wide, 9, _PALE))
            text = f"region of finding {', '.join(findings)}"
            shapes.append(Shape("text", x + wide / 2, y - 5.3 - row * 2.5, text=text))
    for n, vent in enumerate(above):
        x = 12 + (n + 0.5) * step
        told = [str(mark.number) for mark in vents if vent.low <= mark.low and mark.high <= vent.high]
        shapes += [Shape("circle", x, y, w=1.6, fill=_DARK if told else "#ffffff"), Shape("circle", x, y, w=0.7)]
        shapes.append(Shape("text", x, y + 8.2, text=midi_to_note(vent.low)))
        if told:
            shapes.append(Shape("text", x, y - 5.3, text=", ".join(told)))
    for n, hole in enumerate(family.holes, len(above)):
        x, raised = 12 + (n + 0.5) * step, hole.name.startswith(RAISED)
        shapes.append(Shape("circle", x, y - 3 if raised else y, w=1.2 if raised else 1.6))
        shapes.append(Shape("text", x, y + 8.2, text=midi_to_note(hole.first_open_for)))
    if above or any(hole.name.startswith(RAISED) for hole in family.holes):
        shapes.append(Shape("text", DRAWING_WIDTH_MM / 2, y + 12, text=TUBE_LEGEND))
    return shapes
