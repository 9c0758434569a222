"""Note down what the results were made from, and what the run answers, beside the runs before it."""

import json
from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.notes.chunkfile import read_chunk_rows
from evenbore.process.steplog import step
from evenbore.run.history import note_run
from evenbore.run.provenance import provenance
from evenbore.study.sheets import load_study


def note_provenance(
    path_to_study: str, path_to_config: str, paths_to_sheets: list[str], paths_to_chunks: list[str],
    paths_to_benchmarks: list[str], path_to_output: str,
) -> None:  # fmt: skip
    loaded = load_study(path_to_study, path_to_config)
    measured = [row for path in paths_to_chunks for row in read_chunk_rows(path).recordings]
    digests = {row["recording"]: row["sha256"] for row in measured}
    record = provenance(loaded.config, paths_to_sheets, loaded.recordings, digests, paths_to_benchmarks)
    write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", path_to_output)


def note_history(path_to_tables: str, path_to_provenance: str, path_to_history: str) -> None:
    """The history is no output of the step, for the workflow clears outputs away before a step is run again."""
    record = json.loads(Path(path_to_provenance).read_text("utf-8"))
    note_run(Path(path_to_tables), record, Path(path_to_history))


if __name__ == "__main__":
    with step(snakemake):
        note_provenance(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            paths_to_sheets=snakemake.input.sheets,
            paths_to_chunks=snakemake.input.chunks,
            paths_to_benchmarks=snakemake.input.benchmarks,
            path_to_output=snakemake.output[0],
        )
        note_history(
            path_to_tables=snakemake.params.tables,
            path_to_provenance=snakemake.output[0],
            path_to_history=snakemake.params.history,
        )
