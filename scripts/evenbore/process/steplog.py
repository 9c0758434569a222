"""What a step leaves beside its outputs: a log of what it printed and why it stopped, and a record of what it made."""

import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

from evenbore.files.errors import OUT_OF_MEMORY, EvenboreError, in_words, lacks_memory
from evenbore.process import blas, made


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
        except OSError as error:
            print(in_words(error), file=log)
            sys.exit(1)
        except Exception as error:
            if lacks_memory(error):
                print(OUT_OF_MEMORY, file=log)
                sys.exit(1)
            traceback.print_exc(file=log)
            raise


def paths_of(*named: Any) -> dict[str, str]:
    """The paths that a rule names (its inputs, outputs, params) as its step's function takes them; lists are left out.

    >>> paths_of({"study": "."}, {"notes": "results/tables/notes.tsv", "sheets": ["config/sessions.tsv"]})
    {'path_to_study': '.', 'path_to_notes': 'results/tables/notes.tsv'}
    """
    return {f"path_to_{name}": path for paths in named for name, path in paths.items() if isinstance(path, str)}


class Begun(NamedTuple):
    """A step that is at work.

    `made_by`: see there. Into `passing` goes what may be different at another time, such as a lack of memory: then no
    record is left, and the next run does the step again.
    """

    made_by: dict[str, Any]
    passing: list[str]


@contextmanager
def step(snakemake: Any) -> Iterator[Begun]:
    """Do a step's work, with its log and its record; `snakemake` is what Snakemake gives to its script."""
    job = made.Job(str(snakemake.log[0]), [*snakemake.output], dict(snakemake.params.items()))
    with step_log(job.log):
        inputs = made.digests(snakemake.input)
        begun = Begun(made.made_by(job, inputs), [])
        made.forget_made(job.log)
        yield begun
        if not begun.passing:
            made.note_made(job, inputs)
