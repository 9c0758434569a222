"""Figures to decide by: criteria, rank probabilities, value, pairs. One function per figure, as in `notes`."""

from collections.abc import Collection
from functools import cache
from typing import Any, cast

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.layout_engine import LayoutEngine
from matplotlib.patches import Patch
from matplotlib.path import Path
from matplotlib.textpath import TextPath
from matplotlib.transforms import Bbox

from evenbore.compare.rank import oriented
from evenbore.facts.criteria import BETTER
from evenbore.facts.words import plain
from evenbore.figures.entries import entry
from evenbore.figures.style import PER_ROW, NothingToShow, name_once, name_ticks, panels, shaded
from evenbore.report.results import Results, rows_of
from evenbore.report.style import BLUE, COLOURS, GREY, MARKERS, PALE

MOST_RANKS_DRAWN = 15
# verdict as the row's instrument sees it -> (symbol, meaning, colour)
CELLS = {
    "better": ("+", "differs, row better", "#7fb7dc"),
    "worse": ("−", "differs, row worse", "#f0b27f"),
    "differs": ("≠", "differs, a matter of taste", "#c9c3e0"),
    "no_audible_difference": ("=", "no audible difference", "#ffffff"),
    "undecided": ("?", "undecided", "#efefef"),
    "not_comparable": ("×", "not comparable", "#bdbdbd"),
}


def titled(title: str, kind: str, kinds: Collection[str]) -> str:
    """The title of a panel, with the kind of instrument where there are several."""
    return f"{kind}: {title}" if len(kinds) > 1 else title


@entry("Decision", "What was measured, with 90 % intervals")
def criteria(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One panel per kind of instrument and criterion: value of each instrument (dot) and its 90 % interval (line),
    in the unit below the panel; the arrow tells which way is better. Grey band: the study's median plus and minus
    one just-noticeable step of the config (``just_noticeable``); where no step is known there is no band.
    Instruments are in order of their mean rank. Colours and markers tell comparability groups apart. Two
    instruments inside each other's intervals are not told apart by this study.
    """
    rows = results.compared("instruments")
    known = rows[rows["instrument"].isin(shown)].dropna(subset="value")
    kinds = results.kinds(shown)
    parts = [
        (kind, criterion, names)
        for kind, names in kinds.items()
        for criterion in rows_of(results.tables["criteria"])
        if criterion.criterion in set(known.loc[known["instrument"].isin(names), "criterion"])
    ]
    if not parts:
        raise NothingToShow("no instrument has a value for any criterion")
    groups = sorted(known["group"].dropna().unique())
    figure, grid = panels(len(parts), PER_ROW, 0.75 + 0.19 * max(map(len, kinds.values())))
    for axes, (kind, criterion, names) in zip(grid, parts, strict=True):
        of_criterion = rows[(rows["criterion"] == criterion.criterion) & rows["instrument"].isin(names)]
        _criterion(axes, criterion, of_criterion, names, labels, groups)
        axes.set_title(titled(plain(criterion.criterion), kind, kinds))
    name_once(grid, [kind for kind, *_ in parts])
    if len(groups) > 1:
        handles = {line.get_label(): line for axes in grid for line in axes.get_legend_handles_labels()[0]}
        figure.legend(handles=list(handles.values()), loc="outside upper right", ncols=len(handles), frameon=False)
    return figure


def _criterion(
    axes: Axes, criterion: Any, of_criterion: pd.DataFrame, names: list[str], labels: dict[str, str], groups: list[int]
) -> None:
    """Values and intervals of the instruments `names`, one of a line, from its rows `of_criterion` of the table;
    `criterion`: its row of the table of criteria."""
    place = {name: i for i, name in enumerate(names)}
    values = of_criterion.dropna(subset="value")
    if criterion.just_noticeable > 0:
        middle = values["value"].median()
        axes.axvspan(middle - criterion.just_noticeable, middle + criterion.just_noticeable, color=PALE, lw=0)
    if criterion.better == "target":
        axes.axvline(0, color=GREY, lw=0.8)
    for i, group in enumerate(groups):
        part = values[values["group"] == group]
        y = part["instrument"].map(place)
        colour, marker = COLOURS[i % len(COLOURS)], MARKERS[i % len(MARKERS)]
        axes.hlines(y, part["low"], part["high"], color=colour, lw=1.4)
        axes.plot(part["value"], y, ls="", marker=marker, ms=4, color=colour, label=f"group {group}")
    _unseen(axes, values, place)
    name_ticks(axes.yaxis, range(len(names)), [labels[name] for name in names])
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.grid(axis="x", color="#eeeeee")
    axes.set_xlabel(f"{criterion.unit} ({BETTER[criterion.better].axis})")


def _unseen(axes: Axes, values: pd.DataFrame, place: dict[str, int]) -> None:
    """Mark the instruments without a value, and the values without a group (never recorded: cost only)."""
    loose = values[values["group"].isna()]
    if len(loose):
        axes.plot(loose["value"], loose["instrument"].map(place), ls="", marker="o", ms=4, color=GREY)
    for name in sorted(set(place) - set(values["instrument"])):
        axes.annotate("no value", (0.02, place[name]), xycoords=("axes fraction", "data"), size=7, color=GREY,
                      va="center")  # fmt: skip


@entry("Decision", "How likely each rank is")
def rank_probabilities(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One panel per set of priorities of the config and kind of instrument: probability of every rank for every
    instrument, in per cent (numbers below 4.5 % are left out). With more than 15 ranks: the median rank (dot) and
    the ranks that hold 90 % of the probability (line). From random draws of the true values within their
    uncertainty and of the weights within theirs. A row spread over many ranks means that the study cannot tell
    where the instrument stands.
    """
    rows = results.tables["rank_probabilities"]
    rows = rows[rows["instrument"].isin(shown)]
    if rows.empty:
        raise NothingToShow("nothing was ranked")
    several, kinds = rows["group"].nunique() > 1, results.kinds(shown)
    kind = rows["instrument"].map({name: kind for kind, names in kinds.items() for name in names})
    parts: list[tuple[Any, pd.DataFrame]]
    parts = [(key, part) for key, part in rows.groupby(["priorities", kind, rows["group"].fillna(0)], sort=False)
             if part["instrument"].nunique() > 1]  # fmt: skip
    if not parts:
        raise NothingToShow("no two instruments were ranked together")
    size = max(part["instrument"].nunique() for _, part in parts)
    figure, grid = panels(len(parts), 2, 0.9 + 0.24 * size)
    for axes, ((priorities, kind, group), part) in zip(grid, parts, strict=True):
        if part["rank"].max() <= MOST_RANKS_DRAWN:
            table = part.pivot(index="instrument", columns="rank", values="probability")
            table = table.loc[table.mul(table.columns.to_numpy(float), axis=1).sum(axis=1).sort_values().index]
            _rank_cells(axes, table, labels)
        else:
            ranking = results.tables["ranking"]
            ranked = ranking[(ranking["priorities"] == priorities) & ranking["instrument"].isin(part["instrument"])]
            _rank_intervals(axes, ranked.sort_values(["rank_median", "utility"], ascending=[True, False]), labels)
        title = plain(priorities) + (f", group {group}" if several and group else "")
        axes.set_title(titled(title, kind, kinds))
        axes.set_ylabel("")
    return figure


def _rank_cells(axes: Axes, table: pd.DataFrame, labels: dict[str, str]) -> None:
    """Probabilities (instrument by rank) as shaded cells with numbers."""
    percent = 100 * table.to_numpy(float)
    numbers = np.where(percent >= 4.5, np.char.mod("%.0f", percent), "")
    shaded(axes, percent, numbers, "Blues", (0, 100), "#dddddd", [labels[name] for name in table.index])
    name_ticks(axes.xaxis, np.arange(table.shape[1]) + 0.5, [str(rank) for rank in table.columns])
    axes.set_xlabel("rank (1 is best); numbers: probability, %")


def _rank_intervals(axes: Axes, ranking: pd.DataFrame, labels: dict[str, str]) -> None:
    """Median rank and the ranks from 5 % to 95 %, for more ranks than cells can show."""
    low, middle, high = (ranking[column] for column in ("rank_low", "rank_median", "rank_high"))
    y = np.arange(len(ranking))
    axes.hlines(y, low, high, color=BLUE, lw=1.4)
    axes.plot(middle, y, ls="", marker="o", ms=4, color=BLUE)
    name_ticks(axes.yaxis, y, [labels[name] for name in ranking["instrument"]])
    axes.set_ylim(len(ranking) - 0.5, -0.5)
    axes.grid(axis="x", color="#eeeeee")
    axes.set_xlabel("rank (1 is best); dot: median, line: 90 % of the probability")


@entry("Decision", "Quality against cost, with 90 % intervals")
def value_front(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """Across: total cost (price, set-up, case, repairs found by inspection). Up: quality in just-noticeable steps,
    the mean over all sets of priorities, with its 90 % interval. Diamonds and dashed line: the front of best value,
    where nothing else is both better and cheaper. Instruments that failed a must-pass are never on the front.
    """
    rows = results.tables["value"].dropna(subset=["total_cost", "quality"])
    rows = rows[rows["instrument"].isin(shown)]
    if rows.empty:
        raise NothingToShow("no instrument has both a price and a quality")
    group, kinds = results.compared("instruments").groupby("instrument")["group"].first(), results.kinds(shown)
    kind = rows["instrument"].map({name: kind for kind, names in kinds.items() for name in names})
    parts: list[tuple[Any, pd.DataFrame]] = list(rows.groupby([kind, rows["instrument"].map(group)], sort=False))
    several = rows["instrument"].map(group).nunique() > 1
    figure, grid = panels(len(parts), 1, 4.2)
    for axes, ((kind, number), part) in zip(grid, parts, strict=True):
        on = part["on_front"] == "yes"
        axes.vlines(part["total_cost"], part["low"], part["high"], color="#b5b5b5", lw=1.2)
        axes.plot(part["total_cost"][~on], part["quality"][~on], ls="", marker="o", mfc="white", color=GREY, ms=6,
                  label="not on the front")  # fmt: skip
        front = part[on].sort_values("total_cost")
        axes.plot(front["total_cost"], front["quality"], color=BLUE, lw=1, ls="--", drawstyle="steps-post")
        axes.plot(front["total_cost"], front["quality"], ls="", marker="D", color=BLUE, ms=7,
                  label="on the front of best value")  # fmt: skip
        axes.set_xlabel(f"total cost, {results.study.config['currency']}")
        axes.set_ylabel("quality, just-noticeable steps\n(90 % interval)")
        axes.grid(color="#eeeeee")
        axes.margins(0.08)
        axes.set_title(titled(f"comparability group {number}" if several else "", kind, kinds).removesuffix(": "),
                       loc="left")  # fmt: skip
        axes.legend(frameon=False, loc="lower right", bbox_to_anchor=(1, 1), ncols=2)
        place_labels(axes, part["total_cost"], part["quality"], [labels[name] for name in part["instrument"]])
    return figure


def place_labels(axes: Axes, x: pd.Series, y: pd.Series, texts: list[str]) -> None:
    """Write a label beside every point, at the first of several places where it covers no other label or point."""
    figure = cast(Figure, axes.figure)
    cast(LayoutEngine, figure.get_layout_engine()).execute(figure)
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]  # Agg's canvas has one
    points = axes.transData.transform(np.column_stack([np.asarray(x, float), np.asarray(y, float)]))
    room = axes.get_window_extent(renderer)
    taken: list[Bbox] = []
    places = [(10, 0, "left", "center"), (-10, 0, "right", "center"), (4, 13, "left", "center"),
              (4, -13, "left", "center"), (-4, 13, "right", "center"), (-4, -13, "right", "center"),
              (4, 24, "left", "center"), (4, -24, "left", "center")]  # fmt: skip
    for xy, text in zip(zip(x, y, strict=True), texts, strict=True):
        for dx, dy, ha, va in places:
            note = axes.annotate(text, xy, xytext=(dx, dy), textcoords="offset points", ha=ha, va=va, size=8)
            note.set_bbox({"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.5})
            box = note.get_window_extent(renderer)
            around = box.padded(6)  # half a marker
            free = not any(box.overlaps(other) for other in taken) and not any(around.contains(*p) for p in points)
            if (free and room.x0 <= box.x0 and box.x1 <= room.x1) or (dx, dy) == places[-1][:2]:
                taken.append(box)
                break
            note.remove()


@entry("Decision", "Which pairs differ")
def pairs(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """One matrix per kind of instrument and criterion, read along the row: + the row's instrument is better and −
    it is worse than the column's (it differs, adjusted p at most 0.05); ≠ it differs, which is a matter of taste;
    = no audible difference (the 90 % interval lies within plus and minus the just-noticeable step of the config), or
    the same cost; ? undecided; × not comparable. Criteria by which no pair is decided are left out.
    """
    rows = results.tables["pairs"]
    values = results.compared("instruments").pivot(index="instrument", columns="criterion", values="value")
    kinds = results.kinds(shown)
    parts = []
    for kind, names in kinds.items():
        of_kind = rows[rows["instrument_a"].isin(names) & rows["instrument_b"].isin(names)]
        judged = set(of_kind.loc[of_kind["verdict"].isin(["differs", "no_audible_difference"]), "criterion"])
        criteria = [c for c in rows_of(results.tables["criteria"]) if c.criterion in judged]
        parts += [(kind, names, c, of_kind[of_kind["criterion"] == c.criterion]) for c in criteria]
    if not parts:
        raise NothingToShow("no pair of instruments is decided by any criterion")
    # the names under a matrix take up to 1.7 inches, a line of names 0.16
    figure, grid = panels(len(parts), PER_ROW, 1.7 + 0.16 * max(len(names) for _, names, *_ in parts))
    for axes, (kind, names, criterion, of_kind) in zip(grid, parts, strict=True):
        better = pd.Series(oriented(values[criterion.criterion].to_numpy(float), criterion.better), values.index)
        _matrix(axes, of_kind, names, better, labels)
        axes.set_title(titled(plain(criterion.criterion), kind, kinds))
    name_once(grid, [kind for kind, *_ in parts])
    handles = [Patch(facecolor=colour, edgecolor="#999999", label=f"{symbol}  {text}")
               for symbol, text, colour in CELLS.values()]  # fmt: skip
    figure.legend(handles=handles, loc="outside upper center", ncols=PER_ROW, frameon=False, handlelength=1.2)
    return figure


@cache
def _symbol(text: str, points: float = 7) -> Path:
    """A text as a marker: at many places it is one object, where texts would take some ten kilobytes each."""
    path = TextPath((0, 0), text, size=points)
    return Path(path.vertices - path.get_extents().get_points().mean(axis=0), path.codes)


def _matrix(axes: Axes, rows: pd.DataFrame, names: list[str], better: pd.Series, labels: dict[str, str]) -> None:
    """The verdicts of one criterion's pairs `rows`; `better`: value of each instrument, more is better; of a
    matter of taste all are alike."""
    place, kinds = {name: i for i, name in enumerate(names)}, list(CELLS)
    cells = np.full((len(names), len(names)), np.nan)
    for first, second, verdict in rows[["instrument_a", "instrument_b", "verdict"]].itertuples(index=False):
        for a, b in ((first, second), (second, first)):
            more = better.get(a, np.nan) - better.get(b, np.nan)
            differs = "better" if more > 0 else "worse" if more < 0 else "differs"
            cells[place[a], place[b]] = kinds.index(differs if verdict == "differs" else verdict)
    colours = ListedColormap([colour for _, _, colour in CELLS.values()])
    axes.pcolormesh(cells, cmap=colours, vmin=-0.5, vmax=len(kinds) - 0.5, edgecolors="#cccccc", linewidth=0.4)
    for number, (symbol, *_) in enumerate(CELLS.values()):
        y, x = np.nonzero(cells == number)
        if x.size:
            marker = _symbol(symbol)
            size = 2 * np.abs(marker.vertices).max()  # a marker is scaled to this
            axes.plot(x + 0.5, y + 0.5, ls="", marker=marker, ms=size, mew=0, color="black")
    axes.set_aspect("equal")
    axes.invert_yaxis()
    for axis in (axes.xaxis, axes.yaxis):
        name_ticks(axis, np.arange(len(names)) + 0.5, [labels[name] for name in names])
    axes.tick_params(length=0, labelsize=7)
    axes.tick_params(axis="x", labelrotation=90)
