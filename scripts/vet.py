"""Vet every instrument, and tell what changed between its states."""

from evenbore.changes import changes
from evenbore.diagnose import study_tolerances
from evenbore.sheets import load_study
from evenbore.steplog import step_log
from evenbore.tables import read_parquet, read_table, write_table
from evenbore.vet import vet


def vet_study(
    study: str, config: str, recordings: str, instruments: str, note_profiles: str, notes_normalised: str,
    findings: str, vetting: str, changed: str,
) -> None:  # fmt: skip
    sheets = load_study(study, config)
    notes, values = read_parquet(notes_normalised), read_table(instruments, "instruments")
    profiles = read_table(note_profiles, "note_profiles")
    tolerances = study_tolerances(notes, sheets.instruments, sheets.families, sheets.config)
    table = vet(
        read_table(findings, "findings"), read_table(recordings, "recordings"), notes, values,
        sheets.instruments, sheets.inspection, sheets.config, tolerances,
    )  # fmt: skip
    write_table(table, "vetting", vetting)
    at_base = profiles[profiles["dynamic"] == sheets.config["base_dynamic"]]
    write_table(changes(values, at_base, sheets.config, tolerances), "changes", changed)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        vet_study(
            study=snakemake.params.study,
            config=snakemake.params.config,
            recordings=snakemake.input.recordings,
            instruments=snakemake.input.instruments,
            note_profiles=snakemake.input.note_profiles,
            notes_normalised=snakemake.input.notes_normalised,
            findings=snakemake.input.findings,
            vetting=snakemake.output.vetting,
            changed=snakemake.output.changes,
        )
