"""Cut the clips that the report lets listen to, as many as the config gives room for; those of takes that are as they
were at the last run are taken from it."""

import json
from itertools import chain

from evenbore.notes.chunkfile import read_chunk_rows
from evenbore.page.sound import in_turn
from evenbore.process.made import digests
from evenbore.process.steplog import step
from evenbore.recording.clips import cut_clips, kept_clips, takes_to_hear, write_clips
from evenbore.report.results import read_results
from evenbore.study.sheets import chunks, load_study

MB = 1_000_000


def clips(
    path_to_study: str, path_to_config: str, path_to_tables: str, paths_to_measured: list[str],
    paths_to_code: list[str], path_to_output: str,
) -> None:  # fmt: skip
    """`paths_to_measured`: of all chunks, in their order."""
    study = load_study(path_to_study, path_to_config)
    takes = chain.from_iterable(
        takes_to_hear(rows, *read_chunk_rows(path), study.config["base_dynamic"])
        for rows, path in zip(chunks(study).values(), paths_to_measured, strict=True)
    )
    turns = in_turn(read_results(study, path_to_tables), list(takes))
    code, room = json.dumps(digests(paths_to_code)), MB * study.config["report"]["sound_mb"]
    write_clips(cut_clips(turns, room, code, kept_clips(path_to_output)), path_to_output)


if __name__ == "__main__":
    with step(snakemake):
        clips(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            path_to_tables=snakemake.params.tables,
            paths_to_measured=snakemake.input.measured,
            paths_to_code=snakemake.input.code,
            path_to_output=snakemake.output[0],
        )
