"""Where evenbore's own files are, and how paths are shown to people."""

import os
from pathlib import Path

IMPORTED_FROM = Path(__file__).resolve().parents[2]  # the folder that holds the package: `scripts`, or where pip put it


def repo_root() -> Path:
    """The folder that holds `Snakefile`, `config/`, `workflow/` and `scripts/`.

    That is the checkout; an installed package brings it along as `evenbore_repo`, beside the library (pyproject.toml).
    """
    installed = IMPORTED_FROM / "evenbore_repo"
    return installed if installed.is_dir() else IMPORTED_FROM.parent


def shown_path(path: str | os.PathLike[str]) -> str:
    """The path relative to the current directory where it lies below it, else as given; nothing in it steers a
    terminal."""
    try:
        return harmless(str(Path(path).absolute().relative_to(Path.cwd())))
    except ValueError:
        return harmless(str(path))


def harmless(text: str) -> str:
    """The text with characters that would upset a terminal replaced."""
    return "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in text)


def command() -> str:
    """How evenbore was called: `evenbore`, or what start.py was called by."""
    return os.environ.get("EVENBORE_COMMAND", "evenbore")


def typed(path: str | os.PathLike[str]) -> str:
    """The path as it is typed in a command: shown, and in quotes if it holds spaces."""
    text = shown_path(path)
    return f'"{text}"' if " " in text else text
