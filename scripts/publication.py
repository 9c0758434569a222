"""Write what a reviewer publishes: pictures, a sheet per instrument, sentences to quote."""

from pathlib import Path

from evenbore.publication.pictures import write_pictures
from evenbore.publication.quotes import quotes
from evenbore.publication.sheet import write_sheets
from evenbore.results import read_results
from evenbore.sheets import load_study
from evenbore.steplog import step_log
from evenbore.tables import write_text


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
