"""The main figures as pictures: for a web page (1200 px wide) and for a video frame (1920 x 1080), light and dark."""

from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from evenbore.figures.entries import PUBLISHED_SIZES, SCHEMES
from evenbore.figures.style import lay_out

PAGE_PX = 1200
FRAME_PX = (1920, 1080)
FRAME_IN = (9.6, 5.4)  # the least: small text of 9 pt is then 25 px high
STRIP_PX = 256
DARKEST, LIGHTEST = 22, 236  # of 255, in the dark pictures


def write_pictures(figure: Figure, name: str, folder: str | Path) -> None:
    """Write a figure's PICTURES as PNG into `folder`."""
    for size in PUBLISHED_SIZES:
        picture = rendered(figure, size)
        for scheme in SCHEMES:
            path = Path(folder) / f"{name}_{size}_{scheme}.png"
            path.parent.mkdir(parents=True, exist_ok=True)
            Image.fromarray(picture if scheme == "light" else darkened(picture)).save(path)


def rendered(figure: Figure, size: str) -> NDArray[np.uint8]:
    """The figure as pixels (H, W, 3); a frame is laid out anew in 16:9, with smaller text where it holds much.

    Afterwards the figure is as it was, to be laid out again.
    """
    (width, height), dpi = figure.get_size_inches(), figure.get_dpi()
    before = width, height
    if size == "frame":
        larger = max(height / FRAME_IN[1], 1.0)
        width, height = FRAME_IN[0] * larger, FRAME_IN[1] * larger
        figure.set_size_inches(width, height)
    # the canvas cuts to whole pixels: a little more keeps the last one
    figure.set_dpi((FRAME_PX[0] if size == "frame" else PAGE_PX) / width * (1 + 1e-6))
    lay_out(figure)
    figure.canvas.draw()
    pixels = np.asarray(figure.canvas.buffer_rgba())[..., :3].copy()  # type: ignore[attr-defined]  # Agg's canvas has it
    figure.set_size_inches(before)
    figure.set_dpi(dpi)
    figure.set_layout_engine("constrained")
    return pixels


def darkened(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Pixels (H, W, 3) with their lightness turned over (light grounds become dark) and their hue kept."""
    dark = np.empty_like(pixels)
    for first in range(0, len(pixels), STRIP_PX):  # a tall picture as wider numbers takes much memory
        colour = pixels[first : first + STRIP_PX].astype(np.int16)
        turned = colour + 255 - colour.max(axis=2, keepdims=True) - colour.min(axis=2, keepdims=True)
        dark[first : first + STRIP_PX] = (DARKEST + turned * ((LIGHTEST - DARKEST) / 255)).round()
    return dark
