"""What a chunk of recordings told, in one file: written by the measuring step, read when collecting.

One `.npz` without pickled objects: the rows of recordings and notes as JSON text, harmonics and bands as
columns with the index of their recording. The same measurements give the same bytes.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from evenbore.facts.arrays import Floats
from evenbore.facts.rows import Row
from evenbore.files.atomic import write_atomically

if TYPE_CHECKING:
    from evenbore.notes.measure import Measured

_TABLES = {
    "harmonics": ("step", "harmonic", "frequency_hz", "level_db", "above_noise_db"),
    "bands": ("step", "band_hz", "level_db", "above_noise_db"),
}


def write_chunk(measured: "list[Measured]", path: str | Path) -> None:
    """Write the results of a chunk, atomically."""
    text = json.dumps({"recordings": [m.recording for m in measured], "notes": [m.notes for m in measured]})
    arrays = {"rows": np.array(text)}
    for table, columns in _TABLES.items():
        parts = [getattr(m, table) for m in measured]
        sizes = [len(part["step"]) if part else 0 for part in parts]
        arrays[f"{table}.recording"] = np.repeat(np.arange(len(parts)), sizes)
        for column in columns:
            filled = [part[column] for part, size in zip(parts, sizes, strict=True) if size]
            arrays[f"{table}.{column}"] = np.concatenate(filled) if filled else np.empty(0)

    def write(temporary: Path) -> None:
        with temporary.open("wb") as file:
            np.savez_compressed(file, allow_pickle=False, **arrays)

    write_atomically(path, write)


class ChunkRows(NamedTuple):
    """Rows of a chunk: `recordings`, and of each of them its `notes`."""

    recordings: list[Row]
    notes: list[list[Row]]


def read_chunk_rows(path: str | Path) -> ChunkRows:
    """The rows of recordings and notes in a chunk file."""
    with np.load(path, allow_pickle=False) as arrays:
        return ChunkRows(**json.loads(str(arrays["rows"])))


def read_columns(path: str | Path, table: str) -> dict[str, Floats]:
    """Return the columns of `harmonics` or `bands`; `recording` is the index into the chunk's recordings."""
    with np.load(path, allow_pickle=False) as arrays:
        return {column: arrays[f"{table}.{column}"] for column in ("recording", *_TABLES[table])}


def join_chunks(parts: Sequence[tuple[str, int]], path: str | Path) -> None:
    """Write recordings, each by its chunk file and its place there, as one chunk: the same bytes as if all were written
    at once."""
    from evenbore.notes.measure import Measured  # here, for who reads chunks needs nothing of what measures

    rows = {part: read_chunk_rows(part) for part, _ in parts}
    tables = {part: [read_columns(part, table) for table in _TABLES] for part in rows}
    measured = []
    for part, place in parts:
        own = [{name: column[table["recording"] == place] for name, column in table.items()} for table in tables[part]]
        measured.append(Measured(rows[part].recordings[place], rows[part].notes[place], *own))
    write_chunk(measured, path)
