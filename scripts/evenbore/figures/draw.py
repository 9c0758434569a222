"""Draw every figure of a study; one without data becomes a picture that says why."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from evenbore.figures import chain, decision, notes, research  # noqa: F401  each enters its figures
from evenbore.figures.entries import DRAW, FIGURES, PUBLISHED_FIGURES
from evenbore.figures.pictures import write_pictures
from evenbore.figures.style import NothingToShow, figure_labels, nothing, save, settings
from evenbore.files.tables import write_text
from evenbore.report.results import Results


def draw_figures(results: Results, folder: str | Path, published: str | Path) -> None:
    """Write FIGURES as PNG and SVG into `folder`, and their PICTURES into the folder `published`."""
    for name in FIGURES:
        with drawn(results, name) as figure:
            if name in PUBLISHED_FIGURES:
                write_pictures(figure, name, published)
            save(figure, Path(folder) / name)


def write_captions(folder: str | Path) -> None:
    """Write the caption of every figure into `folder`, as <figure>.rst."""
    for name, entry in FIGURES.items():
        write_text(f"{entry.caption}\n", Path(folder) / f"{name}.rst")


@contextmanager
def drawn(results: Results, name: str) -> Iterator[Figure]:
    """One figure, to be saved within the context; the instruments at most as many as the config allows."""
    labels = figure_labels({name: results.label(name) for name in results.order})
    with mpl.rc_context():
        mpl.rcdefaults()  # a file `matplotlibrc` in the study, where we work, was read when the library was loaded
        mpl.rcParams.update(settings(name))
        try:
            figure = DRAW[name](results, results.shown, labels)
        except NothingToShow as reason:
            figure = nothing(str(reason))
        yield figure
