"""Draw the figures of a study."""

from evenbore.figures.draw import draw_figures
from evenbore.process.steplog import step_log
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study


def figures(path_to_study: str, path_to_config: str, path_to_tables: str, path_to_figures: str) -> None:
    draw_figures(read_results(load_study(path_to_study, path_to_config), path_to_tables), path_to_figures)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        figures(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            path_to_tables=snakemake.params.tables,
            path_to_figures=snakemake.params.figures,
        )
