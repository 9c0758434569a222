"""How precise a plan will be: standard errors and smallest detectable differences, before anything is recorded.

From the scatter of instruments, sessions and takes (the variance table of an earlier study, else what is assumed of
each criterion) the covariance of the generalised least squares estimates, (X' V⁻¹ X)⁻¹, as in the analysis. Smallest
detectable difference: (t of two sides at 5 % + t of 80 % power) times the standard error.
"""

from collections.abc import Mapping
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from evenbore.compare.pairs import POWER
from evenbore.compare.verdict import ALPHA
from evenbore.facts.arrays import Floats
from evenbore.facts.criteria import MEASURED
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


def pair_errors(layout: Layout, session_sd: float, take_sd: float) -> tuple[float, float]:
    """Standard error of the difference of two instruments: root mean square over the pairs, and of the worst pair.

    Two instruments with two takes each in one session, whose own effect drops out: the root of 3² (1/2 + 1/2).

    >>> [round(error, 9) for error in pair_errors(Layout({"day": ["a", "b"]}, rounds=2), 5.0, 3.0)]
    [3.0, 3.0]
    """
    instrument, session = layout.turns_of()
    design = mixed.indicators(instrument)
    covariance = _covariance(design, [(session_sd, session)], take_sd)
    a, b = np.triu_indices(len(covariance), 1)
    variance = covariance[a, a] + covariance[b, b] - 2 * covariance[a, b]
    return float(np.sqrt(variance.mean())), float(np.sqrt(variance.max()))


def factor_error(layout: Layout, levels: Mapping[str, str], sd: tuple[float, float, float]) -> tuple[float, float]:
    """Standard error of the difference of two levels (root mean square over pairs of levels) and degrees of freedom.

    `levels`: instrument -> level, each with two instruments at least; `sd`: of instrument, session and take.
    """
    instrument, session = layout.turns_of()
    level = np.array([levels.get(name, "") for name in instrument])
    covariance = _covariance(mixed.indicators(level), [(sd[0], instrument), (sd[1], session)], sd[2])
    known = [i for i, name in enumerate(np.unique(level)) if name]
    pairs = [(i, j) for i in known for j in known if i < j]
    variance = np.mean([covariance[i, i] + covariance[j, j] - 2 * covariance[i, j] for i, j in pairs])
    return float(np.sqrt(variance)), float(len(set(instrument)) - len(set(level)))


def _covariance(design: Floats, random: list[tuple[float, NDArray[np.str_]]], take_sd: float) -> Floats:
    covariance = take_sd**2 * np.eye(len(design))
    for sd, labels in random:
        z = mixed.indicators(labels)
        covariance += sd**2 * z @ z.T
    return np.linalg.inv(design.T @ np.linalg.solve(covariance, design))


def detectable(error: float, df: float) -> float:
    """Smallest difference found with 80 % power at 5 %; NaN without degrees of freedom."""
    return (stats.t.isf(ALPHA / 2, df) + stats.t.ppf(POWER, df)) * error if df > 0 else float("nan")


def predicted(
    layout: Layout, levels: Mapping[str, str], known: Mapping[str, Scatter], criteria: pd.DataFrame
) -> pd.DataFrame:
    """One row per criterion: the scatter reckoned with, errors of pairs and of the factor, what can be detected."""
    rows = []
    n_turns, n = layout.n_turns, len({name for names in layout.visits.values() for name in names})
    testable = len(set(levels.values())) > 1
    for criterion in criteria.itertuples(index=False):
        name = str(criterion.criterion)
        if name not in known:
            continue
        instrument, session, take, origin = known[name]
        pair, worst = pair_errors(layout, session, take)
        factor, df = factor_error(layout, levels, (instrument, session, take)) if testable else (np.nan, np.nan)
        rows.append({
            "criterion": name, "unit": criterion.unit, "sd_instrument": instrument, "sd_session": session,
            "sd_take": take, "origin": origin, "se_pair": pair, "se_worst_pair": worst,
            "detectable_pair": detectable(pair, n_turns - n - len(layout.visits) + 1), "se_factor": factor,
            "detectable_factor": detectable(factor, df), "just_noticeable": criterion.just_noticeable,
        })  # fmt: skip
    return pd.DataFrame(rows)
