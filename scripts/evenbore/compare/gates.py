"""Must-passes from the config, see GATES of `facts.criteria`.

A gate that is null is off. An instrument without the value is not failed; its text says what was not checked.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

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
    known = values.dropna(subset="value").set_index(["instrument", "criterion"])
    checked = {}
    for instrument in instruments:
        failed, unchecked = {}, []
        for key, limit in gates.items():
            if limit is None or key not in GATES:
                continue
            subject, bound = GATES[key].subject, GATES[key].bound
            if subject == "fault_severity":
                if faults := _faults(inspection, instrument, limit):
                    failed[key] = faults
            elif (instrument, subject) not in known.index:
                unchecked.append(f"{subject} not known")
            else:
                value, unit = cast(pd.Series, known.loc[(instrument, subject), ["value", "unit"]])
                if (value > limit) if bound == "max" else (value < limit):
                    side = "above" if bound == "max" else "below"
                    failed[key] = f"{subject} {value:.3g} {unit}, {side} {limit:g}"
        checked[instrument] = Gate(failed, tuple(unchecked))
    return checked


def _faults(inspection: Iterable[Row], instrument: str, worst: float) -> str:
    return "; ".join(
        f"fault of severity {row['severity']}: {row['item']}"
        for row in inspection
        if row["instrument"] == instrument and row["result"] == "fault" and (row["severity"] or 0) > worst
    )
