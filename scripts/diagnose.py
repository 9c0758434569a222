"""Look for what a technician might see to; write the findings."""

from evenbore.files.tables import read_parquet, read_table, write_table
from evenbore.findings.diagnose import diagnose
from evenbore.judge.faroff import expected_notes, far_off
from evenbore.process.steplog import paths_of, step
from evenbore.study.sheets import load_study


def diagnose_study(
    path_to_study: str, path_to_config: str, path_to_recordings: str, path_to_notes_normalised: str,
    path_to_findings: str,
) -> None:  # fmt: skip
    sheets = load_study(path_to_study, path_to_config)
    notes, measured = read_parquet(path_to_notes_normalised), read_table(path_to_recordings, "recordings")
    far = far_off(notes, measured, sheets.recordings, sheets.instruments, sheets.families)
    kind = {name: sheets.families[row["family"]] for name, row in sheets.instruments.items()}
    expected = {row["recording"]: expected_notes(row, kind[row["instrument"]]) for row in sheets.recordings}
    findings = diagnose(notes, sheets.instruments, sheets.families, sheets.config, far, expected)
    write_table(findings, "findings", path_to_findings)


if __name__ == "__main__":
    with step(snakemake):
        diagnose_study(**paths_of(snakemake.params, snakemake.input, snakemake.output))
