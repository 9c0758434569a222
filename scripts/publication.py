"""Write what is to be printed, sent or published: sheets, sentences, workbook, bench tickets, what a paper needs."""

from pathlib import Path

from evenbore.files.tables import read_parquet, read_table, write_text
from evenbore.process.steplog import step
from evenbore.publication.quotes import quotes
from evenbore.publication.sheet import write_sheets
from evenbore.report.paper import citation, exports, methods_text
from evenbore.report.results import read_results
from evenbore.report.workbook import write_workbook
from evenbore.study.sheets import load_study
from evenbore.tickets.page import write_html
from evenbore.tickets.pdf import write_pdf
from evenbore.tickets.ticket import tickets

READ = ("recordings", "criteria", "instruments", "factors", "variance", "tone_factors")


def publication(
    path_to_study: str, path_to_config: str, path_to_tables: str, path_to_folder: str, path_to_workbook: str
) -> None:
    """What a reviewer publishes: a sheet per instrument, sentences to quote; the tables to decide by as a workbook."""
    results = read_results(load_study(path_to_study, path_to_config), path_to_tables)
    write_sheets(results, Path(path_to_folder) / "sheets")
    write_text(quotes(results), Path(path_to_folder) / "quotes.txt")
    write_workbook(results, path_to_workbook)


def write_tickets(path_to_study: str, path_to_config: str, path_to_tables: str, path_to_folder: str) -> None:
    """One page, as PDF and HTML, for every instrument that goes to the bench."""
    read = (read_table(Path(path_to_tables) / f"{name}.tsv", name)
            for name in ("findings", "status", "vetting", "changes"))  # fmt: skip
    Path(path_to_folder).mkdir(parents=True, exist_ok=True)
    for ticket in tickets(load_study(path_to_study, path_to_config), *read):
        write_html(ticket, Path(path_to_folder) / f"{ticket.file}.html")
        write_pdf(ticket, Path(path_to_folder) / f"{ticket.file}.pdf")


def paper(
    path_to_study: str, path_to_config: str, path_to_tables: str, path_to_takes: str, path_to_notes_normalised: str,
    path_to_folder: str,
) -> None:  # fmt: skip
    """Tidy exports, data dictionary, methods text, citation file."""
    sheets = load_study(path_to_study, path_to_config)
    read = {name: read_table(Path(path_to_tables) / f"{name}.tsv", name) for name in READ}
    files = exports(sheets, read_parquet(path_to_takes), read_parquet(path_to_notes_normalised), read)
    files |= {"methods.md": methods_text(sheets, read), "CITATION.cff": citation()}
    for name, text in files.items():
        write_text(text, Path(path_to_folder) / name)


if __name__ == "__main__":
    with step(snakemake):
        study = {
            "path_to_study": snakemake.params.study,
            "path_to_config": snakemake.params.config,
            "path_to_tables": snakemake.params.tables,
        }
        publication(**study, path_to_folder=snakemake.params.folder, path_to_workbook=snakemake.output.workbook)
        write_tickets(**study, path_to_folder=snakemake.output.tickets)
        paper(
            **study,
            path_to_takes=snakemake.input.takes,
            path_to_notes_normalised=snakemake.input.notes_normalised,
            path_to_folder=snakemake.params.paper,
        )
