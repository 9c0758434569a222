"""Measure the recordings of one chunk: an instrument's takes in one session."""

import json

from evenbore.process.guard import Guard, measure_chunk
from evenbore.process.steplog import step


def measure(rows: str, chunk: str, path_to_output: str) -> list[str]:
    with Guard() as guard:
        for told in measure_chunk(json.loads(rows), chunk, path_to_output, guard):
            print(told, end="")
        return guard.passing


if __name__ == "__main__":
    with step(snakemake) as passing:
        passing += measure(
            rows=snakemake.params.rows,
            chunk=snakemake.params.chunk,
            path_to_output=snakemake.output[0],
        )
