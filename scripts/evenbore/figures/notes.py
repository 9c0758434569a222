"""Figures note by note: intonation, evenness, treble against dynamic. One function per figure."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from evenbore.figures.entries import entry
from evenbore.figures.style import NothingToShow, Shift, name_ticks, panels, shaded, small_multiples
from evenbore.judge.takes import DYNAMICS
from evenbore.report.curves import centred, curves_of, limits_of, note_names, profile, ticks_between
from evenbore.report.results import Results
from evenbore.report.style import BLUE, GREY, ORANGE, PALE
from evenbore.setups.profiles import MATCHED

_MARGIN = 0.05  # of the span of values, beyond them
_MOST_NAMES = 12  # names of notes along a panel


def _needed(results: Results, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows, if there are any."""
    if rows.empty:
        raise NothingToShow(f"no notes were measured in takes at {results.study.config['base_dynamic']}")
    return rows


@entry("Notes", "How far each note is out of tune")
def intonation_map(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """Every row is an instrument, every column a written note. Colour: how far the note lies from the instrument's
    own median over all notes, in cents (purple flat, orange sharp). A number is printed where the note lies beyond
    the tolerance of the config (``tolerances: note_cents``); × means that the note was not measured. A column of
    one colour over many instruments is a habit of the family or of the player, a single dark cell one of that
    instrument.
    """
    rows = centred(_needed(results, profile(results, "cents")))
    table = rows.pivot_table(index="instrument", columns="written", values="value")
    table = table.reindex([name for name in shown if name in table.index])
    columns = rows[rows["instrument"].isin(shown)].drop_duplicates("written").set_index("written")["written_note"]
    allowed = np.array([results.tolerance_cents(name) for name in table.index])
    figure, (axes,) = panels(1, 1, 1.4 + 0.27 * len(table))
    beyond = np.abs(table.to_numpy()) > allowed[:, None]
    numbers = np.where(beyond, np.char.mod("%+.0f", np.nan_to_num(table.to_numpy())), "")
    limit = 1.25 * allowed.max()
    names = [labels[name] for name in table.index]
    mesh = shaded(axes, table.to_numpy(), numbers, "PuOr_r", (-limit, limit), "white", names)
    figure.colorbar(mesh, ax=axes, label="cents from own median", shrink=0.9, pad=0.01).outline.set_visible(False)
    for row, column in zip(*np.nonzero(table.isna().to_numpy()), strict=True):
        axes.text(column + 0.5, row + 0.5, "×", ha="center", va="center", color=GREY, size=7)
    name_ticks(axes.xaxis, np.arange(table.shape[1]) + 0.5, [columns[note] for note in table.columns])
    axes.tick_params(axis="x", labelrotation=90)
    axes.set_xlabel("written note")
    return figure


@entry("Notes", "How far each note is out of tune, with 90 % intervals")
def intonation_by_note(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One panel per instrument: deviation of each written note from the instrument's own median, in cents; whiskers
    are 90 % intervals from repeat takes. Grey band: the tolerance of the config (``tolerances: note_cents``); notes
    beyond it are set off by a diamond and named. Dotted lines: change of register. The whole instrument's offset is
    not shown here: pulling out or pushing in mends it.
    """
    return _by_note(results, shown, labels, "cents", "cents from own median")


@entry("Notes", "How even the treble is from note to note")
def evenness_treble(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One panel per instrument: treble of each written note (level of the harmonics above about 2 kHz relative to
    all of them, set-up taken out) from the instrument's own median, in dB; whiskers are 90 % intervals. Grey
    band: middle 80 % of the other instruments of the same comparability group, dashed: their median (drawn where
    there are at least three others). Dotted lines: change of register. A note below the band while its neighbours
    are inside it is poorer in treble than usual.
    """
    return _by_note(results, shown, labels, "brightness_db", "treble\nfrom own median, dB")


@entry("Notes", "How even the level is from note to note")
def evenness_level(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One panel per instrument: level of each written note relative to the instrument's own median, in dB, with the
    set-up taken out; whiskers are 90 % intervals. Grey band: middle 80 % of the other instruments of the same
    comparability group, dashed: their median (drawn where there are at least three others). Dotted lines: change of
    register. The room's resonances at single notes are partly still in it.
    """
    return _by_note(results, shown, labels, "level_dbfs", "level\nfrom own median, dB")


@entry("Notes", "Treble at a common loudness")
def treble_matched(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One panel per instrument: treble (level above about 2 kHz relative to the whole, set-up taken out) as it
    would be at a common loudness, so that who blew harder does not look richer in it; of each written note over the
    middle of all instruments of the same comparability group at that note, in dB. Whiskers are 90 % intervals; the
    orange line and the number are the median over the notes. Above zero: richer in treble than the others, which is a
    matter of taste, not of quality. Without soft and loud takes in the study nobody knows how treble follows
    loudness, and takes are compared as played.
    """
    rows = _needed(results, profile(results, MATCHED))
    rows = rows[rows.groupby("group")["instrument"].transform("nunique") > 1]
    if rows.empty:
        raise NothingToShow("no two instruments were recorded in set-ups that can be compared")
    middle = rows.groupby(["group", "written"])["value"].transform("median")
    rows = rows.assign(**{column: rows[column] - middle for column in ("value", "low", "high")})
    parts = [rows[rows["instrument"] == name] for name in shown if name in set(rows["instrument"])]
    typical = [round(part["value"].median(), 1) + 0.0 for part in parts]  # no -0.0
    titles = [f"{labels[part['instrument'].iloc[0]]}: {f'{middle:+.1f}'.replace('-', '−')} dB"
              for part, middle in zip(parts, typical, strict=True)]  # fmt: skip
    of_shown = pd.concat(parts)
    notes = limits_of(of_shown["written"], _MARGIN)
    limits = limits_of(of_shown[["low", "high", "value"]].assign(zero=0.0), _MARGIN)
    figure, axes, shift = small_multiples(
        titles, 1.75, notes, limits, note_names(rows, _MOST_NAMES), dict(ticks_between(*limits, 5))
    )
    axes.plot(*shift([(notes, [0, 0])] * len(parts)), color=GREY, lw=0.8)
    _draw_points(axes, shift, parts, lw=0)
    axes.plot(*shift([(notes, [middle, middle]) for middle in typical]), color=ORANGE, lw=1.2)
    figure.supxlabel("written note", size=9)
    figure.supylabel("treble at matched loudness\nover the middle of all, dB", size=9)
    return figure


def _by_note(results: Results, shown: list[str], labels: dict[str, str], measure: str, axis: str) -> Figure:
    """One panel per instrument: its curve over the notes, from its own median."""
    curves = curves_of(results, measure)
    _needed(results, curves.rows)
    shown = [name for name in shown if len(curves.of(name))]
    figure, axes, shift = small_multiples(
        [labels[name] for name in shown], 1.75, limits_of(curves.rows["written"], _MARGIN), curves.limits,
        note_names(curves.rows, _MOST_NAMES), curves.ticks,
    )  # fmt: skip
    charts = [curves.chart(name) for name in shown]
    notes, low, middle, high = shift([(c.band.index, c.band["low"], c.band["middle"], c.band["high"]) for c in charts])
    axes.fill_between(notes, low, high, color=PALE, lw=0)
    axes.plot(notes, middle, color=GREY, lw=0.8, ls="--")
    _draw_points(axes, shift, [chart.points for chart in charts], lw=0.8)
    at, low, high = shift([(c.borders, *([limit] * len(c.borders) for limit in curves.limits)) for c in charts])
    axes.vlines(at, low, high, color=GREY, lw=0.6, ls=":")
    marked = [chart.points[chart.points["marked"]] for chart in charts]
    diamonds = shift([(part["written"], part["value"]) for part in marked])
    axes.plot(*diamonds, ls="", marker="D", ms=5, mfc="none", mec=ORANGE)
    _write(axes, shift, [_runs(part) for part in marked], xytext=(-7, 0), size=7, ha="right", va="center")
    figure.supxlabel("written note", size=9)
    figure.supylabel(axis, size=9)
    return figure


def _runs(marked: pd.DataFrame) -> list[tuple[float, float, str]]:
    """Of each run of neighbouring notes the first one's place and the name: their own would overlap."""
    runs = (run for _, run in marked.groupby((marked["written"].diff() != 1).cumsum()))
    return [(*run[["written", "value"]].iloc[0], "–".join(run["written_note"].iloc[[0, -1]].unique())) for run in runs]


def _write(axes: Axes, shift: Shift, texts: list[list[tuple[float, float, str]]], **style: Any) -> None:
    """Write each panel's texts (x, y, text), moved by the offset `xytext` in points."""
    places = shift([tuple(np.array([place for *place, _ in part]).reshape(-1, 2).T) for part in texts])
    words = [text for part in texts for *_, text in [*part, ("",)]]
    for x, y, text in zip(*places, words, strict=True):
        if text:
            axes.annotate(text, (x, y), textcoords="offset points", **style)


def _draw_points(axes: Axes, shift: Shift, parts: list[pd.DataFrame], lw: float) -> None:
    """Each panel's values over the notes, with whiskers."""
    notes, value, low, high = shift([(part["written"], part["value"], part["low"], part["high"]) for part in parts])
    axes.vlines(notes, low, high, color=BLUE, lw=0.9)
    axes.plot(notes, value, color=BLUE, lw=lw, marker="o", ms=2.5)


@entry("Notes", "How treble follows loudness", on_page=True)
def treble_against_level(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One panel per instrument: treble (level above about 2 kHz relative to the whole, dB) against level (dB re
    full scale), medians over the notes, at each dynamic that was recorded; the set-up is taken out of both. Grey
    lines: the others of these instruments that are of the same comparability group. Every instrument gains treble when
    played louder; one whose line lies higher has more at the same level.
    """
    rows = results.compared("note_profiles")
    if rows["dynamic"].nunique() < 2:
        raise NothingToShow("it needs takes at two or more dynamics")
    rows = rows[rows["measure"].isin(["brightness_db", "level_dbfs"])]
    table = rows.pivot_table(index=["instrument", "dynamic"], columns="measure", values="value", aggfunc="median")
    table = table.dropna().reset_index()
    table = table.sort_values("dynamic", key=lambda column: column.map(DYNAMICS.index), kind="stable")
    several = table.groupby("instrument")["dynamic"].transform("size") > 1
    table = table[several]
    shown = [name for name in shown if name in set(table["instrument"])]
    if not shown:
        raise NothingToShow("no instrument has takes at two or more dynamics")
    groups = rows.groupby("instrument")["group"].first()
    lines = {
        name: of_instrument[["level_dbfs", "brightness_db"]].to_numpy()
        for name, of_instrument in table.groupby("instrument")
    }
    across = limits_of(table["level_dbfs"], _MARGIN)
    up = limits_of(table["brightness_db"], 0.2)
    titles = [labels[name] for name in shown]
    figure, axes, shift = small_multiples(
        titles, 1.75, across, up, dict(ticks_between(*across, 3)), dict(ticks_between(*up, 5))
    )
    gap = np.full((1, 2), np.nan)
    others = [np.concatenate([gap, *(part for other, line in lines.items() if other != name and groups[other] == group
                                     for part in (line, gap))])
              for name, group in groups[shown].items()]  # fmt: skip
    axes.plot(*shift([tuple(line.T) for line in others]), color="#c9c9c9", lw=0.8)
    axes.plot(*shift([tuple(lines[name].T) for name in shown]), color=BLUE, lw=1.2, marker="o", ms=4)
    parts = [table[table["instrument"] == name] for name in shown]
    dynamics = [list(zip(part["level_dbfs"], part["brightness_db"], part["dynamic"], strict=True)) for part in parts]
    _write(axes, shift, dynamics, xytext=(0, 5), size=8, ha="center", style="italic", weight="bold")
    figure.supxlabel("level (median over notes,\nset-up removed), dB re full scale", size=9)
    figure.supylabel("treble: level\nabove 2 kHz over all, dB", size=9)
    return figure
