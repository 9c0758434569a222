"""Judge every instrument by every criterion; write criteria, instruments and tuning advice."""

from evenbore.files.tables import read_parquet, read_table, write_parquet, write_table
from evenbore.judge.assess import assess
from evenbore.judge.disagreement import with_disagreements
from evenbore.judge.faroff import far_off
from evenbore.judge.passages import passages_table
from evenbore.judge.repeatability import days_frame
from evenbore.judge.tuning import tuning_advice
from evenbore.judge.values import criteria_table
from evenbore.process.steplog import paths_of, step
from evenbore.setups.errors import load_setup_errors
from evenbore.study.sheets import load_study


def assess_study(
    path_to_study: str, path_to_config: str, path_to_recordings: str, path_to_notes_normalised: str,
    path_to_passage_notes: str, path_to_setup_errors: str, path_to_criteria: str, path_to_instruments: str,
    path_to_tuning_advice: str, path_to_passages: str, path_to_takes: str, path_to_shifts: str, path_to_days: str,
) -> None:  # fmt: skip
    sheets = load_study(path_to_study, path_to_config)
    notes, errors = read_parquet(path_to_notes_normalised), load_setup_errors(path_to_setup_errors)
    measured = read_table(path_to_recordings, "recordings")
    far = far_off(notes, measured, sheets.recordings, sheets.instruments, sheets.families)
    assessed = assess(
        notes, errors, measured, sheets.instruments, sheets.inspection, sheets.families, sheets.config, far,
        {row["recording"]: row["player"] or "" for row in sheets.recordings},
    )  # fmt: skip
    table = criteria_table(sheets.config["just_noticeable"], sheets.config["currency"])
    tuning = tuning_advice(
        notes, assessed.instruments, sheets.instruments, sheets.sessions, sheets.families, sheets.config
    )  # fmt: skip
    write_table(table, "criteria", path_to_criteria)
    write_table(with_disagreements(assessed.instruments, assessed.takes), "instruments", path_to_instruments)
    write_table(tuning, "tuning_advice", path_to_tuning_advice)
    passages = passages_table(
        read_parquet(path_to_passage_notes), notes, assessed.instruments, sheets.config["base_dynamic"]
    )
    write_table(passages, "passages", path_to_passages)
    write_parquet(assessed.takes, path_to_takes)
    write_parquet(assessed.shifts, path_to_shifts)
    write_parquet(days_frame(assessed.days), path_to_days)


if __name__ == "__main__":
    with step(snakemake):
        assess_study(**paths_of(snakemake.params, snakemake.input, snakemake.output))
