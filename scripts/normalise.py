"""Bring all recordings to one set-up; write set-ups, comparability and the normalised profiles."""

from evenbore.files.tables import read_parquet, read_parquet_parts, read_table, write_parquet, write_table
from evenbore.process.steplog import step_log
from evenbore.setups.comparability import comparability
from evenbore.setups.errors import save_setup_errors
from evenbore.setups.normalise import normalise
from evenbore.setups.profiles import band_profiles, note_profiles
from evenbore.study.sheets import load_study


def normalise_study(
    study: str, config: str, recordings: str, notes: str, harmonics: str, bands: str,
    setups: str, links: str, note_table: str, band_table: str, notes_out: str, errors_out: str,
) -> None:  # fmt: skip
    sheets = load_study(study, config)
    measured = read_table(recordings, "recordings")
    normalised = normalise(measured, read_parquet(notes), read_parquet_parts(harmonics))
    write_table(normalised.setups.table(), "setups", setups)
    write_table(comparability(measured, normalised.setups.table(), sheets.recordings), "comparability", links)
    write_table(note_profiles(normalised, sheets.instruments, sheets.families), "note_profiles", note_table)
    write_table(band_profiles(normalised, read_parquet_parts(bands)), "band_profiles", band_table)
    write_parquet(normalised.notes, notes_out)
    save_setup_errors(normalised.errors, errors_out)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        normalise_study(
            study=snakemake.params.study,
            config=snakemake.params.config,
            recordings=snakemake.input.recordings,
            notes=snakemake.input.notes,
            harmonics=snakemake.input.harmonics,
            bands=snakemake.input.bands,
            setups=snakemake.output.setups,
            links=snakemake.output.comparability,
            note_table=snakemake.output.note_profiles,
            band_table=snakemake.output.band_profiles,
            notes_out=snakemake.output.notes_normalised,
            errors_out=snakemake.output.setup_errors,
        )
