"""Must-passes from the config, see GATES of `facts.criteria`.

A gate that is null is off. An instrument without the value is not failed; its text says what was not checked. But where
only a lower end of it is known, and that is above the most allowed, it fails.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from evenbore.facts.criteria import GATES
from evenbore.facts.rows import Row

PASS = "pass"


@dataclass(frozen=True)
class Gate:
    """The must-passes of one instrument in one state: gate -> why it failed, and what could not be checked."""

    failed: Mapping[str, str]
    unchecked: tuple[str, ...] = ()

    def __str__(self) -> str:
        """The text of the column `gate`."""
        return "; ".join((*self.failed.values(), *self.unchecked)) or PASS


def seen_by(inspection: Iterable[Row], states: Mapping[str, str], order: Sequence[str]) -> list[Row]:
    """What is known from inspection of each instrument in its state (`states`): of every item the row of the latest
    state up to that one, in the sheet's order; `order`: the study's states.

    >>> crack = {"instrument": "a", "item": "crack", "state": "as_found", "result": "fault"}
    >>> mended = crack | {"state": "mended", "result": "ok"}
    >>> [row["result"] for row in seen_by([crack, mended], {"a": "as_found"}, ["as_found", "mended"])]
    ['fault']
    >>> [row["result"] for row in seen_by([crack, mended], {"a": "mended"}, ["as_found", "mended"])]
    ['ok']
    """
    latest: dict[tuple[str, str], Row] = {}
    for row in inspection:
        name, item = row["instrument"], row["item"]
        if name not in states or order.index(row["state"]) > order.index(states[name]):
            continue
        before = latest.get((name, item))
        if before is None or order.index(row["state"]) >= order.index(before["state"]):
            latest[name, item] = row
    return list(latest.values())


def check_gates(
    values: pd.DataFrame, inspection: Iterable[Row], gates: Mapping[str, float | None], instruments: Iterable[str]
) -> dict[str, Gate]:
    """The must-passes of every one of `instruments`.

    `values`: rows of the instruments table, one state of each instrument; `inspection`: as from `seen_by`.
    """
    known = values[values["value"].notna() | values["low"].notna()].set_index(["instrument", "criterion"])
    checked = {}
    for instrument in instruments:
        failed: dict[str, str] = {}
        unchecked: list[str] = []
        for key, limit in gates.items():
            if limit is None or key not in GATES:
                continue
            subject, bound = GATES[key].subject, GATES[key].bound
            if subject == "fault_severity":
                if faults := [
                    f"fault of severity {row['severity']}: {row['item']}"
                    for row in inspection
                    if row["instrument"] == instrument and row["result"] == "fault" and (row["severity"] or 0) > limit
                ]:
                    failed[key] = "; ".join(faults)
                continue
            value, low, unit = np.nan, np.nan, ""
            if (instrument, subject) in known.index:
                value, low, unit = cast(pd.Series, known.loc[(instrument, subject), ["value", "low", "unit"]])
            if pd.isna(value) and bound == "max" and low > limit:
                failed[key] = f"{subject} at least {low:.3g} {unit}, above {limit:g}"
            elif pd.isna(value):
                unchecked.append(f"{subject} not known")
            elif (value > limit) if bound == "max" else (value < limit):
                failed[key] = f"{subject} {value:.3g} {unit}, {'above' if bound == 'max' else 'below'} {limit:g}"
        checked[instrument] = Gate(failed, tuple(unchecked))
    return checked
