"""Pairs of instruments: difference, 90 % interval, adjusted p and a verdict for every criterion.

Conventions
- The unit of replication is the take (one recording), not the note. A player repeats an instrument only a few
  times, so the repeatability standard deviation s_r is pooled over all instruments of the study (ISO 5725-2, see
  `repeatability`), with its degrees of freedom.
- Var(a - b) = s_r² takes + s_d² days + Σ (shift_a - shift_b)². `takes` is 1/n_a + 1/n_b within a session; across
  linked sessions the links' takes come in. `days` is the same with every instrument's own days for takes, s_d = ratio
  s_r their scatter (see `repeatability`): it does not cancel within a session, for each instrument has a day of its
  own. The shifts, for chain-dependent criteria, are what the value moves along each direction of the set-ups' error.
- The ratio is uncertain: p and interval are those of a mixture of Student's t over it (see `student`).
- What a session adds to all instruments alike is taken out of the values before (`assess`), for the ADDITIVE criteria;
  for the others it counts as scatter of the days.
- Where no instrument, directly or through others, was recorded in the sessions of both, the difference holds what a
  session adds, of unknown size: no interval, and undecided. The links are those of the takes behind the criterion.
- Only instruments of one family are compared, except by cost.
- Costs are exact: no variance, p is 0 for any difference and 1 for none; what costs the same is no difference to hear.
- NaN = not measurable or not known. Tables have the columns of `columns.TABLES`.

References: Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289 (adjusted p); Schuirmann 1987,
J. Pharmacokinet. Biopharm. 15, 657 (two one-sided tests = 90 % interval inside the margins).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from evenbore.compare.verdict import ALPHA, verdicts
from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.criteria import ADDITIVE, EXACT
from evenbore.facts.rows import Row
from evenbore.judge.repeatability import (
    ONE_DAY,
    UNKNOWN_REPEATABILITY,
    Repeatability,
    day_scale,
    error_parts,
    repeatability,
)
from evenbore.setups.comparability import session_groups
from evenbore.statistics.student import CONFIDENCE, half_width, two_sided

POWER = 0.80
MOST_PAIRED = 300
MOST_TAKES = 50
"""Above this many takes of each instrument the answer is: not with takes."""

UNLINKED_CHAIN = "recorded in set-ups that no shared instrument links: it would compare rooms and microphones"
UNLINKED_PLAYER = (
    "no instrument links the sessions of the two with takes of this kind, so a change from day to day cannot be told"
    " from the instrument: record one of the two in the other's session as well"
)
OTHER_KIND = "different kinds of instrument"
REPEATABILITY_UNKNOWN = "no repeat takes in the study: the player's own repeatability is not known"
TOO_MANY = f"more than {MOST_TAKES} takes of each would not decide it"
SAME_COST = "both cost the same"
NEEDS_OTHER_DAYS = "each take on another day, and both instruments played on each of these days"
DAYS_ASSUMED = "how much an instrument's days scatter is assumed, for only one was recorded on several"


@dataclass(frozen=True)
class Design:
    """What lies behind the values of the instruments (I) for one criterion.

    `n` (I,) takes; `takes`, `days` (I, I) covariance of the errors as parts of a take's and a day's variance; `shifts`
    (I, K) change of the value along each direction of the set-ups' error, one standard error; `repeatability` of the
    criterion; `linked` (I,) number of the sessions joined by shared instruments that each belongs to. All NaN without
    takes.
    """

    n: Floats
    takes: Floats
    days: Floats
    shifts: Floats
    repeatability: Repeatability
    linked: Floats

    def difference_scale(self, a: Ints, b: Ints, fewer: float | Floats = 1.0) -> Floats:
        """Standard errors (P, K) of the differences between the instruments `a` and `b` (indices (P,)), one for each
        ratio of the repeatability; `fewer` (P,): the part of the takes' variance that more takes would leave."""
        takes, days, moved = (contrast(part, a, b) for part in (self.takes, self.days, self.shifts @ self.shifts.T))
        return self.repeatability.scale(takes * fewer, days, moved)


def contrast(covariance: Floats, a: Ints, b: Ints) -> Floats:
    """Variance (P,) of the differences between `a` and `b` (indices (P,)); 0 at least, against rounding."""
    variance: Floats = np.maximum(covariance[a, a] + covariance[b, b] - 2 * covariance[a, b], 0)
    return variance


def compared_states(instruments: pd.DataFrame, states: list[str], compare_state: str) -> dict[str, str]:
    """State compared for each instrument: `compare_state`, or with "latest" the last of `states` it has.

    An instrument without the named state is left out.
    """
    known = instruments.groupby("instrument")["state"].agg(set)
    if compare_state != "latest":
        return {str(name): compare_state for name, had in known.items() if compare_state in had}
    return {str(name): max(had, key=states.index) for name, had in known.items()}


def in_state(frame: pd.DataFrame, states: dict[str, str]) -> pd.DataFrame:
    """Rows of each instrument's compared state."""
    return frame[frame["state"] == frame["instrument"].map(states)]


def design(takes: pd.DataFrame, shifts: pd.DataFrame, states: dict[str, str], instruments: list[str]) -> Design:
    """Design of one criterion from its rows of `takes` and `shifts`; NaN for an instrument without takes.

    The repeatability is pooled over every state: it is the player's, not the state's.
    """
    number = len(instruments)
    wide = in_state(shifts, states).pivot(index="instrument", columns="component", values="shift")
    moved = wide.reindex(instruments).fillna(0.0).to_numpy(float)
    of_takes, of_days = np.full((2, number, number), np.nan)
    if takes.empty:
        unknown = np.full(number, np.nan)
        return Design(unknown, of_takes, of_days, moved, UNKNOWN_REPEATABILITY, unknown)
    additive = set(takes["criterion"]) <= ADDITIVE
    owners, *parts = error_parts(takes, additive)
    compared = [(name, states[name]) for name in instruments]
    place = owners.get_indexer(compared)  # type: ignore[arg-type]  # a list of keys is right
    for part, whole in zip(parts, (of_takes, of_days), strict=True):
        whole[np.ix_(place >= 0, place >= 0)] = part[np.ix_(place[place >= 0], place[place >= 0])]
    counted = in_state(takes, states)
    n = np.asarray(counted.groupby("instrument").size().reindex(instruments), float)
    sessions = counted["session"].map(session_groups(takes.assign(status="ok")))
    linked = np.asarray(sessions.groupby(counted["instrument"]).first().reindex(instruments), float)
    return Design(n, of_takes, of_days, moved, repeatability(takes, additive, day_scale(takes["criterion"])), linked)


def judge(
    difference: ArrayLike, scale: ArrayLike, df: float, just_noticeable: float, shares: Floats = ONE_DAY[1]
) -> pd.DataFrame:
    """Interval, p, adjusted p and verdict for all pairs of one criterion, from differences (P,), their standard errors
    `scale` (P, K) and the probabilities `shares` (K,) of these.

    An unknown scale (NaN) gives undecided.
    """
    difference, scale = np.asarray(difference, float), np.asarray(scale, float)
    half = half_width(scale, df, shares, CONFIDENCE)
    p = two_sided(difference, scale, df, shares)
    adjusted = np.full(len(p), np.nan)
    known = np.isfinite(p)
    if known.any():
        adjusted[known] = stats.false_discovery_control(p[known], method="bh")
    low, high = difference - half, difference + half
    verdict = verdicts(low, high, adjusted, just_noticeable)
    return pd.DataFrame({"low": low, "high": high, "p": p, "p_adjusted": adjusted, "verdict": verdict})


def takes_needed(plan: Design, difference: Floats, a: Ints, b: Ints, factor: Floats, just_noticeable: float) -> Floats:
    """Fewest takes of each instrument that would decide each pair with 80 % power; NaN when takes cannot.

    ASSUME: the observed differences (P,) and what is known of the standard deviations stay as they are, the further
    takes are spread over the sessions as now, and the multiplicity correction goes on multiplying p by
    `factor` (P,). The power is that at the mean variance: in 80 % of studies an estimate falls short of the true
    difference by less than t_0.80 standard errors.
    """
    size = np.abs(np.asarray(difference, float))
    known = plan.repeatability
    now = 1 / plan.n[a] + 1 / plan.n[b]

    def decided(n: Floats) -> Bools:
        n_a, n_b = np.maximum(plan.n[a], n), np.maximum(plan.n[b], n)
        scale = plan.difference_scale(a, b, (1 / n_a + 1 / n_b) / now)
        df = known.freedom + n_a + n_b - plan.n[a] - plan.n[b]
        spare = stats.t.ppf(POWER, df) * np.sqrt(scale**2 @ known.shares)
        room, excess = just_noticeable - size - spare, size - spare
        equal: Bools = (room > 0) & (two_sided(room, scale, df, known.shares) <= 1 - CONFIDENCE)
        differs: Bools = (excess > 0) & (two_sided(excess, scale, df, known.shares) * factor <= ALPHA)
        return equal | differs

    low, high = np.ones(size.size), np.full(size.size, MOST_TAKES + 1.0)  # too few, and enough or beyond
    while (between := high - low > 1).any():
        middle = np.floor((low + high) / 2)
        enough = decided(middle)
        low, high = np.where(between & ~enough, middle, low), np.where(between & enough, middle, high)
    return np.where(high <= MOST_TAKES, high, np.nan)


def one_take_a_day(plan: Design) -> Design:
    """The design with as many takes, all instruments together, each take on another day."""
    known = plan.repeatability
    apart = known._replace(variances=known.variances * (1 + known.ratios**2), ratios=0 * known.ratios)
    return replace(plan, takes=np.diag(1 / plan.n), days=0 * plan.days, shifts=0 * plan.shifts, repeatability=apart)


def of_criterion(frame: pd.DataFrame, criterion: str) -> pd.DataFrame:
    """Rows of one criterion."""
    return frame[frame["criterion"] == criterion]


def paired(states: dict[str, str], ranking: pd.DataFrame, instruments: Mapping[str, Row]) -> dict[str, str]:
    """The instruments to compare pair by pair, with their states: all, or MOST_PAIRED of them.

    Pairs grow with the square of the instruments. Of many the references of the sheet of `instruments` are taken, and
    those whose median rank in any row of the `ranking` table is best.
    """
    if len(states) <= MOST_PAIRED:
        return states
    best = ranking.groupby("instrument")["rank_median"].min()
    order = sorted(states, key=lambda name: (instruments[name]["reference"] == "no", best.get(name, np.inf), name))
    return {name: states[name] for name in order[:MOST_PAIRED]}


def pairs_table(
    instruments: pd.DataFrame,
    takes: pd.DataFrame,
    shifts: pd.DataFrame,
    criteria: pd.DataFrame,
    states: dict[str, str],
    families: Mapping[str, str],
) -> Iterator[pd.DataFrame]:
    """The pairs table of a study criterion by criterion, one row per pair.

    `instruments`, `criteria`: the results tables; `takes`, `shifts`: as from `assess`; `states`: state compared per
    instrument, see `compared_states`; `families`: family key per instrument.
    """
    names = sorted(states)
    compared = in_state(instruments, states)
    for criterion in criteria.itertuples(index=False):
        name = str(criterion.criterion)
        plan = design(of_criterion(takes, name), of_criterion(shifts, name), states, names)
        rows = of_criterion(compared, name).set_index("instrument").reindex(names)
        yield _pairs_of(criterion, rows.assign(family=[families[i] for i in names]), plan)


def _pairs_of(criterion: Any, rows: pd.DataFrame, plan: Design) -> pd.DataFrame:
    a, b = np.triu_indices(len(rows), 1)
    value = rows["value"].to_numpy(float, na_value=np.nan)
    group = rows["group"].to_numpy(float, na_value=np.nan)
    chain, exact = criterion.chain_dependent == "yes", criterion.criterion in EXACT
    jnd = np.nan if pd.isna(criterion.just_noticeable) else float(criterion.just_noticeable)
    reason = _not_comparable(rows, chain, exact, a, b)
    comparable = reason == ""
    linked = np.full(len(a), exact) | (plan.linked[a] == plan.linked[b])
    difference = np.where(comparable, value[a] - value[b], np.nan)
    if exact:
        judged = judge(difference, np.where(comparable, 0.0, np.nan)[:, None], np.inf, jnd)
        reason[judged["verdict"] == "no_audible_difference"] = SAME_COST
    else:
        known = plan.repeatability
        scale = np.where((comparable & linked)[:, None], plan.difference_scale(a, b), np.nan)
        judged = judge(difference, scale, known.freedom, jnd, known.shares)
    judged.loc[~comparable, "verdict"] = "not_comparable"
    judged["takes_needed"] = np.nan

    undecided = (judged["verdict"] == "undecided").to_numpy()
    if not exact:
        unrepeated = undecided & np.isnan(plan.repeatability.s_r)
        reason[unrepeated] = REPEATABILITY_UNKNOWN
        judged.loc[unrepeated, "takes_needed"] = 2
        todo = undecided & ~unrepeated
        with np.errstate(invalid="ignore", divide="ignore"):
            factor = np.fmax((judged["p_adjusted"] / judged["p"]).to_numpy(), 1)[todo]
        question = difference[todo], a[todo], b[todo], factor, jnd
        needed = np.where(linked[todo], takes_needed(plan, *question), np.nan)
        days_needed = takes_needed(one_take_a_day(plan), *question)
        judged.loc[todo, "takes_needed"] = np.where(np.isfinite(needed), needed, days_needed)
        reason[todo] = np.where(np.isfinite(needed), "", np.where(np.isfinite(days_needed), NEEDS_OTHER_DAYS, TOO_MANY))
        if len(plan.repeatability.ratios) > 1 and not plan.repeatability.day_df:
            reason[todo] = [f"{why}; {DAYS_ASSUMED}".removeprefix("; ") for why in reason[todo]]
        reason[undecided & ~linked] = UNLINKED_PLAYER
    labels = rows.index.to_numpy()
    return judged.assign(
        instrument_a=labels[a],
        instrument_b=labels[b],
        criterion=criterion.criterion,
        group=np.where(group[a] == group[b], group[a], np.nan),
        difference=difference,
        unit=criterion.unit,
        just_noticeable=jnd,
        reason=reason,
    )


def _not_comparable(rows: pd.DataFrame, chain: bool, exact: bool, a: Ints, b: Ints) -> NDArray[np.object_]:
    """Why each pair cannot be compared (P,); empty text where it can."""
    value = rows["value"].to_numpy(float, na_value=np.nan)
    group = rows["group"].to_numpy(float, na_value=np.nan)
    why = rows["reason"].fillna("").astype(str).to_numpy()
    reason = np.full(len(a), "", dtype=object)
    if chain:
        reason[group[a] != group[b]] = UNLINKED_CHAIN
    for side in (b, a):
        for i in np.flatnonzero(np.isnan(value[side])):
            name = rows.index[side[i]]
            reason[i] = f"no value for {name}" + (f": {why[side[i]]}" if why[side[i]] else "")
    family = rows["family"].to_numpy()
    if not exact:
        reason[family[a] != family[b]] = OTHER_KIND
    return reason
