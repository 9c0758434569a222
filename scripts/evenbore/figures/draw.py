"""Draw every figure of a study; one without data becomes a picture that says why."""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from evenbore.figures import chain, decision, notes, research  # noqa: F401  each enters its figures
from evenbore.figures.entries import DRAW, FIGURES, PUBLISHED_FIGURES
from evenbore.figures.pictures import for_frame, rendered, source, write_pictures
from evenbore.figures.style import (
    NARROW_IN,
    NO_METADATA,
    WIDTH_IN,
    NothingToShow,
    figure_labels,
    lay_out,
    nothing,
    save,
    settings,
)
from evenbore.files.tables import write_text
from evenbore.report.results import Results


def draw_figures(results: Results, folder: str | Path, published: str | Path) -> None:
    """Write FIGURES as PNG and SVG, with title and source, into `folder`, the PICTURES into the folder `published`."""
    few = for_frame(results)
    for name, entry in FIGURES.items():
        with drawn(results, name) as figure:
            pixels = rendered(figure, "page", entry.title, source(results))
            save(figure, pixels, Path(folder) / name)
        if name in PUBLISHED_FIGURES:
            write_pictures(pixels, Path(published) / f"{name}_page")
            with drawn(few, name) as figure:
                pixels = rendered(figure, "frame", entry.title, source(few))
            write_pictures(pixels, Path(published) / f"{name}_frame")


def narrow_svg(results: Results, name: str) -> str:
    """A figure as wide as a phone, without title and source, its ground transparent, as SVG."""
    written = io.StringIO()
    with drawn(results, name, NARROW_IN) as figure:
        lay_out(figure)
        figure.savefig(written, format="svg", metadata=NO_METADATA, transparent=True)
    return written.getvalue()


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
