"""Draw the figures of a study."""

from evenbore.figures.draw import draw_figures
from evenbore.results import read_results
from evenbore.sheets import load_study
from evenbore.steplog import step_log


def figures(study: str, config: str, tables: str, figures: str) -> None:
    draw_figures(read_results(load_study(study, config), tables), figures)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        figures(
            study=snakemake.params.study,
            config=snakemake.params.config,
            tables=snakemake.params.tables,
            figures=snakemake.params.figures,
        )
