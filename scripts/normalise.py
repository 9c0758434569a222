"""Bring all recordings to one set-up; write set-ups, comparability and the normalised profiles."""

from evenbore.facts.criteria import MEASURED
from evenbore.files.tables import (
    read_parquet,
    read_parquet_parts,
    read_table,
    write_parquet,
    write_table,
    write_table_parts,
)
from evenbore.judge.values import COLUMNS
from evenbore.process.steplog import paths_of, step
from evenbore.setups.comparability import comparability
from evenbore.setups.errors import save_setup_errors
from evenbore.setups.harmonicprofiles import harmonic_profiles
from evenbore.setups.normalise import normalise
from evenbore.setups.profiles import band_profiles, note_profiles
from evenbore.setups.selfsame import unlike_itself
from evenbore.study.sheets import load_study


def normalise_study(
    path_to_study: str, path_to_config: str, path_to_recordings: str, path_to_notes: str, path_to_harmonics: str,
    path_to_bands: str, path_to_setups: str, path_to_comparability: str, path_to_note_profiles: str,
    path_to_band_profiles: str, path_to_harmonic_profiles: str, path_to_notes_normalised: str,
    path_to_setup_errors: str, path_to_tone: str,
) -> None:  # fmt: skip
    sheets = load_study(path_to_study, path_to_config)
    measured = read_table(path_to_recordings, "recordings")
    kinds = {name: row["family"] for name, row in sheets.instruments.items()}
    harmonics = read_parquet_parts(path_to_harmonics)
    normalised = normalise(measured, read_parquet(path_to_notes), harmonics, kinds)
    setups = normalised.setups.table()
    write_table(setups, "setups", path_to_setups)
    unlike = unlike_itself(normalised.notes, kinds, sheets.config["base_dynamic"])
    write_table(comparability(measured, setups, sheets.recordings, unlike), "comparability", path_to_comparability)
    notes_told = note_profiles(normalised, sheets.instruments, sheets.families)
    write_table_parts(notes_told, "note_profiles", path_to_note_profiles)
    write_table(band_profiles(normalised, read_parquet_parts(path_to_bands)), "band_profiles", path_to_band_profiles)
    harmonics = harmonic_profiles(normalised, sheets.config["base_dynamic"])
    write_table(harmonics, "harmonic_profiles", path_to_harmonic_profiles)
    write_parquet(normalised.notes, path_to_notes_normalised)
    save_setup_errors(normalised.errors.of([COLUMNS[c.measure] for c in MEASURED if c.smoothed]), path_to_setup_errors)
    write_parquet(normalised.tone, path_to_tone)


if __name__ == "__main__":
    with step(snakemake):
        normalise_study(**paths_of(snakemake.params, snakemake.input, snakemake.output))
