"""Which figures there are. A figure's entry is the function that draws it, its docstring the caption:

    @entry("Category", "Title", on_page=True)
    def name(results, shown, labels):
        '''Caption (reStructuredText): what the axes are, how to read it, the thresholds used.'''

The list is read from the source, so that the workflow knows the outputs without loading what draws them.
"""

import ast
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from evenbore.report.results import Results

MODULES = ("notes", "decision", "chain", "research")  # in the order of the report
Drawer: TypeAlias = "Callable[[Results, list[str], dict[str, str]], Figure]"
DRAW: dict[str, Drawer] = {}
"""Figure -> its function: (results, instruments to show, their labels) -> Figure, or raises NothingToShow. Filled when
the modules are imported."""


@dataclass(frozen=True)
class Entry:
    """`category`: in a Snakemake report; `title`: above the figure; `on_page`: the report shows it, narrow, for nothing
    of its own says the same; `caption`: reStructuredText."""

    category: str
    title: str
    on_page: bool
    caption: str


def entry(category: str, title: str, *, on_page: bool = False) -> Callable[[Drawer], Drawer]:
    """Enter the function as the figure of its name."""

    def enter(function: Drawer) -> Drawer:
        DRAW[function.__name__] = function
        return function

    return enter


def _entries(module: str) -> dict[str, Entry]:
    entries = {}
    for node in ast.parse(Path(__file__).with_name(f"{module}.py").read_bytes()).body:
        if not isinstance(node, ast.FunctionDef):
            continue
        for mark in node.decorator_list:
            if isinstance(mark, ast.Call) and isinstance(mark.func, ast.Name) and mark.func.id == entry.__name__:
                category, title = map(ast.literal_eval, mark.args)
                entries[node.name] = Entry(category, title, bool(mark.keywords), ast.get_docstring(node) or "")
    return entries


FIGURES = {name: entry for module in MODULES for name, entry in _entries(module).items()}
"""All figures in the order of the report."""
ON_PAGE = tuple(name for name, entry in FIGURES.items() if entry.on_page)
PUBLISHED_FIGURES = ("intonation_map", "criteria", "rank_probabilities", "value_front")
PUBLISHED_SIZES = ("page", "frame")
SCHEMES = ("light", "dark")
PICTURES = tuple(
    f"{figure}_{size}_{scheme}" for figure in PUBLISHED_FIGURES for size in PUBLISHED_SIZES for scheme in SCHEMES
)
"""The main figures as pictures: for a web page (1200 px wide) and for a video frame (1920 x 1080), light and dark."""
