"""Note down what the results were made from."""

import json

from evenbore.files.tables import write_text
from evenbore.process.steplog import step_log
from evenbore.run.provenance import provenance
from evenbore.study.sheets import load_study


def note_provenance(study: str, config: str, sheets: list[str], benchmarks: list[str], path_to_output: str) -> None:
    loaded = load_study(study, config)
    record = provenance(loaded.config, sheets, loaded.recordings, benchmarks)
    write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", path_to_output)


if __name__ == "__main__":
    with step_log(snakemake.log[0]):
        note_provenance(
            study=snakemake.params.study,
            config=snakemake.params.config,
            sheets=snakemake.input.sheets,
            benchmarks=snakemake.input.benchmarks,
            path_to_output=snakemake.output[0],
        )
