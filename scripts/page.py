"""Write the report, the table of columns, and what the command line tells at the end."""

import json
from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.page.build import write_page
from evenbore.process.steplog import step
from evenbore.recording.clips import read_clips
from evenbore.report.results import read_results
from evenbore.report.words import next_steps, own_days_words
from evenbore.report.workbook import columns_table
from evenbore.run.history import change_parts, past_runs
from evenbore.study.sheets import load_study


def page(
    path_to_study: str, path_to_config: str, path_to_tables: str, path_to_draws: str, paths_to_clips: list[str],
    path_to_provenance: str, path_to_history: str, path_to_report: str, path_to_columns: str, path_to_told: str,
) -> None:  # fmt: skip
    results = read_results(load_study(path_to_study, path_to_config), path_to_tables)
    record = json.loads(Path(path_to_provenance).read_text("utf-8"))
    clips = [clip for path in paths_to_clips for clip in read_clips(path)]
    changed = change_parts(past_runs(Path(path_to_history)))
    write_page(results, path_to_draws, clips, record, changed, path_to_report)
    write_text(columns_table().to_csv(sep="\t", index=False, lineterminator="\n"), path_to_columns)
    days = own_days_words(results.tables["own_days"], results.tables["comparability"])
    best = [f"Next: {step.advice}." for step in next_steps(results.tables["next"])[:1]]
    write_text("".join(f"{line}\n" for line in (days, *best) if line), path_to_told)


if __name__ == "__main__":
    with step(snakemake):
        page(
            path_to_study=snakemake.params.study,
            path_to_config=snakemake.params.config,
            path_to_tables=snakemake.params.tables,
            path_to_draws=snakemake.input.draws,
            paths_to_clips=snakemake.input.clips,
            path_to_provenance=snakemake.input.provenance,
            path_to_history=snakemake.params.history,
            path_to_report=snakemake.output.report,
            path_to_columns=snakemake.output.columns,
            path_to_told=snakemake.output.told,
        )
