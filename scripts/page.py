"""Write the report, the workbook and the table of columns."""

import json
from pathlib import Path

from evenbore.files.tables import write_text
from evenbore.page.build import write_page
from evenbore.process.steplog import step_log
from evenbore.recording.clips import stored_clips
from evenbore.report.results import read_results
from evenbore.report.workbook import columns_table, write_workbook
from evenbore.study.sheets import load_study


def page(
    study: str, config: str, tables: str, draws: str, clips: list[str], figures: str, captions: str, provenance: str,
    report: str, workbook: str, columns: str,
) -> None:  # fmt: skip
    results = read_results(load_study(study, config), tables)
    record = json.loads(Path(provenance).read_text("utf-8"))
    write_page(results, draws, stored_clips(clips), figures, captions, record, report)
    write_workbook(results, workbook)
    write_text(columns_table().to_csv(sep="\t", index=False, lineterminator="\n"), columns)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        page(
            study=snakemake.params.study,
            config=snakemake.params.config,
            tables=snakemake.params.tables,
            draws=snakemake.input.draws,
            clips=snakemake.input.clips,
            figures=snakemake.params.figures,
            captions=snakemake.params.captions,
            provenance=snakemake.input.provenance,
            report=snakemake.output.report,
            workbook=snakemake.output.workbook,
            columns=snakemake.output.columns,
        )
