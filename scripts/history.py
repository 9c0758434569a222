"""Note what the run answers, beside the runs before it."""

import json
from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.process.steplog import step
from evenbore.run.history import note_run


def note_history(path_to_tables: str, path_to_provenance: str, path_to_history: str, path_to_output: str) -> None:
    """The history is no output of the step, for the workflow clears outputs away before a step is run again."""
    record = json.loads(Path(path_to_provenance).read_text("utf-8"))
    note_run(Path(path_to_tables), record, Path(path_to_history))
    write_text("", path_to_output)


if __name__ == "__main__":
    with step(snakemake):
        note_history(
            path_to_tables=snakemake.params.tables,
            path_to_provenance=snakemake.input.provenance,
            path_to_history=snakemake.params.history,
            path_to_output=snakemake.output[0],
        )
