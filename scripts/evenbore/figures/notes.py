"""Figures note by note: intonation, evenness, brightness against dynamic. One function per figure.

Each takes the results, the instruments to show and their labels, and returns a Figure or raises NothingToShow.
"""

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.collections import LineCollection

from evenbore.figures.style import BLUE, GREY, ORANGE, PALE, PER_ROW, NothingToShow, panels
from evenbore.judge.assess import DYNAMICS
from evenbore.report.curves import Curves, centred, profile
from evenbore.report.results import Results
from evenbore.setups.profiles import MATCHED


def _profile(results: Results, measure: str) -> pd.DataFrame:
    rows = profile(results, measure)
    if rows.empty:
        raise NothingToShow(f"no notes were measured in takes at {results.study.config['base_dynamic']}")
    return rows


def intonation_map(results: Results, shown, labels):
    """Cents from the instrument's own median, instrument by note."""
    rows = centred(_profile(results, "cents"))
    table = rows.pivot_table(index="instrument", columns="written", values="value")
    table = table.reindex([name for name in shown if name in table.index])
    columns = rows[rows["instrument"].isin(shown)].drop_duplicates("written").set_index("written")["written_note"]
    allowed = np.array([results.tolerance_cents(name) for name in table.index])
    figure, (axes,) = panels(1, 1, 1.4 + 0.27 * len(table))
    beyond = np.abs(table.to_numpy()) > allowed[:, None]
    axes.set_facecolor("white")
    sns.heatmap(
        table,
        ax=axes,
        cmap="PuOr_r",
        center=0,
        vmin=-1.5 * allowed.max(),
        vmax=1.5 * allowed.max(),
        annot=np.where(beyond, np.char.mod("%+.0f", np.nan_to_num(table.to_numpy())), ""),
        fmt="",
        annot_kws={"size": 7},
        linewidths=0.5,
        linecolor="white",
        cbar_kws={"label": "cents from own median", "shrink": 0.9, "pad": 0.01},
        xticklabels=[columns[note] for note in table.columns],
        yticklabels=[labels[name] for name in table.index],
    )
    for row, column in zip(*np.nonzero(table.isna().to_numpy()), strict=True):
        axes.text(column + 0.5, row + 0.5, "×", ha="center", va="center", color=GREY, size=7)
    axes.set(xlabel="written note", ylabel="")
    axes.tick_params(axis="x", rotation=90)
    axes.tick_params(axis="y", rotation=0)
    return figure


def intonation_by_note(results: Results, shown, labels):
    """One panel per instrument: cents by note around its own median, with interval and tolerance band."""
    rows = centred(_profile(results, "cents"))
    shown = [name for name in shown if name in set(rows["instrument"])]
    figure, grid = panels(len(shown), PER_ROW, 1.75, sharex=True, sharey=True)
    for axes, name in zip(grid, shown, strict=True):
        own = rows[rows["instrument"] == name]
        allowed = results.tolerance_cents(name)
        axes.axhspan(-allowed, allowed, color=PALE, lw=0)
        axes.axhline(0, color=GREY, lw=0.8)
        beyond = own["value"].abs() > allowed
        axes.vlines(own["written"], own["low"], own["high"], color=BLUE, lw=0.9)
        axes.plot(own["written"], own["value"], color=BLUE, lw=0.8, marker="o", ms=2.5)
        axes.plot(own["written"][beyond], own["value"][beyond], ls="", marker="D", ms=5, mfc="none", mec=ORANGE)
        for row in own[beyond].itertuples(index=False):
            axes.annotate(row.written_note, (row.written, row.value), xytext=(-7, 0), textcoords="offset points",
                          size=7, ha="right", va="center")  # fmt: skip
        axes.set_title(labels[name])
    name_notes(grid, rows)
    figure.supxlabel("written note", size=9)
    figure.supylabel("cents from own median", size=9)
    return figure


def evenness_brightness(results: Results, shown, labels):
    """Brightness by note, from the instrument's own median, against the other instruments."""
    return _against_peers(results, shown, labels, "brightness_db", "brightness\nfrom own median, dB")


def evenness_level(results: Results, shown, labels):
    """Level by note, from the instrument's own median, against the other instruments."""
    return _against_peers(results, shown, labels, "level_dbfs", "level\nfrom own median, dB")


def brightness_matched(results: Results, shown, labels):
    """Brightness at matched loudness by note, over the middle of all instruments of the group at the same note."""
    rows = _profile(results, MATCHED)
    rows = rows[rows.groupby("group")["instrument"].transform("nunique") > 1]
    if rows.empty:
        raise NothingToShow("no two instruments were recorded in set-ups that can be compared")
    middle = rows.groupby(["group", "written"])["value"].transform("median")
    rows = rows.assign(**{column: rows[column] - middle for column in ("value", "low", "high")})
    shown = [name for name in shown if name in set(rows["instrument"])]
    figure, grid = panels(len(shown), PER_ROW, 1.75, sharex=True, sharey=True)
    for axes, name in zip(grid, shown, strict=True):
        own = rows[rows["instrument"] == name]
        axes.axhline(0, color=GREY, lw=0.8)
        axes.vlines(own["written"], own["low"], own["high"], color=BLUE, lw=0.9)
        axes.plot(own["written"], own["value"], color=BLUE, lw=0, marker="o", ms=2.5)
        typical = round(own["value"].median(), 1) + 0.0  # no -0.0
        axes.axhline(typical, color=ORANGE, lw=1.2)
        axes.set_title(f"{labels[name]}: {f'{typical:+.1f}'.replace('-', '−')} dB")
    name_notes(grid, rows)
    figure.supxlabel("written note", size=9)
    figure.supylabel("brightness at matched loudness\nover the middle of all, dB", size=9)
    return figure


def _against_peers(results: Results, shown, labels, measure: str, axis: str):
    curves = Curves(centred(_profile(results, measure)))
    shown = [name for name in shown if len(curves.of(name))]
    figure, grid = panels(len(shown), PER_ROW, 1.75, sharex=True, sharey=True)
    for axes, name in zip(grid, shown, strict=True):
        own, band = curves.of(name), curves.peers_band(name)
        axes.fill_between(band.index, band["low"], band["high"], color=PALE, lw=0)
        axes.plot(band.index, band["middle"], color=GREY, lw=0.8, ls="--")
        axes.vlines(own["written"], own["low"], own["high"], color=BLUE, lw=0.9)
        axes.plot(own["written"], own["value"], color=BLUE, lw=0.8, marker="o", ms=2.5)
        for note in register_starts(own):
            axes.axvline(note - 0.5, color=GREY, lw=0.6, ls=":")
        axes.set_title(labels[name])
    name_notes(grid, curves.rows)
    figure.supxlabel("written note", size=9)
    figure.supylabel(axis, size=9)
    return figure


def register_starts(own: pd.DataFrame) -> list[int]:
    """Written notes (rising) at which another register begins; `own` sorted by `written`."""
    register = own["register"].fillna("")
    return own["written"][(register != register.shift()).to_numpy() & (np.arange(len(own)) > 0)].tolist()


def name_notes(grid, rows: pd.DataFrame) -> None:
    """Write note names along the shared note axis: every C and F, or all when there are few."""
    names = rows.drop_duplicates("written").set_index("written")["written_note"].sort_index()
    if len(names) > 12:
        names = names[[note % 12 in (0, 5) for note in names.index]]
    for axes in grid:
        axes.set_xticks(names.index.tolist(), names.tolist())


def brightness_dynamic(results: Results, shown, labels):
    """Brightness against level over the dynamics, each instrument before all others."""
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
    lines = {name: own[["level_dbfs", "brightness_db"]].to_numpy() for name, own in table.groupby("instrument")}
    figure, grid = panels(len(shown), PER_ROW, 1.75, sharex=True, sharey=True)
    for axes, name in zip(grid, shown, strict=True):
        others = [line for other, line in lines.items() if other != name and groups[other] == groups[name]]
        axes.add_collection(LineCollection(others, colors="#c9c9c9", linewidths=0.8))
        own = table[table["instrument"] == name]
        axes.plot(own["level_dbfs"], own["brightness_db"], color=BLUE, lw=1.2, marker="o", ms=4)
        for row in own.itertuples(index=False):
            axes.annotate(row.dynamic, (row.level_dbfs, row.brightness_db), xytext=(0, 5), size=8,
                          textcoords="offset points", ha="center", style="italic", weight="bold")  # fmt: skip
        axes.set_title(labels[name])
        axes.margins(y=0.2)
    figure.supxlabel("level (median over notes, set-up removed), dB re full scale", size=9)
    figure.supylabel("brightness: level\nabove 2 kHz over all, dB", size=9)
    return figure
