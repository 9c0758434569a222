"""Judge every instrument by every criterion; write criteria, instruments and tuning advice."""

from evenbore.files.tables import read_parquet, read_table, write_parquet, write_table
from evenbore.judge.assess import assess
from evenbore.judge.tuning import tuning_advice
from evenbore.judge.values import criteria_table
from evenbore.process.steplog import step_log
from evenbore.setups.errors import load_setup_errors
from evenbore.study.sheets import load_study


def assess_study(
    study: str, config: str, recordings: str, notes_normalised: str, setup_errors: str,
    criteria: str, instruments: str, advice: str, takes: str, shifts: str,
) -> None:  # fmt: skip
    sheets = load_study(study, config)
    notes, errors = read_parquet(notes_normalised), load_setup_errors(setup_errors)
    measured = read_table(recordings, "recordings")
    assessed = assess(
        notes, errors, measured, sheets.instruments, sheets.inspection, sheets.families, sheets.config
    )  # fmt: skip
    table = criteria_table(sheets.config["just_noticeable"], sheets.config["currency"])
    tuning = tuning_advice(
        notes, assessed.instruments, sheets.instruments, sheets.sessions, sheets.families, sheets.config
    )  # fmt: skip
    write_table(table, "criteria", criteria)
    write_table(assessed.instruments, "instruments", instruments)
    write_table(tuning, "tuning_advice", advice)
    write_parquet(assessed.takes, takes)
    write_parquet(assessed.shifts, shifts)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        assess_study(
            study=snakemake.params.study,
            config=snakemake.params.config,
            recordings=snakemake.input.recordings,
            notes_normalised=snakemake.input.notes_normalised,
            setup_errors=snakemake.input.setup_errors,
            criteria=snakemake.output.criteria,
            instruments=snakemake.output.instruments,
            advice=snakemake.output.tuning_advice,
            takes=snakemake.output.criteria_takes,
            shifts=snakemake.output.criteria_shifts,
        )
