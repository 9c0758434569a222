"""Write a file whole or not at all."""

import os
from collections.abc import Callable
from pathlib import Path


def write_atomically(path: str | Path, write: Callable[[Path], object]) -> None:
    """Let `write` write a temporary file beside `path`, then put it in its place.

    Readers see the old file or the new one. What a run that was cut off has left half written is cleared away.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    for left in path.parent.glob(f".{path.name}.*.part"):
        left.unlink(missing_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        write(temporary)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
