"""Pairs of instruments: difference, 90 % interval, adjusted p and a verdict for every criterion.

Conventions
- The unit of replication is the take (one recording), not the note. How values err is the model of `repeatability`:
  Var(a - b) = takes + s_d² days + Σ (shift_a - shift_b)², s_d = ratio s_r the scatter of own days. Across linked
  sessions the links' takes and days come in; days do not cancel within a session, for each instrument has a day of its
  own. The shifts, for chain-dependent criteria, are what the value moves along each direction of the set-ups' error.
- The ratio is uncertain: p and interval are those of a mixture of Student's t over it (see `student`).
- What a session adds to all instruments alike is taken out of the values before (`assess`), for the ADDITIVE criteria;
  for the others it counts as scatter of the days. A session of several players counts as one of each.
- Where no instrument, directly or through others, was recorded in the sessions of both by the players of both, the
  difference holds what session and player add, of unknown size: no interval, and undecided. The links are those of the
  takes behind the criterion.
- In a session that nothing links, the room's resonances at single notes are in every instrument's unevenness, and
  shrink the differences of roots of mean squares: there such values are never told to be equal.
- p is adjusted over the pairs of a criterion and, with them, over the criteria (see `multiplicity`).
- Only instruments of one family are compared, except by cost.
- Costs are exact: no variance, p is 0 for any difference and 1 for none; what costs the same is no difference to hear.
- NaN = not measurable or not known. Tables have the columns of `columns.TABLES`.

Reference: Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657 (two one-sided tests: 90 % interval inside the margins).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from evenbore.compare.multiplicity import POWER, adjusted, over_families
from evenbore.compare.verdict import ALPHA, verdicts
from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.columns import names
from evenbore.facts.criteria import CRITERIA, EXACT
from evenbore.facts.rows import Row
from evenbore.facts.words import joined
from evenbore.judge.repeatability import Assessment, Days, Errors
from evenbore.statistics.grouped import by_criterion
from evenbore.statistics.student import CONFIDENCE, half_width, two_sided

ONE_RATIO = np.ones(1)
_NODES, _NODE_SHARES = np.polynomial.hermite_e.hermegauss(9)
_NODE_SHARES = _NODE_SHARES / _NODE_SHARES.sum()
MOST_PAIRED = 300
MOST_TAKES = 50
"""Above this many takes of each instrument the answer is: not with takes."""

UNLINKED_CHAIN = "recorded in set-ups that no shared instrument links: it would compare rooms and microphones"
UNLINKED_PLAYER = (
    "no instrument links the sessions and players of the two with takes of this kind, so what a day or a player adds"
    " cannot be told from the instrument: record one of the two in the other's session, by its player, as well"
)
OTHER_KIND = "different kinds of instrument"
REPEATABILITY_UNKNOWN = (
    "no repeat takes in the study (copies do not count): the player's own repeatability is not known"
)
TOO_MANY = f"more than {MOST_TAKES} takes of each would not decide it"
SAME_COST = "both cost the same"
ROOM_WITHIN = (
    "too alike to tell apart here, but the room's resonances at single notes are in both values: record one of them in"
    " another room as well before calling them equal"
)
NEEDS_OTHER_DAYS = "each take on another day, and both instruments played on each of these days"
DAYS_ASSUMED = "how much an instrument's days scatter is assumed, for only one was recorded on several"


def compared_states(instruments: pd.DataFrame, states: list[str], compare_state: str) -> dict[str, str]:
    """State compared for each instrument: `compare_state`, or with "latest" the last of `states` it has.

    An instrument without the named state is left out.
    """
    known = instruments.groupby("instrument")["state"].agg(set)
    if compare_state != "latest":
        return {str(name): compare_state for name, had in known.items() if compare_state in had}
    return {str(name): max(had, key=states.index) for name, had in known.items()}


def in_state(frame: pd.DataFrame, states: Mapping[str, str]) -> pd.DataFrame:
    """Rows of each instrument's compared state."""
    return frame[frame["state"] == frame["instrument"].map(states)]


def judge(difference: Floats, half: Floats, p: Floats, just_noticeable: float, times: float = 1.0) -> pd.DataFrame:
    """Interval, p, adjusted p and verdict for all pairs of one criterion, from differences (P,), half of their
    intervals (P,) and their p (P,).

    `times`: what the adjusted p is multiplied with for the other criteria. NaN, of an unknown error, gives undecided.
    """
    p_adjusted = np.minimum(adjusted(p) * times, 1.0)
    low, high = difference - half, difference + half
    verdict = verdicts(low, high, p_adjusted, just_noticeable)
    return pd.DataFrame({"low": low, "high": high, "p": p, "p_adjusted": p_adjusted, "verdict": verdict})


def takes_needed(plan: Errors, difference: Floats, a: Ints, b: Ints, factor: Floats, just_noticeable: float) -> Floats:
    """Fewest takes of each instrument that would decide each pair with 80 % probability; NaN when takes cannot.

    The true difference is not the observed one (P,) but drawn to zero by how little the pairs of the study differ
    beyond their errors, and uncertain (normal); the probability is the mean over it. ASSUME: what is known of the
    standard deviations stays, further takes are spread over the sessions as now, and the multiplicity correction goes
    on multiplying p by `factor` (P,).
    """
    n = plan.n
    variance = plan.of_differences(a, b)[0] ** 2 @ plan.shares
    middle, spread = true_difference(difference, variance, max(float(np.mean(np.square(difference) - variance)), 0.0))
    true = middle[:, None] + spread[:, None] * _NODES
    now = 1 / n[a] + 1 / n[b]

    def decided(more: Floats) -> Bools:
        n_a, n_b = np.maximum(n[a], more), np.maximum(n[b], more)
        scale, df = plan.of_differences(a, b, (1 / n_a + 1 / n_b) / now)
        error = np.sqrt(scale**2 @ plan.shares)
        told = probability_told(true, error, error, df + n_a + n_b - n[a] - n[b], factor, just_noticeable)
        enough: Bools = told @ _NODE_SHARES >= POWER
        return enough

    low, high = np.ones(variance.size), np.full(variance.size, MOST_TAKES + 1.0)  # too few, and enough or beyond
    while (between_takes := high - low > 1).any():
        middle = np.floor((low + high) / 2)
        enough = decided(middle)
        low, high = np.where(between_takes & ~enough, middle, low), np.where(between_takes & enough, middle, high)
    return np.where(high <= MOST_TAKES, high, np.nan)


def true_difference(difference: Floats, variance: Floats, between: float) -> tuple[Floats, Floats]:
    """Mean and standard deviation (P,) of the true differences, normal, given those seen (P,) with error `variance`
    (P,; infinite where nothing is known) and what pairs differ by beyond their errors, a variance `between`."""
    pull = between / np.maximum(between + variance, np.finfo(float).tiny)
    return pull * difference, np.sqrt(between * (1 - pull))


def probability_told(
    centre: Floats, spread: Floats, error: Floats, df: Floats, factor: Floats, just_noticeable: float | Floats
) -> Floats:
    """Probability (P, N) that a difference is decided whose estimate will scatter about `centre` (P, N) by `spread`
    (P,), as Student's t, and be judged by its standard `error` (P,) on `df` (P,); `factor` (P,): what p is multiplied
    with for the other questions."""
    df, error, spread = df[:, None], error[:, None], spread[:, None]
    limit = np.reshape(just_noticeable, (-1, 1))
    differ = -special.stdtrit(df, ALPHA / 2 / factor[:, None]) * error
    equal = np.maximum(limit - special.stdtrit(df, (1 + CONFIDENCE) / 2) * error, 0.0)
    told = special.stdtr(df, (centre - differ) / spread) + special.stdtr(df, (-differ - centre) / spread)
    told += np.nan_to_num(special.stdtr(df, (equal - centre) / spread) - special.stdtr(df, (-equal - centre) / spread))
    probability: Floats = np.minimum(told, 1.0)  # what surely differs may be told to be equal as well
    return probability


def one_take_a_day(plan: Errors) -> Errors:
    """The errors with as many takes, all instruments together, each take on another day.

    ASSUME: what set-ups and rooms leave of their errors now falls as the takes do, for every day has its own.
    """
    apart = plan.s_r**2 * (1 + plan.ratios**2 @ plan.shares) / plan.n + np.diag(plan.setups)
    return plan._replace(takes=np.diag(apart), own=apart, days=0 * plan.days, setups=0 * plan.setups)


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


def times_asked(questions: Sequence["Question"]) -> float:
    """What the adjusted p of the questions are multiplied with for being asked together; costs are no question."""
    return over_families([adjusted(question.p) for question in questions if question.plan])


def own_days_table(
    questions: Sequence["Question"], days: Mapping[str, Days], assumed: Mapping[str, float]
) -> pd.DataFrame:
    """The own_days table: how much own days scatter, and how many pairs differ by that, by half and by twice as much.

    `questions`: from `questions_of` with these `days`; `assumed`: scale of what was assumed beforehand, per kind.
    """
    counts = []
    for size in (1.0, 0.5, 2.0):
        heard = [q if size == 1 else replace(q, plan=q.plan._replace(ratios=size * q.plan.ratios))
                 for q in questions if q.plan]  # fmt: skip
        times = times_asked(heard)
        counts.append(sum(question.differing(times) for question in heard))
    rows = []
    for kind, own in days.items():
        low, middle, high = np.interp([0.05, 0.5, 0.95], np.cumsum(own.shares) - own.shares / 2, own.ratios)
        rows.append((kind, assumed[kind], middle, low, high, own.witnesses, *counts))
    return pd.DataFrame(rows, columns=names("own_days"))


@dataclass(frozen=True)
class Question:
    """One criterion, a row of the criteria table, asked of all pairs (P,) of the instruments of `rows`, `a` and `b`
    among these: their `difference`, why they are `not_comparable` (empty text: they are), whether they are `linked`,
    and how the values err (`plan`), None where there are no takes or the criterion is exact."""

    criterion: Any
    rows: pd.DataFrame
    plan: Errors | None
    a: Ints
    b: Ints
    difference: Floats
    not_comparable: NDArray[np.object_]
    linked: Bools

    @property
    def just_noticeable(self) -> float:
        """Its smallest difference that is noticed, NaN: none known."""
        noticed = self.criterion.just_noticeable
        return np.nan if pd.isna(noticed) else float(noticed)

    @cached_property
    def errors(self) -> tuple[Floats, float | Floats, Floats]:
        """Standard errors (P, K), degrees of freedom and the ratios' shares (K,)."""
        comparable = self.not_comparable == ""
        if self.plan is None:
            return np.where(comparable, 0.0, np.nan)[:, None], np.inf, ONE_RATIO
        scale, df = self.plan.of_differences(self.a, self.b)
        return np.where((comparable & self.linked)[:, None], scale, np.nan), df, self.plan.shares

    @cached_property
    def p(self) -> Floats:
        """Two-sided p of no difference, NaN where no link tells it."""
        return two_sided(self.difference, *self.errors)

    @cached_property
    def half(self) -> Floats:
        """Half of the interval of each difference, NaN where no link tells it."""
        return half_width(*self.errors, CONFIDENCE)

    def differing(self, times: float) -> int:
        """How many pairs `judged` tells to differ, without the intervals of those that cannot."""
        p_adjusted = np.minimum(adjusted(self.p) * times, 1.0)
        told = np.flatnonzero(p_adjusted <= ALPHA)
        scale, df, shares = self.errors
        half = half_width(scale[told], np.broadcast_to(df, self.p.shape)[told], shares, CONFIDENCE)
        low, high = self.difference[told] - half, self.difference[told] + half
        return int((verdicts(low, high, p_adjusted[told], self.just_noticeable) == "differs").sum())

    def judged(self, times: float) -> tuple[pd.DataFrame, Bools]:
        """What `judge` tells of the pairs, `times`: see there; and which are undecided (P,) for the room alone."""
        judged = judge(self.difference, self.half, self.p, self.just_noticeable, times if self.plan else 1.0)
        judged.loc[self.not_comparable != "", "verdict"] = "not_comparable"
        in_one_room = np.zeros(len(judged), bool)
        if self.plan and CRITERIA[self.criterion.criterion].smoothed:
            in_one_room = (judged["verdict"] == "no_audible_difference").to_numpy() & (self.plan.one_room[self.a] == 1)
        judged.loc[in_one_room, "verdict"] = "undecided"
        return judged, in_one_room


def questions_of(
    assessed: Assessment, criteria: pd.DataFrame, states: Mapping[str, str], families: Mapping[str, str]
) -> list[Question]:
    """What is asked of the pairs, criterion by criterion.

    `criteria`: the results table; `states`: state compared per instrument, see `compared_states`; `families`: family
    key per instrument.
    """
    owners = sorted(states.items())
    labels = [name for name, _ in owners]
    a, b = np.triu_indices(len(owners), 1)
    values = by_criterion(in_state(assessed.instruments, states))
    questions = []
    for criterion in criteria.itertuples(index=False):
        name = str(criterion.criterion)
        exact = name in EXACT
        chain = str(criterion.chain_dependent) == "yes"
        rows = values[name].set_index("instrument").reindex(labels)
        rows["family"] = [families[label] for label in labels]
        plan = assessed.errors(name, owners)
        value = rows["value"].to_numpy(float, na_value=np.nan)
        reason = _not_comparable(rows, chain, exact, a, b)
        difference = np.where(reason == "", value[a] - value[b], np.nan)
        linked = plan.linked(a, b) if plan else np.full(a.size, exact)
        questions.append(Question(criterion, rows, plan, a, b, difference, reason, linked))
    return questions


def pairs_table(questions: Sequence[Question]) -> Iterator[pd.DataFrame]:
    """The pairs table of a study criterion by criterion, one row per pair; `questions`: from `questions_of`."""
    times = times_asked(questions)
    for question in questions:
        a, b, rows, reason = question.a, question.b, question.rows, question.not_comparable.copy()
        judged, in_one_room = question.judged(times)
        judged["takes_needed"] = np.nan
        if question.plan is None:
            reason[(judged["verdict"] == "no_audible_difference").to_numpy()] = SAME_COST
        else:
            undecided = (judged["verdict"] == "undecided").to_numpy()
            todo = undecided & ~in_one_room
            if todo.any():
                judged.loc[todo, "takes_needed"], reason[todo] = _what_decides(question, question.plan, judged, todo)
            reason[in_one_room] = ROOM_WITHIN
            reason[undecided & ~question.linked] = UNLINKED_PLAYER
        labels, group = rows.index.to_numpy(), rows["group"].to_numpy(float, na_value=np.nan)
        yield judged.assign(
            instrument_a=labels[a], instrument_b=labels[b], criterion=question.criterion.criterion,
            group=np.where(group[a] == group[b], group[a], np.nan), difference=question.difference,
            unit=question.criterion.unit, just_noticeable=question.just_noticeable, reason=reason,
        )  # fmt: skip


def _what_decides(
    question: Question, plan: Errors, judged: pd.DataFrame, todo: Bools
) -> tuple[Floats, NDArray[np.object_]]:
    """Takes that would decide the undecided pairs `todo` (P,), and what else there is to say of each of them."""
    count = int(todo.sum())
    if np.isnan(plan.s_r):
        return np.full(count, 2.0), np.full(count, REPEATABILITY_UNKNOWN, object)
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.fmax((judged["p_adjusted"] / judged["p"]).to_numpy(), 1)[todo]
    asked = question.difference[todo], question.a[todo], question.b[todo], factor, question.just_noticeable
    needed = np.where(question.linked[todo], takes_needed(plan, *asked), np.nan)
    days_needed = takes_needed(one_take_a_day(plan), *asked)
    reason = np.where(np.isfinite(needed), "", np.where(np.isfinite(days_needed), NEEDS_OTHER_DAYS, TOO_MANY))
    if len(plan.ratios) > 1 and not plan.witnesses:
        reason = np.array([joined(why, DAYS_ASSUMED) for why in reason])
    return np.where(np.isfinite(needed), needed, days_needed), reason.astype(object)


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
