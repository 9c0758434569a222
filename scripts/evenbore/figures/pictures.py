"""The main figures as pictures: for a web page (1200 px wide) and for a video frame (1920 x 1080), light and dark."""

from dataclasses import replace
from functools import reduce
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from evenbore.figures.entries import SCHEMES
from evenbore.figures.style import lay_out, write_png
from evenbore.report.results import Results
from evenbore.report.style import SOFT_INK, clean

PAGE_PX = 1200
FRAME_PX = (1920, 1080)
FRAME_IN = (9.6, 5.4)  # the least: small text of 9 pt is then 25 px high
SHADES = np.linspace(22, 236, 256).round().astype(int).tolist()  # of 255, in the dark pictures, the darkest first
MOST_PANELS = 6  # of a frame
MOST_IN_FRAME = 12  # instruments
HEAD_IN, FOOT_IN = 0.42, 0.3  # kept for title and source


def write_pictures(pixels: NDArray[np.uint8], path: Path) -> None:
    """Write a rendered figure (H, W, 3) as PNG in all SCHEMES: `path`_light.png and `path`_dark.png."""
    path.parent.mkdir(parents=True, exist_ok=True)
    for scheme in SCHEMES:
        picture = pixels if scheme == "light" else darkened(pixels)
        write_png(picture, path.with_name(f"{path.name}_{scheme}.png"))


def for_frame(results: Results) -> Results:
    """The results of which a frame can show what is read at a glance: the instruments first in rank, the criteria that
    weigh most with all kinds of buyers, and of the rankings the first."""
    criteria, ranks = results.tables["criteria"], results.tables["rank_probabilities"]
    weights = results.study.config["priorities"].values()
    shares = [{name: abs(value) / sum(map(abs, own.values())) for name, value in own.items()} for own in weights]
    weight = criteria["criterion"].map(lambda name: sum(own.get(name, 0.0) for own in shares))
    heaviest = criteria.loc[weight.sort_values(ascending=False, kind="stable").index[:MOST_PANELS]].sort_index()
    kind = ranks["instrument"].map(lambda name: results.study.instruments[name]["family"])
    ranking = ranks.groupby(["priorities", kind, ranks["group"].fillna(0)], sort=False).ngroup()
    tables = results.tables | {"criteria": heaviest, "rank_probabilities": ranks[ranking < MOST_PANELS]}
    return replace(results, tables=tables, order=results.shown[:MOST_IN_FRAME])


def source(results: Results) -> str:
    """The line under a picture: which study, and of how much."""
    count = len(results.tables["recordings"])
    return f"Source: {results.study.config['title']}, {count} recordings of {len(results.order)} instruments."


def rendered(figure: Figure, size: str, title: str, told: str) -> NDArray[np.uint8]:
    """The figure as pixels (H, W, 3), with its title above and the source `told` below; a frame is laid out anew in
    16:9, with smaller text where it holds much."""
    (width, height), larger = figure.get_size_inches(), 1.0
    if size == "frame":
        larger = max(height / FRAME_IN[1], 1.0)
        width, height = FRAME_IN[0] * larger, FRAME_IN[1] * larger
    else:
        height += HEAD_IN + FOOT_IN
    figure.set_size_inches(width, height)
    # the canvas cuts to whole pixels: a little more keeps the last one
    figure.set_dpi((FRAME_PX[0] if size == "frame" else PAGE_PX) / width * (1 + 1e-6))
    head, foot = HEAD_IN * larger / height, FOOT_IN * larger / height
    lay_out(figure, (0, foot, 1, 1 - head - foot))
    figure.text(0.01, 1 - head / 2, clean(title), size=14 * larger, weight="bold", va="center")
    figure.text(0.01, foot / 2, clean(told), size=8 * larger, va="center", color=SOFT_INK)
    figure.canvas.draw()
    return np.asarray(figure.canvas.buffer_rgba())[..., :3].copy()  # type: ignore[attr-defined]  # Agg's canvas has it


def darkened(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Pixels (H, W, 3) with their lightness turned over (light grounds become dark) and their hue kept."""
    most, least = (reduce(ufunc, np.moveaxis(pixels, 2, 0)) for ufunc in (np.maximum, np.minimum))
    turned = pixels + (255 - most - least)[..., None]  # what is beyond a byte on the way comes back into it
    return np.asarray(Image.fromarray(turned).point(SHADES * 3))
