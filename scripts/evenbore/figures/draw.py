"""Draw every figure of a study; one without data becomes a picture that says why."""

from pathlib import Path

import matplotlib as mpl

from evenbore.figures import FIGURES, chain, decision, notes
from evenbore.figures.style import NothingToShow, figure_labels, nothing, save, settings
from evenbore.results import Results

MODULES = (notes, decision, chain)


def draw_figures(results: Results, folder: str | Path) -> None:
    """Write FIGURES as PNG and SVG into `folder`, the instruments at most as many as the config allows."""
    most = results.study.config["report"]["max_instruments_in_figures"]
    shown = results.order[:most]
    labels = figure_labels({name: results.label(name) for name in results.order})
    for name in FIGURES:
        draw = next(getattr(module, name) for module in MODULES if hasattr(module, name))
        with mpl.rc_context(settings(name)):
            try:
                figure = draw(results, shown, labels)
            except NothingToShow as reason:
                figure = nothing(str(reason))
            save(figure, Path(folder) / name)
