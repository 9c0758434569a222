"""Figures of research: where the scatter of each criterion comes from. One function per figure, as in `notes`."""

import numpy as np
from matplotlib.figure import Figure

from evenbore.facts.words import plain
from evenbore.figures.entries import entry
from evenbore.figures.style import NothingToShow, panels
from evenbore.report.results import Results
from evenbore.report.style import COLOURS

COMPONENTS = ("instrument", "session", "player", "take", "note")
HATCHES = ("", "///", "...", "xxx", "---")
NARROWEST_LABEL = 0.12


@entry("Likeness and set-ups", "Where the scatter of one take comes from", on_page=True)
def variance_components(results: Results, shown: list[str], labels: dict[str, str]) -> Figure:
    """Where the scatter of one take's value comes from, one bar per criterion, numbers in per cent: differences
    between the instruments, between sessions (the day, the room, the tuning), between players, between takes as a
    whole, and of single notes within a take. A long instrument part means that one take already tells the
    instruments apart; where take and note are long, repeats help; where session is long, only a shared instrument
    does. A part that sessions or players do not tell from another is left out (``variance.tsv`` says why). The
    criteria of two dynamics are not split into take and note.
    """
    rows = results.tables["variance"].dropna(subset="share")
    if rows.empty:
        raise NothingToShow("no criterion has repeat takes of several instruments")
    shares = rows.pivot(index="criterion", columns="component", values="share")
    known = [criterion for criterion in results.tables["criteria"]["criterion"] if criterion in shares.index]
    figure, (axes,) = panels(1, 1, 0.6 + 0.32 * len(known))
    left = np.zeros(len(known))
    for i, component in enumerate(c for c in COMPONENTS if c in shares):
        share = shares.loc[known, component].fillna(0.0).to_numpy()
        axes.barh(range(len(known)), share, left=left, color=COLOURS[i % len(COLOURS)], alpha=0.75,
                  hatch=HATCHES[i], edgecolor="white", label=component)  # fmt: skip
        for y, (start, width) in enumerate(zip(left, share, strict=True)):
            if width >= NARROWEST_LABEL:
                axes.text(start + width / 2, y, f"{100 * width:.0f}", ha="center", va="center",
                          bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none"})  # fmt: skip
        left = left + share
    axes.set_yticks(range(len(known)), [plain(criterion) for criterion in known])
    axes.set_ylim(len(known) - 0.5, -0.5)
    axes.set_xlim(0, 1)
    axes.set_xticks((0, 0.5, 1), ("0 %", "50 %", "100 %"))
    axes.set_xlabel("share of the variance\nof one take's value")
    figure.legend(loc="outside upper center", ncols=3, frameon=False)
    return figure
