"""Look for what a technician might see to; write the findings."""

from evenbore.files.tables import read_parquet, write_table
from evenbore.findings.diagnose import diagnose
from evenbore.process.steplog import step_log
from evenbore.study.sheets import load_study


def diagnose_study(
    path_to_study: str, path_to_config: str, path_to_notes_normalised: str, path_to_findings: str
) -> None:
    sheets = load_study(path_to_study, path_to_config)
    notes = read_parquet(path_to_notes_normalised)
    write_table(diagnose(notes, sheets.instruments, sheets.families, sheets.config), "findings", path_to_findings)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        diagnose_study(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            path_to_notes_normalised=snakemake.input.notes_normalised,
            path_to_findings=snakemake.output.findings,
        )
