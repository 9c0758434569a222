"""Before and after: what changed between two states of one instrument, like with like.

Only what was recorded in both states counts. A note's level, brightness and pitch are taken from the instrument's own
middle of the same state, so that a softer take or another position of the mouthpiece is no change of a note.
How values of the whole instrument err is the model of `repeatability`, as for pairs. Notes have the standard errors of
both states; as little is known of a single note's scatter as of an instrument's, so their intervals are Student's with
as many degrees of freedom. p is adjusted over all criteria, and over the notes of a measure, of one instrument and step
together (see `multiplicity`).
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from scipy import special

from evenbore.compare.multiplicity import adjusted, over_families
from evenbore.compare.pairs import design, of_criterion
from evenbore.compare.verdict import verdicts
from evenbore.facts.columns import names
from evenbore.facts.criteria import MEASURED
from evenbore.facts.rows import Row
from evenbore.judge.repeatability import OWNER, PRIOR_DF, Days
from evenbore.judge.values import COLUMNS
from evenbore.statistics.student import CONFIDENCE, half_width, two_sided

Step: TypeAlias = tuple[str, str, str]
"""Instrument, the state before and the state after."""
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
    takes: pd.DataFrame,
    shifts: pd.DataFrame,
    days: Mapping[str, Days],
    profiles: pd.DataFrame,
    config: Mapping[str, Any],
    tolerances: Mapping[str, Mapping[str, float]],
) -> pd.DataFrame:
    """The table `changes`. `values`: table `instruments`; `takes`, `shifts`, `days`: as from `assess`; `profiles`:
    note_profiles at the base dynamic; `tolerances`: instrument -> tolerances."""
    order = {state: n for n, state in enumerate(config["states"])}
    steps = [
        (str(name), before, after)
        for name, rows in values.groupby("instrument", sort=False)
        for before, after in pairwise(sorted(rows["state"].dropna().unique(), key=order.__getitem__))
    ]
    if not steps:
        return pd.DataFrame(columns=names("changes"))
    whole = _whole(values, takes, shifts, days, steps, config["just_noticeable"])
    profiles_of = dict(list(profiles.groupby("instrument")))
    parts = []
    for step, rows in zip(steps, whole, strict=True):
        limits = tolerances[step[0]]["note_cents"]
        theirs = profiles_of.get(step[0], profiles[:0])
        families = [rows] + [
            _notes(theirs, step, measure, config["just_noticeable"][criterion], limits if measure == "cents" else None)
            for measure, criterion in CRITERION_OF_MEASURE.items()
        ]
        parts += _told([pd.DataFrame(family) for family in families if family])
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names("changes"))
    return table.reindex(columns=names("changes"))


def _told(families: list[pd.DataFrame]) -> list[pd.DataFrame]:
    """The families of rows of one step, with verdicts."""
    p_adjusted = [adjusted(family["p"].to_numpy(float)) for family in families]
    times = over_families(p_adjusted)
    for family, p in zip(families, p_adjusted, strict=True):
        limit = family["just_noticeable"].astype(float)
        verdict = verdicts(family["low"], family["high"], np.minimum(p * times, 1.0), limit)
        family["verdict"] = np.where(family["comparable"] & family["change"].notna(), verdict, "not_comparable")
    return families


def _whole(
    values: pd.DataFrame,
    takes: pd.DataFrame,
    shifts: pd.DataFrame,
    days: Mapping[str, Days],
    steps: Sequence[Step],
    just_noticeable: Mapping[str, float | None],
) -> list[list[Row]]:
    """Rows of the criteria of each step."""
    owners = [(name, state) for name, *states in steps for state in states]
    before, after = np.arange(0, len(owners), 2), np.arange(1, len(owners), 2)
    rows: list[list[Row]] = [[] for _ in steps]
    for criterion in MEASURED:
        known = of_criterion(values, criterion.name).set_index(OWNER).reindex(pd.MultiIndex.from_tuples(owners))
        plan = design(of_criterion(takes, criterion.name), of_criterion(shifts, criterion.name), owners, days)
        if plan is None:
            continue
        value, group = (known[column].to_numpy(float, na_value=np.nan) for column in ("value", "group"))
        change = value[after] - value[before]
        scale, df = plan.of_differences(after, before)
        scale = np.where(plan.linked(after, before)[:, None], scale, np.nan)
        half = half_width(scale, df, plan.errors.shares, CONFIDENCE)
        p = two_sided(change, scale, df, plan.errors.shares)
        comparable = (group[after] == group[before]) | (not criterion.chain_dependent)
        for n, step in enumerate(steps):
            limit = just_noticeable.get(criterion.name)
            rows[n].append(_row(step, criterion.name, None, change[n], half[n], p[n], limit, bool(comparable[n])))
    return rows


def _notes(
    profiles: pd.DataFrame, step: Step, measure: str, just_noticeable: float | None, limit: float | None
) -> list[Row]:
    """Rows of the notes of one step and measure."""
    _, before, after = step
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
    half = special.stdtrit(PRIOR_DF, (1 + CONFIDENCE) / 2) * se
    p = 2 * special.stdtr(PRIOR_DF, -np.abs((change / se).to_numpy(float)))
    rows = []
    for n, key in enumerate(value.index):
        row = _row(step, measure, key[1], change[key], half[key], p[n], just_noticeable, True)
        if limit is not None:
            row["within_tolerance"] = "yes" if abs(value.loc[key, after]) <= limit else "no"
        rows.append(row)
    return rows


def _row(
    step: Step,
    criterion: str,
    note: str | None,
    change: float,
    half: float,
    p: float,
    just_noticeable: float | None,
    comparable: bool,
) -> Row:
    """A row of the table, with what its verdict needs besides."""
    return {
        **dict(zip(("instrument", "state_from", "state_to"), step, strict=True)),
        "criterion": criterion,
        "note": note,
        "change": change,
        "low": change - half,
        "high": change + half,
        "within_tolerance": None,
        "p": p,
        "just_noticeable": just_noticeable,
        "comparable": comparable,
    }
