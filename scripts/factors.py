"""Test what the instruments' properties do, and split the scatter of every criterion into its sources."""

from evenbore.compare.components import variance_table
from evenbore.compare.factors import factors_table, played_takes
from evenbore.compare.pairs import compared_states
from evenbore.compare.tonefactors import tone_factors_table
from evenbore.files.tables import read_parquet, read_table, write_table
from evenbore.process.steplog import paths_of, step
from evenbore.study.sheets import load_study


def factors_of_study(
    path_to_study: str, path_to_config: str, path_to_criteria: str, path_to_instruments: str, path_to_takes: str,
    path_to_notes_normalised: str, path_to_tone: str, path_to_factors: str, path_to_variance: str,
    path_to_tone_factors: str,
) -> None:  # fmt: skip
    sheets = load_study(path_to_study, path_to_config)
    settings = sheets.config
    recordings = {row["recording"]: row for row in sheets.recordings}
    values, notes = read_parquet(path_to_takes), read_parquet(path_to_notes_normalised)
    judged = read_table(path_to_instruments, "instruments")
    states = compared_states(judged, settings["states"], settings["compare_state"])
    tested = factors_table(
        values, read_table(path_to_criteria, "criteria"), sheets.instruments, recordings, states,
        settings["factors"], settings["seed"],
    )  # fmt: skip
    scatter = variance_table(
        played_takes(values, recordings, states), notes, sheets.instruments, sheets.families,
        settings["base_dynamic"], settings["seed"],
    )  # fmt: skip
    curves = tone_factors_table(
        read_parquet(path_to_tone), notes, sheets.instruments, recordings, states, settings["base_dynamic"],
        settings["factors"], settings["seed"],
    )  # fmt: skip
    write_table(tested, "factors", path_to_factors)
    write_table(curves, "tone_factors", path_to_tone_factors)
    write_table(scatter, "variance", path_to_variance)


if __name__ == "__main__":
    with step(snakemake):
        factors_of_study(**paths_of(snakemake.params, snakemake.input, snakemake.output))
