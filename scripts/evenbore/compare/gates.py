"""Must-passes from the config: `<criterion>_max`, `<criterion>_min` and `fault_severity_max`.

A gate that is null is off. An instrument without the value is not failed; its text says what was not checked.
"""

from collections.abc import Iterable, Mapping

import pandas as pd

PASS = "pass"


def gate_texts(values: pd.DataFrame, inspection: Iterable[Mapping], gates: Mapping) -> tuple[dict[str, str], set[str]]:
    """Text of the gate column per instrument, and the instruments that failed.

    `values`: the instruments table in the compared states; `inspection`: rows of the inspection sheet.
    """
    table = values.pivot(index="instrument", columns="criterion", values="value")
    units = values.groupby("criterion")["unit"].first()
    texts, failed = {}, set()
    for instrument, row in table.iterrows():
        failures, unchecked = [], []
        for key, limit in gates.items():
            if limit is None:
                continue
            subject, _, bound = key.rpartition("_")
            if subject == "fault_severity":
                failures += _faults(inspection, instrument, limit)
            elif pd.isna(row.get(subject)):
                unchecked.append(f"{subject} not known")
            elif (row[subject] > limit) if bound == "max" else (row[subject] < limit):
                side = "above" if bound == "max" else "below"
                failures.append(f"{subject} {row[subject]:.3g} {units[subject]}, {side} {limit:g}")
        if failures:
            failed.add(instrument)
        texts[instrument] = "; ".join(failures + unchecked) or PASS
    return texts, failed


def _faults(inspection: Iterable[Mapping], instrument: str, worst: int) -> list[str]:
    return [
        f"fault of severity {row['severity']}: {row['item']}"
        for row in inspection
        if row["instrument"] == instrument and row["result"] == "fault" and (row["severity"] or 0) > worst
    ]
