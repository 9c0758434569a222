"""Write the bench tickets: one page, as PDF and HTML, for every instrument that goes to the bench."""

from pathlib import Path

from evenbore.files.tables import read_table
from evenbore.process.steplog import step_log
from evenbore.study.sheets import load_study
from evenbore.tickets.page import write_html
from evenbore.tickets.pdf import write_pdf
from evenbore.tickets.ticket import tickets


def write_tickets(
    study: str, config: str, findings: str, status: str, vetting: str, changes: str, folder: str
) -> None:  # fmt: skip
    read = {"findings": findings, "status": status, "vetting": vetting, "changes": changes}
    tables = [read_table(path, name) for name, path in read.items()]
    Path(folder).mkdir(parents=True, exist_ok=True)
    for ticket in tickets(load_study(study, config), *tables):
        write_html(ticket, Path(folder) / f"{ticket.file}.html")
        write_pdf(ticket, Path(folder) / f"{ticket.file}.pdf")


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        write_tickets(
            study=snakemake.params.study,
            config=snakemake.params.config,
            findings=snakemake.input.findings,
            status=snakemake.input.status,
            vetting=snakemake.input.vetting,
            changes=snakemake.input.changes,
            folder=snakemake.output[0],
        )
