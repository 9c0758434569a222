"""Vet every instrument, say what its status is, and tell what changed between its states."""

from evenbore.compare.changes import changes, in_several_states
from evenbore.compare.pairs import compared_states
from evenbore.files.tables import read_parquet, read_rows, read_table, read_table_parts, write_table
from evenbore.findings.diagnose import study_tolerances
from evenbore.findings.status import status_table
from evenbore.findings.vet import NOTE_COLUMNS, decisions, vetting_table
from evenbore.judge.repeatability import read_assessment
from evenbore.process.steplog import paths_of, step
from evenbore.study.sheets import load_study


def vet_study(
    path_to_study: str, path_to_config: str, path_to_recordings: str, path_to_instruments: str,
    path_to_note_profiles: str, path_to_notes_normalised: str, path_to_findings: str, path_to_criteria: str,
    path_to_takes: str, path_to_shifts: str, path_to_days: str, path_to_pairs: str, path_to_ranking: str,
    path_to_value: str, path_to_vetting: str, path_to_status: str, path_to_changes: str,
) -> None:  # fmt: skip
    sheets = load_study(path_to_study, path_to_config)
    notes, values = read_parquet(path_to_notes_normalised, NOTE_COLUMNS), read_table(path_to_instruments, "instruments")
    base = sheets.config["base_dynamic"]
    profiles = read_rows(path_to_note_profiles, "note_profiles", lambda rows: in_several_states(rows, values, base))
    tolerances = study_tolerances(notes, sheets.instruments, sheets.families, sheets.config)
    findings = read_table(path_to_findings, "findings")
    decided = decisions(
        findings, read_table(path_to_recordings, "recordings"), notes, values, sheets.instruments, sheets.inspection,
        sheets.config, tolerances,
    )  # fmt: skip
    states = compared_states(values, sheets.config["states"], sheets.config["compare_state"])
    status = status_table(
        decided, findings, values, read_table(path_to_criteria, "criteria"), read_table_parts(path_to_pairs, "pairs"),
        read_table(path_to_ranking, "ranking"), read_table(path_to_value, "value"), sheets, states,
    )  # fmt: skip
    write_table(vetting_table(decided, sheets.instruments), "vetting", path_to_vetting)
    write_table(status, "status", path_to_status)
    assessed = read_assessment(values, path_to_takes, path_to_shifts, path_to_days)
    write_table(changes(assessed, profiles, sheets.config, tolerances), "changes", path_to_changes)


if __name__ == "__main__":
    with step(snakemake):
        vet_study(**paths_of(snakemake.params, snakemake.input, snakemake.output))
