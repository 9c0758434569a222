"""Of long results tables only what a step needs, read a part at a time."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd

from evenbore.facts.columns import names
from evenbore.files.tables import conform, read_table_parts


def empty(table: str) -> pd.DataFrame:
    """A results table without rows."""
    return conform(pd.DataFrame(columns=names(table)), table)


def parts(path: str | Path, table: str) -> Iterator[pd.DataFrame]:
    """The rows of a results table in parts; none of a missing file."""
    return read_table_parts(path, table) if Path(path).exists() else iter(())


def read_rows(path: str | Path, table: str, keep: Callable[[pd.DataFrame], pd.Series]) -> pd.DataFrame:
    """The rows of a results table for which `keep` (rows -> booleans) holds; none of a missing file."""
    kept = [part[keep(part)] for part in parts(path, table)]
    return pd.concat([part for part in kept if len(part)] or [empty(table)], ignore_index=True)
