"""Before and after: what changed between two states of one instrument, like with like.

Only what was recorded in both states counts. A note's level, brightness and pitch are taken from the instrument's own
middle of the same state, so that a softer take or another position of the mouthpiece is no change of a note.
Intervals are normal ones from the standard errors of both states; p values of the notes are adjusted over all notes of
one instrument and measure (Benjamini & Hochberg 1995).
"""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from evenbore.compare.verdict import verdicts
from evenbore.facts.columns import names
from evenbore.facts.criteria import EXACT, MEASURED
from evenbore.facts.rows import Row
from evenbore.judge.values import COLUMNS

Z90 = float(stats.norm.ppf(0.95))
CRITERION_OF_MEASURE = {COLUMNS[criterion.measure]: criterion.name for criterion in MEASURED if criterion.measure}
"""Measure of a note -> criterion whose just-noticeable difference it has."""


def in_several_states(profiles: pd.DataFrame, values: pd.DataFrame, base_dynamic: str) -> pd.Series:
    """Which rows of note_profiles `changes` uses: of its measures, of instruments recorded in several states."""
    states = values.groupby("instrument")["state"].nunique()
    several = states.index[states > 1]
    return (
        (profiles["dynamic"] == base_dynamic)
        & profiles["measure"].isin(CRITERION_OF_MEASURE)
        & profiles["instrument"].isin(several)
    )  # fmt: skip


def changes(
    values: pd.DataFrame,
    profiles: pd.DataFrame,
    config: Mapping[str, Any],
    tolerances: Mapping[str, Mapping[str, float]],
) -> pd.DataFrame:
    """The table `changes`. `values`: table `instruments`; `profiles`: note_profiles at the base dynamic;
    `tolerances`: instrument -> tolerances."""
    order, rows = {state: n for n, state in enumerate(config["states"])}, []
    profiles_of = dict(list(profiles.groupby("instrument")))
    for instrument, of_instrument in values.groupby("instrument", sort=False):
        name = str(instrument)
        states = sorted(of_instrument["state"].dropna().unique(), key=order.__getitem__)
        for before, after in pairwise(states):
            rows += _criteria(of_instrument, name, before, after, config["just_noticeable"])
            theirs = profiles_of.get(name, profiles[:0])
            for measure, criterion in CRITERION_OF_MEASURE.items():
                limit = tolerances[name]["note_cents"] if measure == "cents" else None
                rows += _notes(theirs, name, before, after, measure, config["just_noticeable"][criterion], limit)
    return pd.DataFrame(rows, columns=names("changes"))


def _criteria(
    of_instrument: pd.DataFrame, name: str, before: str, after: str, just_noticeable: Mapping[str, float | None]
) -> list[Row]:
    change_rows = []
    for key, rows in of_instrument.groupby("criterion", sort=False):
        criterion = str(key)
        of_states = [rows[rows["state"] == state] for state in (before, after)]
        if any(len(one) != 1 for one in of_states) or criterion in EXACT:
            continue
        first, last = (one.iloc[0] for one in of_states)
        errors = [(row["high"] - row["low"]) / (2 * Z90) for row in (first, last)]
        se = np.hypot(errors[0], errors[1])
        change = last["value"] - first["value"]
        p = 2 * stats.norm.sf(abs(change) / se) if se > 0 else np.nan
        row = _row(name, before, after, criterion, None, change, se, p, just_noticeable.get(criterion))
        if pd.notna(first["group"]) and first["group"] != last["group"]:
            row["verdict"] = "not_comparable"
        change_rows.append(row)
    return change_rows


def _notes(
    profiles: pd.DataFrame,
    name: str,
    before: str,
    after: str,
    measure: str,
    just_noticeable: float | None,
    limit: float | None,
) -> list[Row]:
    table = profiles[profiles["measure"] == measure].pivot_table(
        index=["midi", "written_note"], columns="state", values=["value", "se"], sort=True
    )
    if not {before, after} <= set(table.get("value", pd.DataFrame()).columns):
        return []
    value = table["value"][[before, after]].dropna()
    value = value - value.median()
    change = value[after] - value[before]
    if "se" in table and {before, after} <= set(table["se"].columns):
        se = np.hypot(table["se"][before], table["se"][after]).reindex(value.index)
    else:
        se = pd.Series(np.nan, value.index)
    p = pd.Series(2 * stats.norm.sf(change.abs() / se), value.index)
    known = p.notna()
    p[known] = stats.false_discovery_control(p[known]) if known.any() else p[known]
    rows = []
    for key in value.index:
        row = _row(name, before, after, measure, key[1], change[key], se[key], p[key], just_noticeable)
        if limit is not None:
            row["within_tolerance"] = "yes" if abs(value.loc[key, after]) <= limit else "no"
        rows.append(row)
    return rows


def _row(
    name: str,
    before: str,
    after: str,
    criterion: str,
    note: str | None,
    change: float,
    se: float,
    p: float,
    just_noticeable: float | None,
) -> Row:
    low, high = change - Z90 * se, change + Z90 * se
    return {
        "instrument": name,
        "state_from": before,
        "state_to": after,
        "criterion": criterion,
        "note": note,
        "change": change,
        "low": low,
        "high": high,
        "verdict": str(verdicts(low, high, p, just_noticeable)) if np.isfinite(change) else "not_comparable",
        "within_tolerance": None,
    }
