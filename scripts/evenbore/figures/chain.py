"""Figures of what stands between the instruments: the set-ups' responses, and which instruments sound alike."""

from typing import cast

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy.cluster.hierarchy import dendrogram, linkage

from evenbore.compare.cluster import axis_words, principal_components, profile_matrix
from evenbore.figures.decision import place_labels, titled
from evenbore.figures.entries import entry
from evenbore.figures.style import NothingToShow, panels
from evenbore.report.results import Results
from evenbore.report.style import COLOURS, GREY, MARKERS
from evenbore.statistics.student import Z_HALF

TICKS_HZ = (63, 250, 1000, 4000, 16000)


@entry("Likeness and set-ups", "Which instruments are alike", on_page=True)
def clusters(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """Each kind of instrument on its own. Map of the instruments' normalised profiles on their first two
    principal components, the two directions in which the profiles vary most; the axes are named after the trait
    that grows along them (correlation of at least 0.7), if there is one. Instruments close together sound alike.
    Markers and colours are clusters; "no cluster structure" means that the instruments do not fall into groups more
    than chance would make them. Tree of resemblance: the further left two branches meet, the less alike
    they are. A tree can be drawn of any instruments and is no proof of groups.
    """
    rows = results.tables["clusters"].dropna(subset=["pc1", "pc2"])
    kinds = {kind: rows[rows["instrument"].isin(names)] for kind, names in results.kinds(shown).items()}
    parts = {kind: part for kind, part in kinds.items() if len(part)}
    if not parts:
        raise NothingToShow("no clusters were computed, or too few instruments have complete profiles")
    profiles = results.compared("note_profiles")
    profiles = profiles[profiles["dynamic"] == results.study.config["base_dynamic"]]
    figure, grid = panels(2 * len(parts), 2, 4.5)
    for (kind, part), (map_axes, tree_axes) in zip(parts.items(), grid.reshape(-1, 2), strict=True):
        matrix = profile_matrix(profiles[profiles["instrument"].isin(part["instrument"])])
        _map(map_axes, part, labels, matrix)
        _tree(tree_axes, matrix, labels)
        map_axes.set_title(titled("map", kind, kinds), loc="left")
        tree_axes.set_title(titled("tree", kind, kinds), loc="left")
    return figure


def _map(axes: Axes, rows: pd.DataFrame, labels: dict[str, str], matrix: pd.DataFrame) -> None:
    for number, members in rows.groupby("cluster", dropna=False):
        none = pd.isna(number)
        name = "no cluster structure" if none else f"cluster {number}"
        i = 0 if none else int(cast(float, number)) - 1
        axes.plot(members["pc1"], members["pc2"], ls="", marker=MARKERS[i % len(MARKERS)],
                  color=COLOURS[i % len(COLOURS)], ms=8, label=name)  # fmt: skip
    axes.axhline(0, color="#dddddd", lw=0.8, zorder=0)
    axes.axvline(0, color="#dddddd", lw=0.8, zorder=0)
    places = rows.set_index("instrument")
    axes.set_xlabel(f"first component, to the right: {axis_words(matrix, places['pc1'])}")
    axes.set_ylabel(f"second component, upwards: {axis_words(matrix, places['pc2'])}")
    axes.margins(0.15)
    axes.legend(frameon=False, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, handletextpad=0.2)
    place_labels(axes, rows["pc1"], rows["pc2"], [labels[name] for name in rows["instrument"]])


def _tree(axes: Axes, matrix: pd.DataFrame, labels: dict[str, str]) -> None:
    """Dendrogram of the profiles: where two branches meet, the further to the right, the less alike they are."""
    scores = principal_components(matrix.to_numpy(float)) if len(matrix) > 1 and matrix.shape[1] else np.empty((0, 0))
    if scores.shape[1] == 0:
        axes.set_axis_off()
        return
    tree = dendrogram(linkage(scores, "ward"), no_plot=True, labels=list(matrix.index))
    for height, place in zip(tree["dcoord"], tree["icoord"], strict=True):
        axes.plot(height, place, color=GREY, lw=1.2)
    ticks = 5 + 10 * np.arange(len(matrix))
    axes.set_yticks(ticks, [labels[name] for name in tree["ivl"]], size=7)
    axes.yaxis.tick_right()
    axes.invert_xaxis()
    axes.spines[["left", "right"]].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("distance between profiles (Ward's linkage)")


@entry("Likeness and set-ups", "What rooms and microphones did to the sound", on_page=True)
def setups(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """Estimated response of each session's set-up (room, microphone, place, gain) against frequency, in dB,
    relative to the mean of its comparability group; shaded: 90 % interval. This is what was taken out of level and
    tone. It comes from the instruments that were recorded in several sessions.
    """
    rows = results.tables["setups"]
    linked = rows[rows["group"].map(rows.groupby("group")["session"].nunique()) > 1]
    if linked.empty:
        raise NothingToShow("no two sessions are linked by an instrument recorded in both")
    groups = sorted(linked["group"].unique())
    figure, grid = panels(len(groups), 1, 3.0)
    for axes, group in zip(grid, groups, strict=True):
        axes.axhline(0, color=GREY, lw=0.8)
        for i, (session, line) in enumerate(linked[linked["group"] == group].groupby("session", sort=False)):
            colour, marker = COLOURS[i % len(COLOURS)], MARKERS[i % len(MARKERS)]
            half = Z_HALF * line["response_se_db"]
            axes.fill_between(line["band_hz"], line["response_db"] - half, line["response_db"] + half, color=colour,
                              alpha=0.2, lw=0)  # fmt: skip
            axes.plot(line["band_hz"], line["response_db"], color=colour, marker=marker, ms=4, lw=1.2, label=session)
        axes.set_xscale("log")
        axes.minorticks_off()
        axes.set_xticks(TICKS_HZ, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in TICKS_HZ])
        axes.set(title=f"comparability group {group}", ylabel="response, dB", xlabel="frequency, Hz")
        axes.grid(color="#eeeeee")
        axes.legend(frameon=False, loc="upper left", bbox_to_anchor=(0.0, -0.15), ncols=2)
    return figure
