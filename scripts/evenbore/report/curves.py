"""Curves over the notes: one instrument's profile, what its peers do, and what of it is drawn where.

Frames are rows of note_profiles with a column `written` (written note number); `value`, `low`, `high` in the unit
of the measure. A `NoteChart` is in these units too, written notes across and values upwards; figures, page, sheets and
tickets bring it to their own by `place_on`.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from evenbore.compare.pairs import in_state
from evenbore.facts.measures import WORDINGS
from evenbore.report.results import Results
from evenbore.report.words import number
from evenbore.trade.pitch import note_to_midi

CHART_MEASURES = {
    "cents": ("Intonation", "cents from its own median"),
    "brightness_db": (f"Evenness of {WORDINGS['brightness_db'].word}", "dB from its own median"),
    "level_dbfs": ("Evenness of level", "dB from its own median"),
}
"""Measure -> title and axis of the chart of one instrument; all from the instrument's own median."""

CURVE_COLUMNS = ["instrument", "group", "written_note", "register", "value", "low", "high"]
LEAST_PEERS = 3
PEERS_BAND = {"low": 0.1, "middle": 0.5, "high": 0.9}
AXIS_STEPS = (0.5, 1, 2, 5, 10, 20, 50, 100, 200)
MOST_STEPS = 6
_MARGIN = 0.04  # of the span of values, above and below
MOST_NOTE_NAMES = 40  # names of notes along the whole width of a page


def profile(results: Results, measure: str) -> pd.DataFrame:
    """All instruments' rows of a measure at the base dynamic, sorted by `written`: that column and CURVE_COLUMNS."""
    rows = results.tables["note_profiles"]
    wanted = (rows["measure"] == measure) & (rows["dynamic"] == results.study.config["base_dynamic"])
    rows = in_state(rows[wanted], results.states)[CURVE_COLUMNS]
    written = {note: note_to_midi(note) for note in rows["written_note"].unique()}
    return rows.assign(written=rows["written_note"].map(written).astype(int)).sort_values("written")


def centred(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with value, low and high less the instrument's own median over its notes."""
    middle = rows.groupby("instrument")["value"].transform("median")
    return rows.assign(**{column: rows[column] - middle for column in ("value", "low", "high")})


def place_on(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    """The straight line that brings `low` to `start` and `high` to `end`."""
    return lambda value: start + (end - start) * (value - low) / (high - low)


def limits_of(values: pd.Series | pd.DataFrame, share: float) -> tuple[float, float]:
    """Limits of an axis: the lowest and the highest of the values that are known, and a share of their span beyond."""
    low, high = float(np.nanmin(values.to_numpy(float))), float(np.nanmax(values.to_numpy(float)))
    beyond = share * (high - low) or 1.0
    return low - beyond, high + beyond


def ticks_between(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Round values from `low` to `high`, about `most` at most, for the ticks of an axis, and how they are written.

    >>> ticks_between(-0.04, 0.07, 3)
    [(0.0, '0.00'), (0.05, '0.05')]
    """
    steps = [(m * 10.0**k, max(0, -k)) for k in range(-4, 7) for m in (1, 2, 5)]
    step, decimals = next((one for one in steps if (high - low) / one[0] <= most), steps[-1])
    first = -(-low // step)
    values = (step * (first + k) for k in range(int((high - step * first) // step) + 1))
    return [(value, number(value, decimals)) for value in values]


def named(notes: Sequence[int], room: int) -> list[int]:
    """The written notes to be named along an axis with room for `room` names: all, or every C and F."""
    return list(notes) if len(notes) <= room else [note for note in notes if note % 12 in (0, 5)]


def note_names(rows: pd.DataFrame, room: int) -> dict[int, str]:
    """The `named` notes of the rows, in rising order, and their names."""
    names = rows.drop_duplicates("written").set_index("written")["written_note"].sort_index()
    return cast(dict[int, str], names[named(names.index.tolist(), room)].to_dict())


@dataclass(frozen=True)
class NoteChart:
    """The curve of one instrument. `points`: its rows (sorted by `written`) with a column `marked`; `band`: low,
    middle, high by written note; `notes`: first and last note; `borders`: between two notes, where another register
    begins; `limits` (lowest and highest value) and `ticks` (value -> text): alike for all instruments."""

    title: str
    axis: str
    legend: str
    points: pd.DataFrame
    band: pd.DataFrame
    notes: tuple[int, int]
    borders: list[float]
    limits: tuple[float, float]
    ticks: dict[float, str]


class Curves:
    """The curves of one of CHART_MEASURES. `rows`: all (from `profile`); `tolerances`: of each instrument, if that is
    what its notes are held against, not its peers; `limits`, `ticks`: of the values' axis, as in NoteChart."""

    def __init__(self, measure: str, rows: pd.DataFrame, tolerances: Mapping[str, float] | None = None):
        self.title, self.axis = CHART_MEASURES[measure]
        self.rows, self.tolerances = rows, tolerances
        self._places = rows.groupby("instrument").indices
        self.limits, self.ticks = _value_axis(rows, max((tolerances or {}).values(), default=0.0))
        known = rows.dropna(subset="value")
        # (notes, instruments) of each group, every note's values in rising order, NaN last
        self._values = {group: part.pivot(index="written", columns="instrument", values="value")
                        for group, part in known.groupby("group")}  # fmt: skip
        self._rising = {group: np.sort(table.to_numpy(float), axis=1) for group, table in self._values.items()}

    def of(self, instrument: str) -> pd.DataFrame:
        """The rows of one instrument."""
        return self.rows.iloc[self._places.get(instrument, [])]

    def peers_band(self, instrument: str) -> pd.DataFrame:
        """low, middle, high (10 %, 50 %, 90 % of the other instruments of its group) by written note.

        Notes with fewer than LEAST_PEERS others are left out.
        """
        group = self.of(instrument)["group"].iloc[0]
        if group not in self._values:
            return pd.DataFrame(columns=list(PEERS_BAND), dtype=float)
        table, rising = self._values[group], self._rising[group]
        of_instrument = table.get(instrument, pd.Series(np.nan, table.index)).to_numpy(float)[:, None]
        place = np.where(np.isnan(of_instrument), rising.shape[1], (rising < of_instrument).sum(axis=1, keepdims=True))
        last = np.isfinite(rising).sum(axis=1, keepdims=True) - np.isfinite(of_instrument) - 1  # of the others
        enough = (last >= LEAST_PEERS - 1).ravel()
        rows, place, last = rising[enough], place[enough], last[enough]

        def others(k: np.ndarray) -> np.ndarray:
            return np.take_along_axis(rows, k + (k >= place), axis=1)  # past the instrument itself

        band = {}
        for name, share in PEERS_BAND.items():
            below = np.floor(share * last).astype(int)
            low, high = others(below), others(np.minimum(below + 1, last))
            band[name] = (low + (high - low) * (share * last - below)).ravel()
        return pd.DataFrame(band, index=table.index[enough])

    def chart(self, instrument: str) -> NoteChart:
        """The chart of an instrument that has rows."""
        points = self.of(instrument)
        first, last = points["written"].iloc[[0, -1]]
        if self.tolerances:
            allowed = self.tolerances[instrument]
            band = pd.DataFrame({"low": -allowed, "middle": 0.0, "high": allowed}, index=points["written"])
            points, legend = (
                points.assign(marked=points["value"].abs() > allowed),
                "the tolerance; diamonds: notes beyond it",
            )
        else:  # what stands out among the peers is for the findings, which are controlled for chance
            band = self.peers_band(instrument).loc[first:last]
            points, legend = points.assign(marked=False), "middle 80 % of the other instruments, dashed their median"
        legend = f"Grey band: {legend}; whiskers: 90 % interval; dotted: new register."
        notes = first, max(last, first + 1)
        return NoteChart(self.title, self.axis, legend, points, band, notes, _borders(points), self.limits, self.ticks)


def curves_of(results: Results, measure: str) -> Curves:
    """The curves of a measure of CHART_MEASURES."""
    rows = centred(profile(results, measure))
    if measure != "cents":
        return Curves(measure, rows)
    return Curves(measure, rows, {name: results.tolerance_cents(name) for name in rows["instrument"].unique()})


def all_curves(results: Results) -> dict[str, Curves]:
    """The curves of each measure of CHART_MEASURES."""
    return {measure: curves_of(results, measure) for measure in CHART_MEASURES}


def charts(profiles: Mapping[str, Curves], instrument: str) -> list[NoteChart]:
    """The charts of one instrument, those without data left out."""
    return [curves.chart(instrument) for curves in profiles.values() if len(curves.of(instrument))]


def _value_axis(rows: pd.DataFrame, tolerance: float) -> tuple[tuple[float, float], dict[float, str]]:
    """Limits that hold all values, intervals and the widest tolerance, and the ticks between them."""
    ends = pd.concat([rows["value"], rows["low"], rows["high"], pd.Series([-tolerance, tolerance])])
    low, high = limits_of(ends, _MARGIN)
    step = next((step for step in AXIS_STEPS if (high - low) / step <= MOST_STEPS), AXIS_STEPS[-1])
    ticks = [step * k for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
    return (low, high), {tick: number(tick, 1 if step < 1 else 0) for tick in ticks}


def _borders(rows: pd.DataFrame) -> list[float]:
    """Half a note below each written note at which another register begins; `rows` sorted by `written`."""
    register = rows["register"].fillna("")
    begins = (register != register.shift()).to_numpy() & (np.arange(len(rows)) > 0)
    return (rows["written"][begins] - 0.5).tolist()
