"""How paths are shown to people."""

import os
from pathlib import Path


def shown_path(path: str | os.PathLike[str]) -> str:
    """The path relative to the current directory where it lies below it, else as given."""
    try:
        return str(Path(path).absolute().relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def command() -> str:
    """How evenbore was called: `evenbore`, or what start.py was called by."""
    return os.environ.get("EVENBORE_COMMAND", "evenbore")


def typed(path: str | os.PathLike[str]) -> str:
    """The path as it is typed in a command: shown, and in quotes if it holds spaces."""
    text = shown_path(path)
    return f'"{text}"' if " " in text else text
