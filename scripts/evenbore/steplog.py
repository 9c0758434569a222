"""A step's own log file: what it printed, and in plain words why it stopped."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path

from evenbore.errors import EvenboreError


@contextmanager
def step_log(path: str | Path) -> Iterator[None]:
    """Send what the step prints to `path`; an EvenboreError ends the step with its message alone."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8") as log, redirect_stdout(log), redirect_stderr(log):
        try:
            yield
        except EvenboreError as error:
            print(error, file=log)
            sys.exit(1)
