"""Write the bench tickets: one page, as PDF and HTML, for every instrument that goes to the bench."""

from pathlib import Path

from evenbore.files.tables import read_table
from evenbore.process.steplog import step
from evenbore.study.sheets import load_study
from evenbore.tickets.page import write_html
from evenbore.tickets.pdf import write_pdf
from evenbore.tickets.ticket import tickets


def write_tickets(
    path_to_study: str, path_to_config: str, path_to_findings: str, path_to_status: str, path_to_vetting: str,
    path_to_changes: str, path_to_folder: str,
) -> None:  # fmt: skip
    findings, status = read_table(path_to_findings, "findings"), read_table(path_to_status, "status")
    vetting, changes = read_table(path_to_vetting, "vetting"), read_table(path_to_changes, "changes")
    Path(path_to_folder).mkdir(parents=True, exist_ok=True)
    for ticket in tickets(load_study(path_to_study, path_to_config), findings, status, vetting, changes):
        write_html(ticket, Path(path_to_folder) / f"{ticket.file}.html")
        write_pdf(ticket, Path(path_to_folder) / f"{ticket.file}.pdf")


if __name__ == "__main__":
    with step(snakemake):
        write_tickets(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            path_to_findings=snakemake.input.findings,
            path_to_status=snakemake.input.status,
            path_to_vetting=snakemake.input.vetting,
            path_to_changes=snakemake.input.changes,
            path_to_folder=snakemake.output[0],
        )
