"""Look for what a technician might see to; write the findings."""

from evenbore.files.tables import read_parquet, write_table
from evenbore.findings.diagnose import diagnose
from evenbore.process.steplog import step_log
from evenbore.study.sheets import load_study


def diagnose_study(study: str, config: str, notes_normalised: str, findings: str) -> None:
    sheets = load_study(study, config)
    notes = read_parquet(notes_normalised)
    write_table(diagnose(notes, sheets.instruments, sheets.families, sheets.config), "findings", findings)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        diagnose_study(
            study=snakemake.params.study,
            config=snakemake.params.config,
            notes_normalised=snakemake.input.notes_normalised,
            findings=snakemake.output.findings,
        )
