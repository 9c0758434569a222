"""Draw the figures of a study, the main ones as pictures to publish too, and write their captions."""

from evenbore.figures.draw import draw_figures, write_captions
from evenbore.process.steplog import paths_of, step
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study


def figures(
    path_to_study: str, path_to_config: str, path_to_tables: str, path_to_figures: str, path_to_captions: str,
    path_to_publication: str,
) -> None:  # fmt: skip
    results = read_results(load_study(path_to_study, path_to_config), path_to_tables)
    draw_figures(results, path_to_figures, path_to_publication)
    write_captions(path_to_captions)


if __name__ == "__main__":
    with step(snakemake):
        figures(**paths_of(snakemake.params))
