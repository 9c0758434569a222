"""Write what a paper needs: tidy exports, data dictionary, methods text, citation file."""

from pathlib import Path

from evenbore.files.tables import read_parquet, read_table, write_text
from evenbore.process.steplog import step_log
from evenbore.report.paper import citation, exports, methods_text
from evenbore.study.sheets import load_study

READ = ("recordings", "criteria", "instruments", "factors", "variance")


def paper(study: str, config: str, tables: str, takes: str, notes: str, folder: str) -> None:
    sheets = load_study(study, config)
    read = {name: read_table(Path(tables) / f"{name}.tsv", name) for name in READ}
    files = exports(sheets, read_parquet(takes), read_parquet(notes), read)
    files |= {"methods.md": methods_text(sheets, read), "CITATION.cff": citation()}
    for name, text in files.items():
        write_text(text, Path(folder) / name)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        paper(
            snakemake.params.study, snakemake.params.config, snakemake.params.tables,
            snakemake.input.takes, snakemake.input.notes_normalised, snakemake.params.folder,
        )  # fmt: skip
