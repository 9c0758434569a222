# What the rules share: the study's sheets, the chunks of recordings, the library modules a step depends on.

import json
import sys
from pathlib import Path

REPO = Path(workflow.basedir)
sys.path.insert(0, str(REPO / "scripts"))

from evenbore.dependencies import library_files
from evenbore.errors import StudyError
from evenbore.sheets import chunks, load_study



def here(path):
    """A path as the rules name it: relative to the study where it lies inside, forward slashes."""
    path = Path(path).absolute()
    return (path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path).as_posix()


# the last config file given wins: the one on the command line, else the study's own
CONFIG = here(workflow.configfiles[-1])

try:
    STUDY = load_study(Path.cwd(), CONFIG)
except StudyError as error:
    raise WorkflowError(f"The study has problems that must be mended first:\n{error}")

CHUNKS = {
    chunk: [
        row | {key: here(row[key]) for key in ("path", "families_dir") if row[key]}
        for row in rows
    ]
    for chunk, rows in chunks(STUDY).items()
}
SHEETS = [here(path) for path in STUDY.files.values()]
TABLES = "results/tables"
WORK = "results/work"
FAMILY_FILES = sorted(path.as_posix() for path in (REPO / "scripts/evenbore/trade/families").glob("*.yaml"))


wildcard_constraints:
    chunk="[A-Za-z0-9_-]+",


def audio_of_chunk(wildcards):
    """The chunk's recordings that are there; a missing one is set aside by the step itself."""
    return [row["path"] for row in CHUNKS[wildcards.chunk] if Path(row["path"]).is_file()]


def rows_of_chunk(wildcards):
    """The chunk's rows of the sheet, as JSON: what the measurement depends on, and no more."""
    return json.dumps(CHUNKS[wildcards.chunk], sort_keys=True)
