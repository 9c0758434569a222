"""Figures note by note: intonation, evenness, treble against dynamic. One function per figure."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from evenbore.figures.entries import entry
from evenbore.figures.style import PER_ROW, NothingToShow, name_ticks, panels, shaded
from evenbore.judge.takes import DYNAMICS
from evenbore.report.curves import centred, curves_of, note_names, profile
from evenbore.report.results import Results
from evenbore.report.style import BLUE, GREY, ORANGE, PALE
from evenbore.setups.profiles import MATCHED

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
    shown = [name for name in shown if name in set(rows["instrument"])]
    figure, grid = panels(len(shown), PER_ROW, 1.75, sharex=True, sharey=True)
    for axes, name in zip(grid, shown, strict=True):
        of_instrument = rows[rows["instrument"] == name]
        axes.axhline(0, color=GREY, lw=0.8)
        _whiskers(axes, of_instrument)
        axes.plot(of_instrument["written"], of_instrument["value"], color=BLUE, lw=0, marker="o", ms=2.5)
        typical = round(of_instrument["value"].median(), 1) + 0.0  # no -0.0
        axes.axhline(typical, color=ORANGE, lw=1.2)
        axes.set_title(f"{labels[name]}: {f'{typical:+.1f}'.replace('-', '−')} dB")
    _name_notes(grid[0], rows)
    figure.supxlabel("written note", size=9)
    figure.supylabel("treble at matched loudness\nover the middle of all, dB", size=9)
    return figure


def _by_note(results: Results, shown: list[str], labels: dict[str, str], measure: str, axis: str) -> Figure:
    """One panel per instrument: its curve over the notes, from its own median."""
    curves = curves_of(results, measure)
    _needed(results, curves.rows)
    shown = [name for name in shown if len(curves.of(name))]
    figure, grid = panels(len(shown), PER_ROW, 1.75, sharex=True, sharey=True)
    lowest, highest = curves.rows["written"].agg(["min", "max"])
    margin = grid[0].margins()[0] * max(highest - lowest, 1)
    grid[0].set(xlim=(lowest - margin, highest + margin), ylim=curves.limits)  # before anything is drawn: looking for
    for axes, name in zip(grid, shown, strict=True):  # them would take as long as drawing
        chart = curves.chart(name)
        points, band = chart.points, chart.band
        axes.fill_between(band.index, band["low"], band["high"], color=PALE, lw=0)
        axes.plot(band.index, band["middle"], color=GREY, lw=0.8, ls="--")
        _whiskers(axes, points)
        axes.plot(points["written"], points["value"], color=BLUE, lw=0.8, marker="o", ms=2.5)
        for note in chart.borders:
            axes.axvline(note, color=GREY, lw=0.6, ls=":")
        marked = points[points["marked"]]
        axes.plot(marked["written"], marked["value"], ls="", marker="D", ms=5, mfc="none", mec=ORANGE)
        for _, run in marked.groupby((marked["written"].diff() != 1).cumsum()):  # neighbours' names would overlap
            text = "–".join(run["written_note"].iloc[[0, -1]].unique())
            axes.annotate(text, run[["written", "value"]].iloc[0], xytext=(-7, 0), textcoords="offset points",
                          size=7, ha="right", va="center")  # fmt: skip
        axes.set_title(labels[name])
    name_ticks(grid[0].yaxis, curves.ticks, curves.ticks.values())
    _name_notes(grid[0], curves.rows)
    figure.supxlabel("written note", size=9)
    figure.supylabel(axis, size=9)
    return figure


def _whiskers(axes: Axes, rows: pd.DataFrame) -> None:
    axes.vlines(rows["written"], rows["low"], rows["high"], color=BLUE, lw=0.9)


def _name_notes(axes: Axes, rows: pd.DataFrame) -> None:
    """Write note names along the axis of the notes, which all panels share."""
    names = note_names(rows, _MOST_NAMES)
    name_ticks(axes.xaxis, names, names.values())


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
    figure, grid = panels(len(shown), PER_ROW, 1.75, sharex=True, sharey=True)
    for axes, name in zip(grid, shown, strict=True):
        others = [line for other, line in lines.items() if other != name and groups[other] == groups[name]]
        axes.add_collection(LineCollection(others, colors="#c9c9c9", linewidths=0.8))
        of_instrument = table[table["instrument"] == name]
        axes.plot(of_instrument["level_dbfs"], of_instrument["brightness_db"], color=BLUE, lw=1.2, marker="o", ms=4)
        for row in of_instrument.itertuples(index=False):
            axes.annotate(row.dynamic, (row.level_dbfs, row.brightness_db), xytext=(0, 5), size=8,
                          textcoords="offset points", ha="center", style="italic", weight="bold")  # fmt: skip
        axes.set_title(labels[name])
        axes.margins(y=0.2)
    figure.supxlabel("level (median over notes,\nset-up removed), dB re full scale", size=9)
    figure.supylabel("treble: level\nabove 2 kHz over all, dB", size=9)
    return figure
