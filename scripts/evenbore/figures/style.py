"""How figures look and are saved: the same bytes from the same data."""

import math
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import matplotlib as mpl
import numpy as np
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, QuadMesh
from matplotlib.figure import Figure
from matplotlib.layout_engine import LayoutEngine
from matplotlib.ticker import FixedFormatter, FixedLocator
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from evenbore.facts.arrays import Floats
from evenbore.report.style import clean, fonts

if TYPE_CHECKING:
    from matplotlib.typing import RcKeyType

WIDTH_IN = 9.0
NARROW_IN = 3.6  # as wide as a phone
PER_ROW = 3  # panels side by side, where there are many
PANEL_GAP, PANEL_HEAD = 0.05, 0.2  # between panels in one pair of axes, as shares of their width and height
LONGEST_LABEL = 22
COMPRESS_LEVEL = 3  # of PNG: three quarters of the time of the usual 6, and a tenth larger
NO_METADATA = {"Date": None, "Creator": None}


Shift: TypeAlias = Callable[[Iterable[tuple[ArrayLike, ...]]], list[Floats]]


class NothingToShow(Exception):
    """The data of a figure are missing; the message is the reason in plain words."""


def settings(name: str, width_in: float = WIDTH_IN) -> "dict[RcKeyType, Any]":
    """Matplotlib settings for one figure; `name` seeds the ids inside the SVG."""
    return {
        "font.family": fonts(),
        "font.size": 9,
        "axes.titlesize": 9,
        "axes.titley": 1.0,  # no search for a place above ticks that are all below
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.axisbelow": True,
        "figure.figsize": (width_in, width_in),
        "text.parse_math": False,  # a label may hold any number of $
        "svg.hashsalt": name,
        "svg.fonttype": "none",
    }


def figure_labels(labels: dict[str, str]) -> dict[str, str]:
    """Labels that can be drawn: one line, shortened, without control characters.

    The instrument's id stands for a label with characters that no font at hand has; labels that have become
    alike get their id added.
    """
    known = set()
    for family in fonts():
        known |= set(font_manager.get_font(font_manager.findfont(family)).get_charmap())
    drawn = {key: _drawable(key, label, known) for key, label in labels.items()}
    values = list(drawn.values())
    return {key: text if values.count(text) == 1 else f"{text} ({key})" for key, text in drawn.items()}


def _drawable(key: str, label: str, known: set[int]) -> str:
    text = clean(label)
    if not text.strip() or not all(ord(c) in known for c in text):
        return key
    return text if len(text) <= LONGEST_LABEL else text[: LONGEST_LABEL - 1] + "…"


def panels(count: int, columns: int, height_in: float) -> tuple[Figure, NDArray[np.object_]]:
    """A figure of `count` panels, of `columns` where it is not narrow; returns it and its axes (count,)."""
    columns = _columns(columns)
    rows = math.ceil(count / columns)
    figure = _figure(0.5 + height_in * rows)
    grid = figure.subplots(rows, columns, squeeze=False).ravel()
    for unused in grid[count:]:
        unused.set_axis_off()
    return figure, grid[:count]


def small_multiples(
    titles: list[str], height_in: float, x: tuple[float, float], y: tuple[float, float], x_ticks: Mapping[Any, str],
    y_ticks: Mapping[Any, str],
) -> tuple[Figure, Axes, Shift]:  # fmt: skip
    """A figure of panels that are alike, PER_ROW where it is not narrow, in one pair of axes: in axes of their own they
    take several times as long.

    `x`, `y`: the limits of each; ticks: value -> text. Of lines (x, and one or more y) of each panel the function that
    is returned makes one line in the axes, with gaps between the panels.
    """
    columns, count = _columns(PER_ROW), len(titles)
    figure = _figure(0.5 + height_in * math.ceil(count / columns))
    axes = figure.subplots()
    place, width, tall = np.arange(count), x[1] - x[0], y[1] - y[0]
    across, up = place % columns * (1 + PANEL_GAP) * width, -(place // columns) * (1 + PANEL_HEAD) * tall
    axes.set(
        xlim=(x[0], x[1] + (columns - 1) * (1 + PANEL_GAP) * width), ylim=(y[0] + up[-1], y[1] + PANEL_HEAD * tall)
    )
    axes.spines[:].set_visible(False)
    left, right, bottom, top = x[0] + across, x[1] + across, y[0] + up, y[1] + up
    corners = np.stack([np.column_stack([left, left, right]), np.column_stack([top, bottom, bottom])], axis=2)
    axes.add_collection(LineCollection(list(corners), colors="black", linewidths=0.8, clip_on=False, zorder=2.5))
    for title, middle, height in zip(titles, (left + right) / 2, top + 0.04 * tall, strict=True):
        axes.text(middle, height, title, ha="center")
    rows = np.unique(up)
    name_ticks(axes.yaxis, np.add.outer(rows, [*y_ticks]).ravel(), [*y_ticks.values()] * len(rows))
    lowest = across[up == up[-1]]
    name_ticks(axes.xaxis, np.add.outer(lowest, [*x_ticks]).ravel(), [*x_ticks.values()] * len(lowest))
    for k in place[-columns : count - len(lowest)]:  # there is no panel below
        for tick, text in x_ticks.items():
            axes.annotate(text, (tick + across[k], bottom[k]), xytext=(0, -7), textcoords="offset points", ha="center",
                          va="top")  # fmt: skip

    def shift(lines: Iterable[tuple[ArrayLike, ...]]) -> list[Floats]:
        moved = [
            np.asarray(line, float) + np.array([dx, *[dy] * (len(line) - 1)])[:, None]
            for line, dx, dy in zip(lines, across, up, strict=True)
        ]
        return list(np.concatenate([np.pad(line, ((0, 0), (0, 1)), constant_values=np.nan) for line in moved], axis=1))

    return figure, axes, shift


def _columns(columns: int) -> int:
    """How many of the columns there is room for."""
    return min(columns, max(1, round(columns * _width_in() / WIDTH_IN * 1.5)))


def name_ticks(axis: Axis, places: Iterable[float], names: Iterable[str]) -> None:
    """Name places on an axis (and on those that share it), without making ticks that may never be drawn."""
    axis.set_major_locator(FixedLocator([*places]))
    axis.set_major_formatter(FixedFormatter([*names]))


def name_once(grid: NDArray[np.object_], kinds: list[str]) -> None:
    """Leave the instruments' axis out where the panel to the left has the same; `kinds`: whose names each has."""
    for axes, kind, before in zip(grid[1:], kinds[1:], kinds, strict=False):
        if kind == before and not axes.get_subplotspec().is_first_col():
            axes.yaxis.set_visible(False)


def shaded(
    axes: Axes, values: Floats, texts: NDArray[np.str_], colours: str, limits: tuple[float, float], edge: str,
    rows: list[str],
) -> QuadMesh:  # fmt: skip
    """Values (R, C) as shaded cells, the first row on top, with `texts` (R, C) in black or white, whichever stands out
    from the cell; NaN stays white. `limits`: values of the first and last of the `colours`; `edge`: colour between the
    cells; `rows`: their names."""
    mesh = axes.pcolormesh(
        np.ma.masked_invalid(values), cmap=colours, vmin=limits[0], vmax=limits[1], linewidth=0.5, edgecolor=edge
    )
    light = mesh.to_rgba(values)[..., :3] @ (0.2126, 0.7152, 0.0722) > 0.45  # ITU-R BT.709, of the values as they are
    for row, column in zip(*np.nonzero(texts != ""), strict=True):
        ink = "#262626" if light[row, column] else "white"
        axes.text(column + 0.5, row + 0.5, texts[row, column], ha="center", va="center", color=ink, size=7)
    name_ticks(axes.yaxis, np.arange(len(rows)) + 0.5, rows)
    axes.invert_yaxis()
    axes.spines[:].set_visible(False)
    return mesh


def nothing(reason: str) -> Figure:
    """A picture that says why there is none."""
    figure = _figure(1.2)
    figure.text(0.5, 0.5, f"Nothing to show: {reason}.", ha="center", va="center", wrap=True)
    return figure


def _width_in() -> float:
    return float(mpl.rcParams["figure.figsize"][0])


def _figure(height_in: float) -> Figure:
    figure = Figure(figsize=(_width_in(), height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def lay_out(figure: Figure, rect: tuple[float, float, float, float] = (0, 0, 1, 1)) -> None:
    """Lay the figure out within `rect` (left, bottom, width, height as shares), once for whatever it is saved as."""
    figure.set_layout_engine("constrained", rect=rect)
    for axes in figure.axes:
        # hundreds of them lie inside the axes, or on their edge, and only slow the layout down
        for inside in (*axes.texts, *axes.spines.values()):
            inside.set_in_layout(False)
        for axis in (axes.xaxis, axes.yaxis):
            if not axis.get_label_text():
                axis.set_label_coords(0.5, 0.5)  # no search for a place beside the ticks
    if figure.axes:
        cast(LayoutEngine, figure.get_layout_engine()).execute(figure)
    for text in figure.texts:  # a name below all panels
        across, up = text.get_position()
        text.set_position((across, max(up, rect[1])))
    for legend in figure.legends:
        legend.set_bbox_to_anchor(rect)  # room is made for it within `rect`, but it is put at the figure's edge
    figure.set_layout_engine(None)  # "none" would have every file drawn twice


def write_png(pixels: NDArray[np.uint8], path: Path) -> None:
    """Write pixels (H, W, 3)."""
    Image.fromarray(pixels).save(path, compress_level=COMPRESS_LEVEL)


def save(figure: Figure, pixels: NDArray[np.uint8], path: Path) -> None:
    """Write `path`.png, the rendered figure's pixels (H, W, 3), and `path`.svg, without dates or versions."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_png(pixels, path.with_suffix(".png"))
    figure.savefig(path.with_suffix(".svg"), metadata=NO_METADATA)
