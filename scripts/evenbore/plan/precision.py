"""How precise a plan will be: standard errors and smallest detectable differences, before anything is recorded.

From the scatter of instruments, sessions and takes (the variance table of an earlier study, else what is assumed of
each criterion) and what is assumed of own days. Pairs err by the model that judges them afterwards (`repeatability`);
for a factor it is the covariance of the generalised least squares estimates, (X' V⁻¹ X)⁻¹, as in the analysis.

Smallest detectable difference: told with 80 % probability, where nothing else differs in the study: of pairs, one
instrument from all others in one criterion; of a factor, two levels in one criterion. So p is reckoned with as it will
be adjusted (see `multiplicity`).
"""

import math
from collections.abc import Mapping
from typing import TypeAlias

import numpy as np
import pandas as pd

from evenbore.compare.multiplicity import detectable, first_threshold, threshold_of_pairs
from evenbore.facts.criteria import CRITERIA, MEASURED
from evenbore.judge.repeatability import Days, assumed_days, planned_errors
from evenbore.plan.layout import Layout
from evenbore.statistics import mixed

Scatter: TypeAlias = tuple[float, float, float, str]
"""Standard deviation of instrument, session, take, and where from ("assumed" or "pilot")."""


def scatter(variance: pd.DataFrame | None) -> dict[str, Scatter]:
    """The scatter of every criterion: of an earlier study, else assumed."""
    known = {c.name: (*c.planning_sd, "assumed") for c in MEASURED if c.planning_sd}
    if variance is None:
        return known
    for key, rows in variance.groupby("criterion"):
        criterion = str(key)
        sd = rows.set_index("component")["sd"]
        take = np.hypot(sd.get("take", np.nan), np.nan_to_num(sd.get("note", 0.0)))
        if criterion in known and np.isfinite([sd.get("instrument", np.nan), take]).all():
            known[criterion] = (float(sd["instrument"]), float(np.nan_to_num(sd["session"])), float(take), "pilot")
    return known


def pair_errors(
    layout: Layout, take_sd: float, additive: bool, days: Days, dynamics: int = 1
) -> tuple[float, float, float]:
    """Standard error of the difference of two instruments: root mean square over the pairs, and of the worst pair, in
    the unit of `take_sd`; and the mean degrees of freedom, as a turn's takes at so many `dynamics` tell the scatter.
    NaN where no instrument links the sessions of a pair.

    Two instruments with two takes each in one session, of which a day of their own is no part: the root of
    3² (1/2 + 1/2), on two degrees of freedom.

    >>> nothing = Days(np.zeros(1), np.ones(1), 0.0)
    >>> [round(part, 9) for part in pair_errors(Layout({"day": ["a", "b"]}, rounds=2), 3.0, True, nothing)]
    [3.0, 3.0, 2.0]
    """
    instrument, session = layout.turns_of()
    errors = planned_errors(
        pd.DataFrame({"instrument": instrument, "state": "", "session": session}), take_sd, additive, days, dynamics
    )
    a, b = np.triu_indices(len(errors.owners), 1)
    scale, df = errors.of_differences(a, b)
    variance = np.where(errors.linked(a, b), scale**2 @ errors.shares, np.nan)
    return float(np.sqrt(variance.mean())), float(np.sqrt(variance.max())), float(df.mean())


def factor_error(layout: Layout, levels: Mapping[str, str], sd: tuple[float, float, float]) -> tuple[float, float]:
    """Standard error of the difference of two levels (root mean square over pairs of levels) and degrees of freedom.

    `levels`: instrument -> level, each with two instruments at least; `sd`: of instrument, session and take.
    """
    instrument, session = layout.turns_of()
    level = np.array([levels.get(name, "") for name in instrument])
    design, covariance = mixed.indicators(level), sd[2] ** 2 * np.eye(len(level))
    for each, labels in ((sd[0], instrument), (sd[1], session)):
        z = mixed.indicators(labels)
        covariance += each**2 * z @ z.T
    covariance = np.linalg.inv(design.T @ np.linalg.solve(covariance, design))
    known = [i for i, name in enumerate(np.unique(level)) if name]
    pairs = [(i, j) for i in known for j in known if i < j]
    variance = np.mean([covariance[i, i] + covariance[j, j] - 2 * covariance[i, j] for i, j in pairs])
    return float(np.sqrt(variance)), float(len(set(instrument)) - len(set(level)))


def predicted(
    layout: Layout, levels: Mapping[str, str], known: Mapping[str, Scatter], criteria: pd.DataFrame,
    own_days: Mapping[str, float], dynamics: Mapping[str, int],
) -> pd.DataFrame:  # fmt: skip
    """One row per criterion: the scatter reckoned with, errors of pairs and of the factor, what can be detected.

    `own_days`: scale of what is assumed of own days, per kind; `dynamics`: how many tell the scatter of a criterion.
    """
    rows = []
    n = len({name for names in layout.visits.values() for name in names})
    testable = len(set(levels.values())) > 1
    days = assumed_days(own_days)
    contrasts = math.comb(len(set(levels.values())), 2)
    for criterion in criteria.itertuples(index=False):
        name = str(criterion.criterion)
        if name not in known:
            continue
        instrument, session, take, origin = known[name]
        registered = CRITERIA[name]
        pair, worst, pair_df = pair_errors(layout, take, registered.additive, days[registered.day_kind], dynamics[name])
        factor, df = factor_error(layout, levels, (instrument, session, take)) if testable else (np.nan, np.nan)
        of_pairs = threshold_of_pairs(len(known), n)
        of_factor = first_threshold(len(known), max(contrasts, 1), 1)
        rows.append({
            "criterion": name, "unit": criterion.unit, "sd_instrument": instrument, "sd_session": session,
            "sd_take": take, "origin": origin, "se_pair": pair, "se_worst_pair": worst,
            "detectable_pair": detectable(pair, pair_df, of_pairs), "se_factor": factor,
            "detectable_factor": detectable(factor, df, of_factor), "just_noticeable": criterion.just_noticeable,
        })  # fmt: skip
    return pd.DataFrame(rows)
