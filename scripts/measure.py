"""Measure the recordings of one chunk: an instrument's takes in one session."""

import json

from evenbore.process.guard import Guard, measure_chunk
from evenbore.process.steplog import step_log


def measure(rows: str, chunk: str, path_to_output: str) -> None:
    with Guard() as guard:
        for told in measure_chunk(json.loads(rows), chunk, path_to_output, guard):
            print(told, end="")


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        measure(
            rows=snakemake.params.rows,
            chunk=snakemake.params.chunk,
            path_to_output=snakemake.output[0],
        )
