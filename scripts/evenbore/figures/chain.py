"""Figures of what stands between the instruments: the set-ups' responses, and which instruments sound alike."""

import pandas as pd

from evenbore.figures.decision import place_labels
from evenbore.figures.style import COLOURS, GREY, MARKERS, NothingToShow, panels
from evenbore.results import Results

TICKS_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)


def setups(results: Results, shown, labels):
    """Estimated response of each session's set-up, one panel per comparability group of linked sessions."""
    rows = results.tables["setups"]
    linked = rows[rows["group"].map(rows.groupby("group")["session"].nunique()) > 1]
    if linked.empty:
        raise NothingToShow("no two sessions are linked by an instrument recorded in both")
    groups = sorted(linked["group"].unique())
    figure, grid = panels(len(groups), 1, 3.0, sharex=True)
    for axes, group in zip(grid, groups, strict=True):
        axes.axhline(0, color=GREY, lw=0.8)
        for i, (session, line) in enumerate(linked[linked["group"] == group].groupby("session", sort=False)):
            colour, marker = COLOURS[i % len(COLOURS)], MARKERS[i % len(MARKERS)]
            half = 1.645 * line["response_se_db"]
            axes.fill_between(line["band_hz"], line["response_db"] - half, line["response_db"] + half, color=colour,
                              alpha=0.2, lw=0)  # fmt: skip
            axes.plot(line["band_hz"], line["response_db"], color=colour, marker=marker, ms=4, lw=1.2, label=session)
        axes.set_xscale("log")
        axes.minorticks_off()
        axes.set_xticks(TICKS_HZ, [f"{hz // 1000}k" if hz >= 1000 else str(hz) for hz in TICKS_HZ])
        axes.set(title=f"comparability group {group}", ylabel="response, dB", xlabel="frequency, Hz")
        axes.grid(color="#eeeeee")
        axes.legend(title="session", frameon=False, loc="center left", bbox_to_anchor=(1.0, 0.5))
    return figure


def clusters(results: Results, shown, labels):
    """Map of the instruments' normalised profiles."""
    rows = results.tables["clusters"].dropna(subset=["pc1", "pc2"])
    rows = rows[rows["instrument"].isin(shown)]
    if rows.empty:
        raise NothingToShow("no clusters were computed, or too few instruments have complete profiles")
    figure, (axes,) = panels(1, 1, 4.5)
    for number, members in rows.groupby("cluster", dropna=False):
        none = pd.isna(number)
        name = "no cluster structure" if none else f"cluster {number}"
        i = 0 if none else int(number) - 1
        axes.plot(members["pc1"], members["pc2"], ls="", marker=MARKERS[i % len(MARKERS)],
                  color=COLOURS[i % len(COLOURS)], ms=8, label=name)  # fmt: skip
    axes.axhline(0, color="#dddddd", lw=0.8, zorder=0)
    axes.axvline(0, color="#dddddd", lw=0.8, zorder=0)
    axes.set(xlabel="first principal component of the profiles", ylabel="second principal component")
    axes.margins(0.12)
    axes.legend(frameon=False, loc="center left", bbox_to_anchor=(1.0, 0.5))
    place_labels(axes, rows["pc1"], rows["pc2"], [labels[name] for name in rows["instrument"]])
    return figure
