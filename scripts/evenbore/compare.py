"""Pairs of instruments: difference, 90 % interval, adjusted p and a verdict for every criterion.

Conventions
- The unit of replication is the take (one recording), not the note. A player repeats an instrument only a few
  times, so the repeatability standard deviation s_r is pooled over all instruments of the study (ISO 5725-2, see
  `repeatability`), with its degrees of freedom.
- Var(a - b) = s_r² (1/n_a + 1/n_b) + s_s² Σ (w_a - w_b)² + Σ (shift_a - shift_b)². w holds the share of an
  instrument's takes in each session, so what two instruments share cancels. s_s is the standard deviation between
  sessions, on the cautious side. The shifts, for chain-dependent criteria, are what the value moves along each
  direction of the set-ups' error. df by Satterthwaite (1946) from the first two.
- What a session adds to all instruments alike is taken out of the values before (`assess`); s_s is what goes beyond
  that, and the error of what was taken out is among the shifts.
- Where no instrument, directly or through others, was recorded in the sessions of both, the difference holds what a
  session adds, of unknown size: no interval, and undecided. The links are those of the takes behind the criterion.
- Only instruments of one family are compared, except by cost.
- Costs are exact: no variance, p is 0 for any difference and 1 for none.
- NaN = not measurable or not known. Tables have the columns of `columns.TABLES`.

References: Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289 (adjusted p); Schuirmann 1987,
J. Pharmacokinet. Biopharm. 15, 657 (two one-sided tests = 90 % interval inside the margins);
Satterthwaite 1946, Biometrics Bull. 2, 110.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from evenbore.comparability import session_groups
from evenbore.criteria import ADDITIVE
from evenbore.repeatability import Repeatability, repeatability

EXACT = ("total_cost",)
ALPHA = 0.05
CONFIDENCE = 0.90
POWER = 0.80
MOST_TAKES = 50
"""Above this many takes of each instrument the answer is: not with takes."""

UNLINKED_CHAIN = "recorded in set-ups that no shared instrument links: it would compare rooms and microphones"
UNLINKED_PLAYER = (
    "no instrument links the sessions of the two with takes of this kind, so a change from day to day cannot be told"
    " from the instrument: record one of the two in the other's session as well"
)
OTHER_KIND = "different kinds of instrument"
NO_REPEATS = "no repeat takes in the study: the player's own repeatability is not known"
TOO_MANY = f"more than {MOST_TAKES} takes of each would not decide it"
ONE_SESSION = "the two were recorded in sessions that differ too much: the takes needed are takes in one session"


@dataclass(frozen=True)
class Design:
    """What lies behind the values of the instruments (I) for one criterion.

    `n` (I,) takes; `shares` (I, S) share of the takes in each session; `shifts` (I, K) change of the value along each
    direction of the set-ups' error, one standard error; `repeatability` of the criterion; `linked` (I,) number of the
    sessions joined by shared instruments that each belongs to, NaN without takes.
    """

    n: np.ndarray
    shares: np.ndarray
    shifts: np.ndarray
    repeatability: Repeatability
    linked: np.ndarray

    def covariance(self) -> np.ndarray:
        """Covariance (I, I) of the errors of the values."""
        takes = np.diag(self.repeatability.s_r**2 / self.n)
        return takes + self.repeatability.s_s**2 * self.shares @ self.shares.T + self.shifts @ self.shifts.T

    def difference_variance(self, a, b, n_a, n_b, more_df=0) -> tuple[np.ndarray, np.ndarray]:
        """Variance and df (P, N) of the differences between the instruments `a` and `b` (indices (P,)).

        `n_a`, `n_b` (P, N): takes behind them; `more_df`: degrees of freedom of s_r beyond the present ones.
        """
        known = self.repeatability
        takes = known.s_r**2 * (1 / n_a + 1 / n_b)
        sessions = known.s_s**2 * ((self.shares[a] - self.shares[b]) ** 2).sum(axis=1)[:, None]
        links = ((self.shifts[a] - self.shifts[b]) ** 2).sum(axis=1)[:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            uncertain = takes**2 / (known.df + more_df)
            if known.df_s:
                uncertain = uncertain + sessions**2 / known.df_s
            df = np.where(uncertain > 0, (takes + sessions) ** 2 / uncertain, known.df + more_df)
        return takes + sessions + links, df


def compared_states(instruments: pd.DataFrame, states: list[str], compare_state: str) -> dict[str, str]:
    """State compared for each instrument: `compare_state`, or with "latest" the last of `states` it has.

    An instrument without the named state is left out.
    """
    known = instruments.groupby("instrument")["state"].agg(set)
    if compare_state != "latest":
        return {name: compare_state for name, had in known.items() if compare_state in had}
    return {name: max(had, key=states.index) for name, had in known.items()}


def in_state(frame: pd.DataFrame, states: dict[str, str]) -> pd.DataFrame:
    """Rows of each instrument's compared state."""
    return frame[frame["state"] == frame["instrument"].map(states)]


def design(takes: pd.DataFrame, shifts: pd.DataFrame, states: dict[str, str], instruments: list[str]) -> Design:
    """Design of one criterion from its rows of `takes` and `shifts`; an instrument without takes has n = NaN.

    The repeatability is pooled over every state: it is the player's, not the state's.
    """
    counted = in_state(takes, states)
    counts = pd.crosstab(counted["instrument"], counted["session"]).reindex(instruments, fill_value=0).to_numpy(float)
    n = counts.sum(axis=1)
    n[n == 0] = np.nan
    moved = in_state(shifts, states).pivot(index="instrument", columns="component", values="shift")
    additive = set(takes["criterion"]) <= ADDITIVE
    pooled = Repeatability(np.nan, 0, 0.0, 0) if takes.empty else repeatability(takes, additive)
    if pooled.df_s:
        several = counts[(counts > 0).sum(axis=1) > 1]
        per_session = several[several > 0].mean() if several.size else np.nanmean(n)
        pooled = pooled._replace(s_s=cautious_session_sd(pooled, per_session))
    sessions = counted["session"].map(session_groups(takes.assign(status="ok")))
    linked = sessions.groupby(counted["instrument"]).first().reindex(instruments).to_numpy(float, na_value=np.nan)
    return Design(n, counts / n[:, None], moved.reindex(instruments).fillna(0.0).to_numpy(float), pooled, linked)


def cautious_session_sd(pooled: Repeatability, takes_per_session: float) -> float:
    """Upper 60 % bound of the session standard deviation, given its estimate.

    From one or two degrees of freedom it is easily found far too small, or zero, which would pass sessions off as
    instruments. s_s² + s_r²/n is the mean square behind the estimate; here it is divided by the chi-square quantile
    over df_s instead of by one. Simulated: identical instruments in two, three or five linked sessions with effects of
    0.5, 1 or 2 s_r had any `differs` in at most 4.4 % of 1500 studies each (7.1 % with the plain estimate).
    """
    noise = pooled.s_r**2 / takes_per_session
    quantile = stats.chi2.ppf(0.4, pooled.df_s) / pooled.df_s
    return float(np.sqrt(max((pooled.s_s**2 + noise) / quantile - noise, 0)))


def judge(difference, variance, df, just_noticeable: float) -> pd.DataFrame:
    """Interval, p, adjusted p and verdict for all pairs of one criterion (arrays (P,)).

    Order: no_audible_difference when the 90 % interval lies inside ± just_noticeable (never when that is
    NaN), then differs when p_adjusted <= 0.05, else undecided. An unknown variance (NaN) gives undecided.
    """
    difference = np.asarray(difference, float)
    se = np.sqrt(np.asarray(variance, float))
    half = stats.t.ppf((1 + CONFIDENCE) / 2, df) * se
    with np.errstate(invalid="ignore", divide="ignore"):
        p = 2 * stats.t.sf(np.abs(difference) / se, df)
    p = np.where((se == 0) & (difference == 0), 1.0, p)
    adjusted = np.full(len(p), np.nan)
    known = np.isfinite(p)
    if known.any():
        adjusted[known] = stats.false_discovery_control(p[known], method="bh")
    low, high = difference - half, difference + half
    inaudible = (low >= -just_noticeable) & (high <= just_noticeable)
    verdict = np.where(inaudible, "no_audible_difference", np.where(adjusted <= ALPHA, "differs", "undecided"))
    return pd.DataFrame({"low": low, "high": high, "p": p, "p_adjusted": adjusted, "verdict": verdict})


def takes_needed(plan: Design, difference, a, b, factor, just_noticeable: float) -> np.ndarray:
    """Fewest takes of each instrument that would decide each pair with 80 % power; NaN when takes cannot.

    ASSUME: the observed differences (P,) and the pooled standard deviations stay as they are, the further
    takes are spread over the sessions as now, and the multiplicity correction goes on multiplying p by
    `factor` (P,). Decided means either (t_0.95 + t_0.80) se <= just_noticeable - |difference|
    (no audible difference) or (t_(1 - 0.025/factor) + t_0.80) se <= |difference| (differs).
    """
    size = np.abs(np.asarray(difference, float))[:, None]
    n = np.arange(2, MOST_TAKES + 1)
    n_a, n_b = np.maximum(plan.n[a][:, None], n), np.maximum(plan.n[b][:, None], n)
    added = n_a + n_b - (plan.n[a] + plan.n[b])[:, None]
    variance, df = plan.difference_variance(a, b, n_a, n_b, added)
    se, spare = np.sqrt(variance), stats.t.ppf(POWER, df)
    equal = (stats.t.ppf((1 + CONFIDENCE) / 2, df) + spare) * se <= just_noticeable - size
    differ = (stats.t.isf(ALPHA / 2 / np.asarray(factor)[:, None], df) + spare) * se <= size
    decided = equal | differ
    return np.where(decided.any(axis=1), n[decided.argmax(axis=1)], np.nan)


def of_criterion(frame: pd.DataFrame, criterion: str) -> pd.DataFrame:
    """Rows of one criterion."""
    return frame[frame["criterion"] == criterion]


def pairs(instruments, takes, shifts, criteria, states: dict[str, str], families: Mapping[str, str]) -> pd.DataFrame:
    """The pairs table of a study, one row per pair and criterion.

    `instruments`, `criteria`: the results tables; `takes`, `shifts`: as from `assess`; `states`: state compared per
    instrument, see `compared_states`; `families`: family key per instrument.
    """
    names = sorted(states)
    compared = in_state(instruments, states)
    tables = []
    for criterion in criteria.itertuples(index=False):
        name = criterion.criterion
        plan = design(of_criterion(takes, name), of_criterion(shifts, name), states, names)
        rows = of_criterion(compared, name).set_index("instrument").reindex(names)
        tables.append(_pairs_of(criterion, rows.assign(family=[families[i] for i in names]), plan))
    return pd.concat(tables, ignore_index=True)


def _pairs_of(criterion, rows: pd.DataFrame, plan: Design) -> pd.DataFrame:
    a, b = np.triu_indices(len(rows), 1)
    value = rows["value"].to_numpy(float, na_value=np.nan)
    group = rows["group"].to_numpy(float, na_value=np.nan)
    chain, exact = criterion.chain_dependent == "yes", criterion.criterion in EXACT
    jnd = np.nan if pd.isna(criterion.just_noticeable) else float(criterion.just_noticeable)
    reason = _not_comparable(rows, chain, exact, a, b)
    comparable = reason == ""
    linked = np.full(len(a), exact) | (plan.linked[a] == plan.linked[b])
    if exact:
        variance, df = np.zeros(len(a)), np.full(len(a), np.inf)
    else:
        variance, df = (x[:, 0] for x in plan.difference_variance(a, b, plan.n[a][:, None], plan.n[b][:, None]))
    difference = np.where(comparable, value[a] - value[b], np.nan)
    judged = judge(difference, np.where(comparable & linked, variance, np.nan), df, jnd)
    judged.loc[~comparable, "verdict"] = "not_comparable"
    judged["takes_needed"] = np.nan

    undecided = (judged["verdict"] == "undecided").to_numpy()
    if exact:
        reason[undecided] = "both cost the same"
    else:
        unrepeated = undecided & np.isnan(plan.repeatability.s_r)
        reason[unrepeated] = NO_REPEATS
        judged.loc[unrepeated, "takes_needed"] = 2
        todo = undecided & ~unrepeated
        with np.errstate(invalid="ignore", divide="ignore"):
            factor = np.fmax(judged["p_adjusted"] / judged["p"], 1).to_numpy()[todo]
        question = difference[todo], a[todo], b[todo], factor, jnd
        needed = np.where(linked[todo], takes_needed(plan, *question), np.nan)
        together = takes_needed(replace(plan, shares=0 * plan.shares, shifts=0 * plan.shifts), *question)
        judged.loc[todo, "takes_needed"] = np.where(np.isfinite(needed), needed, together)
        reason[todo] = np.where(np.isfinite(needed), "", np.where(np.isfinite(together), ONE_SESSION, TOO_MANY))
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


def _not_comparable(rows: pd.DataFrame, chain: bool, exact: bool, a, b) -> np.ndarray:
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
