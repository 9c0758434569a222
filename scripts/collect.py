"""Collect the chunks into one table of recordings, notes, harmonics and bands."""

from evenbore.files.errors import EvenboreError
from evenbore.files.tables import write_parquet, write_parquet_parts, write_table
from evenbore.notes.collect import collect
from evenbore.process.steplog import step_log


def collect_chunks(
    chunks: list[str], order: list[str], on_bad_recording: str,
    recordings: str, notes: str, notes_parquet: str, harmonics: str, bands: str,
) -> None:  # fmt: skip
    tables = collect(chunks, order)
    write_table(tables["recordings"], "recordings", recordings)
    bad = tables["recordings"].query("status == 'set_aside'")
    if on_bad_recording == "stop" and len(bad):
        lines = [f"{row.recording}: {row.reason}" for row in bad.itertuples()]
        raise EvenboreError("\n".join(["These recordings cannot be used (on_bad_recording: stop):", *lines]))
    write_table(tables["notes"], "notes", notes)
    write_parquet(tables["notes"], notes_parquet)
    write_parquet_parts(tables["harmonics"], harmonics)
    write_parquet_parts(tables["bands"], bands)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        collect_chunks(
            chunks=snakemake.input.chunks,
            order=snakemake.params.order,
            on_bad_recording=snakemake.params.on_bad_recording,
            recordings=snakemake.output.recordings,
            notes=snakemake.output.notes,
            notes_parquet=snakemake.output.notes_parquet,
            harmonics=snakemake.output.harmonics,
            bands=snakemake.output.bands,
        )
