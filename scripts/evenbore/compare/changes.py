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
from evenbore.compare.pairs import of_criterion
from evenbore.compare.verdict import verdicts
from evenbore.facts.arrays import Floats
from evenbore.facts.columns import names
from evenbore.facts.criteria import MEASURED
from evenbore.judge.repeatability import OWNER, PRIOR_DF, Assessment
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
    assessed: Assessment, profiles: pd.DataFrame, config: Mapping[str, Any],
    tolerances: Mapping[str, Mapping[str, float]],
) -> pd.DataFrame:  # fmt: skip
    """The table `changes`. `profiles`: note_profiles at the base dynamic; `tolerances`: instrument -> tolerances."""
    order = {state: n for n, state in enumerate(config["states"])}
    steps = [
        (str(name), before, after)
        for name, rows in assessed.instruments.groupby("instrument", sort=False)
        for before, after in pairwise(sorted(rows["state"].dropna().unique(), key=order.__getitem__))
    ]
    noticed, parts = config["just_noticeable"], [pd.DataFrame(columns=names("changes"))]
    whole = _whole(assessed, steps, noticed)
    profiles_of = dict(list(profiles.groupby("instrument")))
    for n, step in enumerate(steps):
        theirs, tolerance = profiles_of.get(step[0], profiles[:0]), tolerances[step[0]]["note_cents"]
        families = [whole[whole["step"] == n]] + [
            _notes(theirs[theirs["measure"] == measure], step, noticed[criterion], tolerance).assign(criterion=measure)
            for measure, criterion in CRITERION_OF_MEASURE.items()
        ]
        families = [family for family in families if len(family)]
        p_adjusted = [adjusted(family["p"].to_numpy(float)) for family in families]
        times = over_families(p_adjusted)
        for family, p in zip(families, p_adjusted, strict=True):
            limit = family["just_noticeable"].astype(float)
            verdict = verdicts(family["low"], family["high"], np.minimum(p * times, 1.0), limit)
            told = np.where(family["comparable"] & family["change"].notna(), verdict, "not_comparable")
            parts.append(family.assign(instrument=step[0], state_from=step[1], state_to=step[2], verdict=told))
    return pd.concat([part for part in parts if len(part)] or parts, ignore_index=True).reindex(
        columns=names("changes")
    )


def _whole(assessed: Assessment, steps: Sequence[Step], noticed: Mapping[str, float | None]) -> pd.DataFrame:
    """Rows of the criteria of each step (by its number, column `step`)."""
    owners = [(name, state) for name, *states in steps for state in states]
    before, after = np.arange(0, len(owners), 2), np.arange(1, len(owners), 2)
    parts = [_rows(np.empty(0), np.empty(0), np.empty(0), step=[])]
    for criterion in MEASURED if steps else ():
        plan = assessed.errors(criterion.name, owners)
        if plan is None:
            continue
        known = of_criterion(assessed.instruments, criterion.name).set_index(OWNER)
        known = known.reindex(pd.MultiIndex.from_tuples(owners))
        value, group = (known[column].to_numpy(float, na_value=np.nan) for column in ("value", "group"))
        change = value[after] - value[before]
        scale, df = plan.of_differences(after, before)
        scale = np.where(plan.linked(after, before)[:, None], scale, np.nan)
        half = half_width(scale, df, plan.shares, CONFIDENCE)
        rows = _rows(change, half, two_sided(change, scale, df, plan.shares), step=np.arange(len(steps)))
        comparable = (group[after] == group[before]) | (not criterion.chain_dependent)
        noticed_here = noticed.get(criterion.name)
        parts.append(rows.assign(criterion=criterion.name, just_noticeable=noticed_here, comparable=comparable))
    return pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)


def _notes(profiles: pd.DataFrame, step: Step, just_noticeable: float | None, tolerance: float) -> pd.DataFrame:
    """Rows of the notes of one step and measure; `tolerance`: of pitch."""
    both = list(step[1:])
    table = profiles.pivot_table(index=["midi", "written_note"], columns="state", values=["value", "se"])
    table = table.reindex(columns=pd.MultiIndex.from_product([["value", "se"], both])).astype(float)
    value = table["value"].dropna()
    value = value - value.median()
    change = (value[both[1]] - value[both[0]]).to_numpy()
    se = np.hypot(*(table["se"][state].reindex(value.index).to_numpy() for state in both))
    p = 2 * special.stdtr(PRIOR_DF, -np.abs(change / se))
    half = special.stdtrit(PRIOR_DF, (1 + CONFIDENCE) / 2) * se
    rows = _rows(change, half, p, note=value.index.get_level_values("written_note"))
    if (profiles["measure"] == "cents").all():
        rows["within_tolerance"] = np.where(value[both[1]].abs() <= tolerance, "yes", "no")
    return rows.assign(just_noticeable=just_noticeable, comparable=True)


def _rows(change: Floats, half: Floats, p: Floats, **columns: Any) -> pd.DataFrame:
    """Rows of the table, with what its verdict needs besides."""
    return pd.DataFrame({**columns, "change": change, "low": change - half, "high": change + half, "p": p})
