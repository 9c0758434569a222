"""A study that came from a stranger stays inside itself: nothing in it leads a run elsewhere."""

import os
from collections.abc import Iterator
from pathlib import Path

from evenbore.files.errors import EvenboreError

WRITTEN = ("results", ".snakemake")
ENVIRONMENTS = ("conda", "conda-archive")  # folders of Snakemake's that hold links by nature
NAMED_LINKS = 5


def refuse_links(study: Path) -> None:
    """Raise EvenboreError where something that a run writes is a link: it would be written to where that leads."""
    links = [path for name in WRITTEN for path in _links(study / name)]
    if links:
        named = ", ".join(path.relative_to(study).as_posix() for path in links[:NAMED_LINKS])
        more = f" and {len(links) - NAMED_LINKS} more" if len(links) > NAMED_LINKS else ""
        raise EvenboreError(
            f"{named}{more}: a link stands where the run writes, so that something elsewhere would be overwritten. "
            "Remove it and start again."
        )


def _links(path: Path) -> Iterator[Path]:
    if path.is_symlink():
        yield path
    elif path.is_dir():
        for folder, folders, files in os.walk(path):
            if Path(folder) == path and path.name == ".snakemake":
                folders[:] = [name for name in folders if name not in ENVIRONMENTS]
            places = (Path(folder) / name for name in (*folders, *files))
            yield from (place for place in places if place.is_symlink())


def plain_environment() -> None:
    """Let the steps, which work within the study, take no modules from there, nor a drawing library's backend, and give
    back the memory of tables that are read: pyarrow's own way keeps twice as much."""
    os.environ |= {"PYTHONSAFEPATH": "1", "MPLBACKEND": "agg", "ARROW_DEFAULT_MEMORY_POOL": "system"}
