"""Write what is to be printed, sent or published: sheets, sentences, workbook, bench tickets, what a paper needs."""

from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.process.steplog import step
from evenbore.publication.quotes import quotes
from evenbore.publication.sheet import write_sheets
from evenbore.report.paper import write_paper
from evenbore.report.results import Results, read_results
from evenbore.report.workbook import write_workbook
from evenbore.study.sheets import load_study
from evenbore.tickets.page import write_html
from evenbore.tickets.pdf import write_pdf
from evenbore.tickets.ticket import tickets


def write_publication(results: Results, folder: str | Path, path_to_workbook: str | Path) -> None:
    """What a reviewer publishes: a sheet per instrument, sentences to quote; the tables to decide by as a workbook."""
    write_sheets(results, Path(folder) / "sheets")
    write_text(quotes(results), Path(folder) / "quotes.txt")
    write_workbook(results, path_to_workbook)


def write_tickets(results: Results, folder: str | Path) -> None:
    """One page, as PDF and HTML, for every instrument that goes to the bench."""
    read = (results.tables[name] for name in ("findings", "status", "vetting", "changes"))
    Path(folder).mkdir(parents=True, exist_ok=True)
    for ticket in tickets(results.study, *read):
        write_html(ticket, Path(folder) / f"{ticket.file}.html")
        write_pdf(ticket, Path(folder) / f"{ticket.file}.pdf")


if __name__ == "__main__":
    with step(snakemake):
        study = load_study(snakemake.params.study, snakemake.params.config)
        results = read_results(study, snakemake.params.tables)
        write_publication(results, snakemake.params.folder, snakemake.output.workbook)
        write_tickets(results, snakemake.output.tickets)
        write_paper(results, snakemake.input.takes, snakemake.input.notes_normalised, snakemake.params.paper)
