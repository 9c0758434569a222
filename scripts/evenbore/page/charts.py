"""Geometry of the small charts of one instrument, drawn by the page and by its sheet. Lengths in SVG units (px)."""

import math
from dataclasses import dataclass

import pandas as pd

from evenbore.report.curves import Curves, centred, profile
from evenbore.report.results import Results
from evenbore.report.words import number

WIDTH, HEIGHT = 720, 260
LEFT, RIGHT, TOP, BOTTOM = 46, 8, 22, 52
AXIS_STEPS = (0.5, 1, 2, 5, 10, 20, 50, 100, 200)

CHART_MEASURES = {
    "cents": ("Intonation", "cents from its own median"),
    "brightness_db": ("Evenness of brightness", "dB from its own median"),
    "level_dbfs": ("Evenness of level", "dB from its own median"),
}
"""Measure -> title and axis of its chart in each instrument's section; all from the instrument's own median."""
LEGENDS = {
    "cents": "Grey band: the tolerance; diamonds: notes beyond it; whiskers: 90 % interval.",
    "": "Grey band: middle 80 % of the other instruments, dashed their median; whiskers: 90 % interval.",
}


@dataclass(frozen=True)
class Bar:
    """An interval on a common scale, all in per cent of the width; `low`, `high` None: no interval."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class NoteChart:
    """A curve over the notes: `points` (x, y, y of low, y of high, name, marked), `band` a polygon (text),
    `line` and `middle` polylines (text), ticks as (place, text)."""

    title: str
    axis: str
    legend: str
    points: list[tuple]
    line: str
    band: str
    middle: str
    x_ticks: list[tuple[float, str]]
    y_ticks: list[tuple[float, str]]


def bars(rows: pd.DataFrame) -> dict[str, Bar]:
    """Bars of one criterion's rows (instrument, value, low, high) on the scale that holds them all."""
    known = rows.dropna(subset="value")
    ends = pd.concat([known["value"], known["low"], known["high"]])
    bottom, span = ends.min(), (ends.max() - ends.min()) or 1.0

    def place(value: float) -> float | None:
        return None if pd.isna(value) else round(4 + 92 * (value - bottom) / span, 1)

    return {row.instrument: Bar(place(row.value), place(row.low), place(row.high)) for row in known.itertuples()}


def centred_profiles(results: Results) -> dict[str, Curves]:
    """The curves of each of CHART_MEASURES, each instrument from its own median."""
    return {measure: Curves(centred(profile(results, measure))) for measure in CHART_MEASURES}


def instrument_charts(results: Results, name: str, profiles: dict[str, Curves]) -> list[NoteChart]:
    """The charts of one instrument, those without data left out; `profiles` from `centred_profiles`."""
    made = []
    for measure, (title, axis) in CHART_MEASURES.items():
        curves = profiles[measure]
        own = curves.of(name)
        if own.empty:
            continue
        if measure == "cents":
            allowed = results.tolerance_cents(name)
            band = pd.DataFrame({"low": -allowed, "middle": 0.0, "high": allowed}, index=own["written"])
            limits = min(-1.2 * allowed, curves.values[0]), max(1.2 * allowed, curves.values[1])
            marked = set(own.loc[own["value"].abs() > allowed, "written"])
        else:  # what stands out among the peers is for the findings, which are controlled for chance
            band = curves.peers_band(name)
            limits = curves.ends
            marked = set()
        legend = LEGENDS.get(measure, LEGENDS[""])
        made.append(note_chart(title, axis, legend, own, band, limits, marked))
    return made


def note_chart(
    title: str, axis: str, legend: str, own: pd.DataFrame, band: pd.DataFrame, limits, marked: set
) -> NoteChart:
    """The curve of one instrument.

    `own`: written, written_note, value, low, high, sorted by `written`; `band`: low, middle, high by written note;
    `limits`: lowest and highest value shown, alike for all instruments; `marked`: written notes set off.
    """
    first, last = own["written"].min(), max(own["written"].max(), own["written"].min() + 1)
    bottom, top = limits

    def x(note: float) -> float:
        return round(LEFT + 6 + (WIDTH - LEFT - RIGHT - 12) * (note - first) / (last - first), 1)

    def y(value: float) -> float:
        value = min(max(value, bottom), top)
        return round(TOP + (HEIGHT - TOP - BOTTOM) * (top - value) / (top - bottom), 1)

    points = [
        (x(r.written), y(r.value), None if pd.isna(r.low) else y(r.low), None if pd.isna(r.high) else y(r.high),
         r.written_note, r.written in marked)
        for r in own.itertuples(index=False)
    ]  # fmt: skip
    inside = band[(band.index >= first) & (band.index <= last)]
    edge = [(note, r.low) for note, r in inside.iterrows()] + [(note, r.high) for note, r in inside[::-1].iterrows()]
    step = next((s for s in AXIS_STEPS if (top - bottom) / s <= 6), AXIS_STEPS[-1])
    ticks = [step * k for k in range(math.ceil(bottom / step), math.floor(top / step) + 1)]
    every = 1 if len(own) <= 40 else 2
    return NoteChart(
        title,
        axis,
        legend,
        points,
        _path((px, py) for px, py, *_ in points),
        _path((x(note), y(value)) for note, value in edge),
        _path((x(note), y(r.middle)) for note, r in inside.iterrows()),
        [(point[0], point[4]) for point in points[::every]],
        [(y(tick), number(tick, 1 if step < 1 else 0)) for tick in ticks],
    )


def _path(points) -> str:
    return " ".join(f"{x},{y}" for x, y in points)
