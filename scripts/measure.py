"""Measure the recordings of one chunk: an instrument's takes in one session."""

import json

from evenbore.chunkfile import write_chunk
from evenbore.digest import sha256
from evenbore.measure import measure_recording
from evenbore.steplog import step_log


def measure_chunk(rows: str, chunk: str, path_to_output: str) -> None:
    rows = json.loads(rows)
    measured = [measure_recording(row) for row in rows]
    for row, one in zip(rows, measured, strict=True):
        one.recording.update(chunk=chunk, sha256=sha256(row["path"]))
    write_chunk(measured, path_to_output)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        measure_chunk(
            rows=snakemake.params.rows,
            chunk=snakemake.params.chunk,
            path_to_output=snakemake.output[0],
        )
