"""Cut clips to listen to out of the recordings of one chunk."""

import json
from itertools import compress

from evenbore.files.digest import sha256
from evenbore.notes.chunkfile import read_chunk_rows
from evenbore.process.steplog import step
from evenbore.recording.clips import cut_clips, write_clips


def clip_chunk(rows: str, path_to_measured: str, base_dynamic: str, path_to_output: str) -> None:
    chunk = read_chunk_rows(path_to_measured)
    same = [sha256(row["path"]) == row["sha256"] for row in json.loads(rows)]  # what the guarded worker has read
    heard = [list(compress(part, same)) for part in (json.loads(rows), *chunk)]
    write_clips(cut_clips(*heard, base_dynamic), path_to_output)


if __name__ == "__main__":
    with step(snakemake):
        clip_chunk(
            rows=snakemake.params.rows,
            path_to_measured=snakemake.input.measured,
            base_dynamic=snakemake.params.base_dynamic,
            path_to_output=snakemake.output[0],
        )
