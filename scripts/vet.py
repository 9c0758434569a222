"""Vet every instrument, and tell what changed between its states."""

from evenbore.compare.changes import changes, in_several_states
from evenbore.files.longtables import read_rows
from evenbore.files.tables import read_parquet, read_table, write_table
from evenbore.findings.diagnose import study_tolerances
from evenbore.findings.vet import NOTE_COLUMNS, vet
from evenbore.process.steplog import step_log
from evenbore.study.sheets import load_study


def vet_study(
    study: str, config: str, recordings: str, instruments: str, note_profiles: str, notes_normalised: str,
    findings: str, vetting: str, changed: str,
) -> None:  # fmt: skip
    sheets = load_study(study, config)
    notes, values = read_parquet(notes_normalised, NOTE_COLUMNS), read_table(instruments, "instruments")
    base = sheets.config["base_dynamic"]
    profiles = read_rows(note_profiles, "note_profiles", lambda rows: in_several_states(rows, values, base))
    tolerances = study_tolerances(notes, sheets.instruments, sheets.families, sheets.config)
    table = vet(
        read_table(findings, "findings"), read_table(recordings, "recordings"), notes, values,
        sheets.instruments, sheets.inspection, sheets.config, tolerances,
    )  # fmt: skip
    write_table(table, "vetting", vetting)
    write_table(changes(values, profiles, sheets.config, tolerances), "changes", changed)


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
