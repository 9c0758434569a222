"""Draw every figure of a study; one without data becomes a picture that says why."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from evenbore.figures import FIGURES, chain, decision, notes, research
from evenbore.figures.style import NothingToShow, figure_labels, nothing, save, settings
from evenbore.report.results import Results

MODULES = (notes, decision, chain, research)


def draw_figures(results: Results, folder: str | Path) -> None:
    """Write FIGURES as PNG and SVG into `folder`."""
    for name in FIGURES:
        with drawn(results, name) as figure:
            save(figure, Path(folder) / name)


@contextmanager
def drawn(results: Results, name: str) -> Iterator[Figure]:
    """One figure, to be saved within the context; the instruments at most as many as the config allows."""
    labels = figure_labels({name: results.label(name) for name in results.order})
    draw = next(getattr(module, name) for module in MODULES if hasattr(module, name))
    with mpl.rc_context(settings(name)):
        try:
            figure = draw(results, results.shown, labels)
        except NothingToShow as reason:
            figure = nothing(str(reason))
        yield figure
