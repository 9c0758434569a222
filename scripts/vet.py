"""Vet every instrument, say what its status is, and tell what changed between its states."""

from evenbore.compare.changes import changes, in_several_states
from evenbore.compare.pairs import compared_states
from evenbore.files.longtables import parts, read_rows
from evenbore.files.tables import read_parquet, read_table, write_table
from evenbore.findings.diagnose import study_tolerances
from evenbore.findings.status import status_table
from evenbore.findings.vet import NOTE_COLUMNS, decisions, vetting_table
from evenbore.process.steplog import step_log
from evenbore.study.sheets import load_study


def vet_study(
    study: str, config: str, recordings: str, instruments: str, note_profiles: str, notes_normalised: str,
    findings: str, criteria: str, pairs: str, ranking: str, value: str, vetting: str, status: str, changed: str,
) -> None:  # fmt: skip
    sheets = load_study(study, config)
    notes, values = read_parquet(notes_normalised, NOTE_COLUMNS), read_table(instruments, "instruments")
    base = sheets.config["base_dynamic"]
    profiles = read_rows(note_profiles, "note_profiles", lambda rows: in_several_states(rows, values, base))
    tolerances = study_tolerances(notes, sheets.instruments, sheets.families, sheets.config)
    found = read_table(findings, "findings")
    decided = decisions(
        found, read_table(recordings, "recordings"), notes, values, sheets.instruments, sheets.inspection,
        sheets.config, tolerances,
    )  # fmt: skip
    states = compared_states(values, sheets.config["states"], sheets.config["compare_state"])
    compared = (read_table(path, name) for path, name in ((ranking, "ranking"), (value, "value")))
    told = status_table(
        decided, found, values, read_table(criteria, "criteria"), parts(pairs, "pairs"), *compared, sheets, states
    )
    write_table(vetting_table(decided, sheets.instruments), "vetting", vetting)
    write_table(told, "status", status)
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
            criteria=snakemake.input.criteria,
            pairs=snakemake.input.pairs,
            ranking=snakemake.input.ranking,
            value=snakemake.input.value,
            status=snakemake.output.status,
            vetting=snakemake.output.vetting,
            changed=snakemake.output.changes,
        )
