"""Draw every figure of a study; one without data becomes a picture that says why."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from evenbore.figures import chain, decision, notes, research  # noqa: F401  each enters its figures
from evenbore.figures.entries import DRAW, FIGURES, ON_PAGE, PUBLISHED_FIGURES
from evenbore.figures.pictures import for_frame, write_pictures
from evenbore.figures.style import (
    NARROW_IN,
    WIDTH_IN,
    NothingToShow,
    figure_labels,
    nothing,
    save,
    save_svg,
    settings,
)
from evenbore.files.tables import write_text
from evenbore.report.results import Results

NARROW = "narrow"


def draw_figures(results: Results, folder: str | Path, published: str | Path) -> None:
    """Write FIGURES as PNG and SVG into `folder`, those of the report as narrow SVG into its folder NARROW, and the
    PICTURES into the folder `published`."""
    few = for_frame(results)
    for name in FIGURES:
        with drawn(results, name) as figure:
            if name in PUBLISHED_FIGURES:
                write_pictures(figure, name, "page", results, published)
            save(figure, Path(folder) / name)
        if name in PUBLISHED_FIGURES:
            with drawn(few, name) as figure:
                write_pictures(figure, name, "frame", few, published)
        if name in ON_PAGE:
            with drawn(results, name, NARROW_IN) as figure:
                save_svg(figure, Path(folder) / NARROW / f"{name}.svg")


def write_captions(folder: str | Path) -> None:
    """Write the caption of every figure into `folder`, as <figure>.rst."""
    for name, entry in FIGURES.items():
        write_text(f"{entry.caption}\n", Path(folder) / f"{name}.rst")


@contextmanager
def drawn(results: Results, name: str, width_in: float = WIDTH_IN) -> Iterator[Figure]:
    """One figure, to be saved within the context; the instruments at most as many as the config allows."""
    labels = figure_labels({name: results.label(name) for name in results.order})
    with mpl.rc_context():
        mpl.rcdefaults()  # a file `matplotlibrc` in the study, where we work, was read when the library was loaded
        mpl.rcParams.update(settings(name, width_in))
        try:
            figure = DRAW[name](results, results.shown, labels)
        except NothingToShow as reason:
            figure = nothing(str(reason))
        yield figure
