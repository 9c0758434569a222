"""Cut clips to listen to out of the recordings of one chunk."""

import json

from evenbore.notes.chunkfile import read_chunk_rows
from evenbore.process.steplog import step
from evenbore.recording.clips import cut_clips, write_clips


def clip_chunk(rows: str, path_to_measured: str, base_dynamic: str, path_to_output: str) -> None:
    write_clips(cut_clips(json.loads(rows), *read_chunk_rows(path_to_measured), base_dynamic), path_to_output)


if __name__ == "__main__":
    with step(snakemake):
        clip_chunk(
            rows=snakemake.params.rows,
            path_to_measured=snakemake.input.measured,
            base_dynamic=snakemake.params.base_dynamic,
            path_to_output=snakemake.output[0],
        )
