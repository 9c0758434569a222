"""Write what a reviewer publishes: pictures, a sheet per instrument, sentences to quote."""

from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.process.steplog import step
from evenbore.publication.pictures import write_pictures
from evenbore.publication.quotes import quotes
from evenbore.publication.sheet import write_sheets
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study


def publication(path_to_study: str, path_to_config: str, path_to_tables: str, path_to_folder: str) -> None:
    results = read_results(load_study(path_to_study, path_to_config), path_to_tables)
    write_pictures(results, path_to_folder)
    write_sheets(results, Path(path_to_folder) / "sheets")
    write_text(quotes(results), Path(path_to_folder) / "quotes.txt")


if __name__ == "__main__":
    with step(snakemake):
        publication(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            path_to_tables=snakemake.params.tables,
            path_to_folder=snakemake.params.folder,
        )
