"""Draw the figures of a study."""

from evenbore.figures.draw import draw_figures
from evenbore.process.steplog import step_log
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study


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
