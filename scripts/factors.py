"""Test what the instruments' properties do, and split the scatter of every criterion into its sources."""

from evenbore.compare.components import variance_table
from evenbore.compare.factors import factors_table, played_takes
from evenbore.compare.pairs import compared_states
from evenbore.files.tables import read_parquet, read_table, write_table
from evenbore.process.steplog import step_log
from evenbore.study.sheets import load_study


def factors_of_study(
    study: str, config: str, criteria: str, instruments: str, takes: str, notes_normalised: str,
    factors: str, variance: str,
) -> None:  # fmt: skip
    sheets = load_study(study, config)
    settings = sheets.config
    recordings = {row["recording"]: row for row in sheets.recordings}
    values, notes = read_parquet(takes), read_parquet(notes_normalised)
    states = compared_states(read_table(instruments, "instruments"), settings["states"], settings["compare_state"])
    tested = factors_table(
        values, read_table(criteria, "criteria"), sheets.instruments, recordings, states,
        settings["factors"], settings["seed"],
    )  # fmt: skip
    scatter = variance_table(
        played_takes(values, recordings, states), notes, sheets.instruments, sheets.families,
        settings["base_dynamic"], settings["seed"],
    )  # fmt: skip
    write_table(tested, "factors", factors)
    write_table(scatter, "variance", variance)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        inputs = (snakemake.input[key] for key in ("criteria", "instruments", "takes", "notes_normalised"))
        factors_of_study(
            snakemake.params.study, snakemake.params.config, *inputs,
            factors=snakemake.output.factors, variance=snakemake.output.variance,
        )  # fmt: skip
