"""A step's own log file: what it printed, and why it stopped."""

import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path

from evenbore.files.errors import NO_MEMORY, OUT_OF_MEMORY, EvenboreError, in_words
from evenbore.process import blas


@contextmanager
def step_log(path: str | Path) -> Iterator[None]:
    """Send what the step prints to `path`, and why it failed: plain words where there are any, else a traceback."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8") as log, redirect_stdout(log), redirect_stderr(log):
        try:
            blas.reserve()
            yield
        except EvenboreError as error:
            print(error, file=log)
            sys.exit(1)
        except (OSError, MemoryError) as error:
            print(in_words(error), file=log)
            sys.exit(1)
        except Exception as error:
            if NO_MEMORY.search(str(error)):
                print(OUT_OF_MEMORY, file=log)
                sys.exit(1)
            traceback.print_exc(file=log)
            raise
