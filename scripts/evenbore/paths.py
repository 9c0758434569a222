"""How paths are shown to people."""

import os
from pathlib import Path


def shown(path: str | os.PathLike) -> str:
    """The path relative to the current directory where it lies below it, else as given."""
    try:
        return str(Path(path).absolute().relative_to(Path.cwd()))
    except ValueError:
        return str(path)
