"""Measure the recordings of one chunk, an instrument's takes in one session; what those told that are as they were at
the last run is kept."""

import json

from evenbore.process.guard import Guard, measure_chunk
from evenbore.process.steplog import step


def measure(rows: str, chunk: str, path_to_output: str, rows_before: str) -> list[str]:
    with Guard() as guard:
        for told in measure_chunk(json.loads(rows), chunk, path_to_output, guard, json.loads(rows_before)):
            print(told, end="")
        return guard.passing


if __name__ == "__main__":
    with step(snakemake) as begun:
        passing = measure(
            rows=snakemake.params.rows,
            chunk=snakemake.params.chunk,
            path_to_output=snakemake.output[0],
            rows_before=begun.made_by.get("rows", "[]"),
        )
        begun.passing.extend(passing)
