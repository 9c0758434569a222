"""What the commands of the campaigns share: one thread, the command line, tables in Markdown, their places in a page.

A place in a page is what lies between the comment lines `<!-- NAME -->` and `<!-- end of NAME -->`. Standard library
only, so that `one_thread` comes before the numerical libraries.
"""

import argparse
import json
import os
import re
from collections.abc import Callable
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]


def one_thread() -> None:
    """Keep numerical libraries that are loaded later to one thread: the machine may have other work, and CPU times
    compare."""
    for library in ("OMP", "OPENBLAS", "MKL", "NUMBA"):
        os.environ[f"{library}_NUM_THREADS"] = "1"


def command(name: str, about: str, run: Callable[[bool], object], tables: Callable[[object], dict[str, str]]) -> None:
    """Run a campaign, in short with --short; print its tables and write build/NAME/results.json.

    `run` takes whether it is to be short and returns what JSON can hold; `tables` makes the tables of docs/NAME.md out
    of that, which the full campaign renews.
    """
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--short", action="store_true", help="a part of it, some minutes at most")
    short = parser.parse_args().short
    results = run(short)
    file = REPO / "build" / name / ("results-short.json" if short else "results.json")
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps(results, indent=1), encoding="utf-8")
    made = tables(results)
    for title, table in made.items():
        print(f"\n{title}\n\n{table}")
    if not short:
        renew(REPO / "docs" / f"{name}.md", made)


def markdown(header: tuple[str, ...], rows: list[tuple]) -> str:
    """A table in Markdown."""
    lines = [header, ["---"] * len(header), *rows]
    return "\n".join("| " + " | ".join(map(str, line)) + " |" for line in lines)


def renew(page: Path, tables: dict[str, str]) -> None:
    """Put each table in its place in the page."""
    text = page.read_text(encoding="utf-8")
    for name, table in tables.items():
        place = re.compile(f"(<!-- {name} -->\n).*?(<!-- end of {name} -->)", re.DOTALL)
        text, count = place.subn(lambda match, table=table: f"{match[1]}\n{table}\n\n{match[2]}", text)
        if count != 1:
            raise ValueError(f"{page} has {count} places for the table '{name}'; there must be one")
    page.write_text(text, encoding="utf-8", newline="\n")
