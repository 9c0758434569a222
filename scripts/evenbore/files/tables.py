"""Read and write the results tables: TSV with the columns of `columns.TABLES`, written atomically."""

from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import pandas as pd

from evenbore.facts.columns import TABLES, names
from evenbore.files.atomic import write_atomically
from evenbore.files.errors import EvenboreError
from evenbore.files.paths import shown_path

ROWS_AT_ONCE, CELLS_AT_ONCE = 20_000, 1_000_000
_PANDAS_TYPES = {"str": "string", "int": "Int64", "float": "float64"}


def conform(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """The frame with exactly the table's columns, in order and typed; a missing or extra one is an error."""
    wanted = names(table)
    if set(frame.columns) != set(wanted):
        missing, extra = set(wanted) - set(frame.columns), set(frame.columns) - set(wanted)
        raise ValueError(f"table {table}: missing columns {sorted(missing)}, extra columns {sorted(extra)}")
    return frame[wanted].astype({column.name: _PANDAS_TYPES[column.dtype] for column in TABLES[table]})


def write_table(frame: pd.DataFrame, table: str, path: str | Path) -> None:
    """Write a results table as UTF-8 TSV: six significant digits, empty cells for what is missing."""
    parts = (frame[first : first + ROWS_AT_ONCE] for first in range(0, max(len(frame), 1), ROWS_AT_ONCE))
    write_table_parts(parts, table, path)


def write_table_parts(parts: Iterable[pd.DataFrame], table: str, path: str | Path) -> None:
    """Write a results table that comes in parts, at least one, as `write_table` does."""

    def write(temporary: Path) -> None:
        with temporary.open("w", encoding="utf-8", newline="") as file:
            for number, part in enumerate(parts):
                rows = conform(part, table)
                rows = rows.assign(**{str(name): _six_digits(rows[name]) for name in rows.select_dtypes("float64")})
                rows.to_csv(file, sep="\t", index=False, header=number == 0, lineterminator="\n")

    write_atomically(path, write)


def _six_digits(values: pd.Series) -> list[str]:
    """Numbers as texts; pandas' own `float_format` takes several times as long."""
    return ["" if value != value else f"{value:.6g}" for value in values.tolist()]


def read_table(path: str | Path, table: str) -> pd.DataFrame:
    """Read a results table with its column types; only empty cells count as missing.

    Raises EvenboreError where it is not such a table.
    """
    try:
        frame: pd.DataFrame = pd.read_csv(path, **_reading(table))
        why = ", ".join(f"no column {name}" for name in names(table) if name not in frame)
    except ValueError as error:  # of pandas, which has many kinds of it
        why = str(error)
    if why:
        raise EvenboreError(f"{shown_path(path)} is not as written ({why}): delete it and run the study again.")
    return frame


def read_table_parts(path: str | Path, table: str) -> Iterator[pd.DataFrame]:
    """The rows of a results table in parts, in their order; none of a missing file."""
    if not Path(path).exists():
        return
    with pd.read_csv(path, chunksize=ROWS_AT_ONCE, **_reading(table)) as parts:
        yield from parts


def read_rows(path: str | Path, table: str, keep: Callable[[pd.DataFrame], pd.Series]) -> pd.DataFrame:
    """The rows of a long results table for which `keep` (rows -> booleans) holds; none of a missing file."""
    kept = [part[keep(part)] for part in read_table_parts(path, table)]
    return pd.concat([part for part in kept if len(part)] or [empty_table(table)], ignore_index=True)


def empty_table(table: str) -> pd.DataFrame:
    """A results table without rows."""
    return conform(pd.DataFrame(columns=names(table)), table)


def _reading(table: str) -> dict[str, Any]:
    """How pandas reads a results table."""
    types = {column.name: _PANDAS_TYPES[column.dtype] for column in TABLES[table]}
    return {"sep": "\t", "dtype": types, "keep_default_na": False, "na_values": [""], "encoding": "utf-8"}


def write_parquet(frame: pd.DataFrame, path: str | Path) -> None:
    """Write a frame as Parquet, atomically."""
    write_atomically(path, lambda temporary: frame.to_parquet(temporary, index=False))


def write_parquet_parts(parts: Iterator[pd.DataFrame], path: str | Path) -> None:
    """Write frames of the same columns, at least one, one below the other as Parquet, atomically."""
    import pyarrow
    from pyarrow.parquet import ParquetWriter

    def write(temporary: Path) -> None:
        rows = (pyarrow.Table.from_pandas(part, preserve_index=False, nthreads=1) for part in parts)
        first = next(rows)
        with ParquetWriter(temporary, first.schema) as file:
            for part in chain([first], rows):
                file.write_table(part)

    write_atomically(path, write)


def read_parquet(path: str | Path, columns: list[str] | None = None) -> pd.DataFrame:
    """Read a frame that `write_parquet` wrote, or these of its columns.

    Of a long table column by column: all at once pyarrow's and pandas' take twice the memory. In this thread alone:
    pyarrow starts others without looking whether there is memory for them, then waits for them without end.
    """
    from pyarrow.parquet import ParquetFile

    with ParquetFile(path) as file:
        there = [name for name in file.schema_arrow.names if columns is None or name in columns]
        some = max(CELLS_AT_ONCE // max(file.metadata.num_rows, 1), 1)
        read = (file.read(there[k : k + some], use_threads=False) for k in range(0, len(there), some))
        frame: pd.DataFrame = pd.concat([part.to_pandas(use_threads=False) for part in read], axis=1)
    return frame


def read_parquet_parts(path: str | Path) -> Iterator[pd.DataFrame]:
    """The rows of a long table in parts, in their order."""
    from pyarrow.parquet import ParquetFile

    with ParquetFile(path) as file:
        for part in file.iter_batches(ROWS_AT_ONCE, use_threads=False):
            yield part.to_pandas(use_threads=False)


def write_text(text: str, path: str | Path) -> None:
    """Write a text file as UTF-8, atomically."""
    write_atomically(path, lambda temporary: temporary.write_bytes(text.encode("utf-8")))
