"""Pictures of the decisions page: coverage, power, calibration."""

from pathlib import Path

import matplotlib as mpl
import pandas as pd
import seaborn as sns

from .campaign import BINS, SIZES, TOLD
from .judged import CRITERION_NAMES
from .tables import Results, place

STEADY = {"svg.hashsalt": "decisions", "svg.fonttype": "none"}
"""The same picture gives the same file."""


def draw(results: Results, folder: Path) -> None:
    """Write decisions-coverage.svg, decisions-power.svg and decisions-calibration.svg."""
    sns.set_theme(style="whitegrid", context="notebook")
    with mpl.rc_context(STEADY):
        for name, picture in (("coverage", coverage), ("power", power), ("calibration", calibration)):
            grid = picture(results)
            grid.figure.savefig(folder / f"decisions-{name}.svg", metadata={"Date": None}, bbox_inches="tight")
            mpl.pyplot.close(grid.figure)


def coverage(results: Results) -> sns.FacetGrid:
    """Of every criterion, the share of the intervals that hold the true difference, over the own days."""
    points = [
        {"own days": row["day"], "layout": place(row), "scatter": row["scatter"], "instruments": what,
         "held": 100 * row.get(f"covered {c}", 0) / row[f"intervals {c}"]}
        for what in ("identical", "different") for row in results[what] for c in CRITERION_NAMES
        if row.get(f"intervals {c}")
    ]  # fmt: skip
    grid = sns.catplot(
        pd.DataFrame(points), x="own days", y="held", hue="layout", row="instruments", col="scatter", kind="strip",
        dodge=True, jitter=False, height=3.2, aspect=1.4, alpha=0.7, size=4,
    )  # fmt: skip
    for axes in grid.axes.flat:
        axes.axhspan(84, 95, color="0.9", zorder=0)
        axes.axhline(90, color="0.5", linewidth=1, zorder=1)
    return grid.set_axis_labels("own days, in standard deviations of a take", "intervals that hold, %")


def power(results: Results) -> sns.FacetGrid:
    """Differences told, over those told by one who knows the scatter."""
    points = [
        {"layout": place(row), "scatter": row["scatter"], "times": size,
         "told": 100 * row[f"told {c} {size}"] / row[f"asked {c} {size}"],
         "oracle": 100 * row[f"oracle {c} {size}"] / row[f"asked {c} {size}"]}
        for row in results["power"] for c in TOLD for size in SIZES
    ]  # fmt: skip
    grid = sns.relplot(
        pd.DataFrame(points), x="oracle", y="told", hue="layout", style="times", col="scatter", kind="scatter",
        height=3.6, aspect=1.1,
    )  # fmt: skip
    for axes in grid.axes.flat:
        axes.plot([0, 100], [0, 100], color="0.5", linewidth=1)
        axes.plot([0, 100], [0, 80], color="0.7", linewidth=1, linestyle="--")
    return grid.set_axis_labels("told by one who knows the scatter, %", "told by the program, %")


def calibration(results: Results) -> sns.FacetGrid:
    """First places that came true over those stated."""
    sums = pd.DataFrame(results["different"]).groupby("scatter").sum(numeric_only=True)
    points = [
        {"scatter": kind, "said": row[f"said {low:g}"], "stated": 100 * row[f"stated {low:g}"] / row[f"said {low:g}"],
         "true": 100 * row.get(f"true {low:g}", 0) / row[f"said {low:g}"]}
        for kind, row in sums.iterrows() for low in BINS[:-1] if row.get(f"said {low:g}", 0) > 0
    ]  # fmt: skip
    grid = sns.relplot(
        pd.DataFrame(points), x="stated", y="true", hue="scatter", size="said", kind="scatter", height=3.6, aspect=1.2
    )
    for axes in grid.axes.flat:
        axes.plot([0, 100], [0, 100], color="0.5", linewidth=1)
    return grid.set_axis_labels("first places stated, %", "came true, %")
