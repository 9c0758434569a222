"""Collect the chunks into one table of recordings, notes, harmonics and bands."""

from evenbore.files.errors import EvenboreError
from evenbore.files.tables import write_parquet, write_parquet_parts, write_table
from evenbore.notes.collect import collect
from evenbore.process.steplog import paths_of, step


def collect_chunks(
    paths_to_chunks: list[str], order: list[str], phrases: dict[str, list[int]], on_bad_recording: str,
    path_to_recordings: str, path_to_notes: str, path_to_notes_parquet: str, path_to_passage_notes: str,
    path_to_passage_notes_parquet: str, path_to_harmonics: str, path_to_bands: str,
) -> None:  # fmt: skip
    tables = collect(paths_to_chunks, order, phrases)
    write_table(tables["recordings"], "recordings", path_to_recordings)
    bad = tables["recordings"].query("status == 'set_aside'")
    if on_bad_recording == "stop" and len(bad):
        lines = [f"{row.recording}: {row.reason}" for row in bad.itertuples()]
        raise EvenboreError("\n".join(["These recordings cannot be used (on_bad_recording: stop):", *lines]))
    write_table(tables["notes"], "notes", path_to_notes)
    write_parquet(tables["notes"], path_to_notes_parquet)
    write_table(tables["passage_notes"], "passage_notes", path_to_passage_notes)
    write_parquet(tables["passage_notes"], path_to_passage_notes_parquet)
    write_parquet_parts(tables["harmonics"], path_to_harmonics)
    write_parquet_parts(tables["bands"], path_to_bands)


if __name__ == "__main__":
    with step(snakemake):
        collect_chunks(
            paths_to_chunks=snakemake.input.chunks,
            order=snakemake.params.order,
            phrases=snakemake.params.phrases,
            on_bad_recording=snakemake.params.on_bad_recording,
            **paths_of(snakemake.output),
        )
