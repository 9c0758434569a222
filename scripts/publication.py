"""Write what a reviewer publishes: pictures, a sheet per instrument, sentences to quote."""

from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.process.steplog import step_log
from evenbore.publication.pictures import write_pictures
from evenbore.publication.quotes import quotes
from evenbore.publication.sheet import write_sheets
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study


def publication(study: str, config: str, tables: str, folder: str) -> None:
    results = read_results(load_study(study, config), tables)
    write_pictures(results, folder)
    write_sheets(results, Path(folder) / "sheets")
    write_text(quotes(results), Path(folder) / "quotes.txt")


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        publication(
            study=snakemake.params.study,
            config=snakemake.params.config,
            tables=snakemake.params.tables,
            folder=snakemake.params.folder,
        )
