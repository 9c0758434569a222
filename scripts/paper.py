"""Write what a paper needs: tidy exports, data dictionary, methods text, citation file."""

from pathlib import Path

from evenbore.files.tables import read_parquet, read_table, write_text
from evenbore.process.steplog import step
from evenbore.report.paper import citation, exports, methods_text
from evenbore.study.sheets import load_study

READ = ("recordings", "criteria", "instruments", "factors", "variance", "tone_factors")


def paper(
    path_to_study: str, path_to_config: str, path_to_tables: str, path_to_takes: str, path_to_notes_normalised: str,
    path_to_folder: str,
) -> None:  # fmt: skip
    sheets = load_study(path_to_study, path_to_config)
    read = {name: read_table(Path(path_to_tables) / f"{name}.tsv", name) for name in READ}
    files = exports(sheets, read_parquet(path_to_takes), read_parquet(path_to_notes_normalised), read)
    files |= {"methods.md": methods_text(sheets, read), "CITATION.cff": citation()}
    for name, text in files.items():
        write_text(text, Path(path_to_folder) / name)


if __name__ == "__main__":
    with step(snakemake):
        paper(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            path_to_tables=snakemake.params.tables,
            path_to_takes=snakemake.input.takes,
            path_to_notes_normalised=snakemake.input.notes_normalised,
            path_to_folder=snakemake.params.folder,
        )
