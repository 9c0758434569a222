"""What to record next: of some further takes, those that would decide most pairs for each minute.

What pairs would be decided by is the model of `repeatability`, reckoned from the takes that there are and those that a
step adds, with the study's own s_r and days. A pair's error changes by the ratio of what is reckoned with and without
the step. Least squares: of an estimate seen now with the variance v and again with v', the errors have the covariance
v', so the next estimate lies v'/v of the way from the true difference to the one seen, and scatters around that by
v' (1 - v'/v). The true difference is uncertain as for `takes_needed`. What a link brings together was not seen at all.

Everything is recorded in the last session, whose set-up may still stand, or on another day in a session of its own.
ASSUME: standard deviations and the correction for many questions stay as they are; what set-ups leave of their errors
stays, also where a link would tell more of them; where nobody repeated a take, takes scatter as plans assume.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from evenbore.compare.pairs import (
    UNLINKED_CHAIN,
    Question,
    of_criterion,
    probability_told,
    times_asked,
    true_difference,
)
from evenbore.facts.arrays import Floats
from evenbore.facts.columns import names
from evenbore.facts.criteria import CRITERIA, Criterion
from evenbore.facts.rows import Row
from evenbore.facts.words import plain
from evenbore.judge.repeatability import OWNER, Assessment, Errors, planned_errors

# ASSUME: own guesses, no source: a scale up and down with changing over; arriving, setting up and warming up
MINUTES_PER_TAKE, MINUTES_PER_SESSION = 2.0, 30.0
# ASSUME: own choice, no source
MOST_TOGETHER = 3
"""Instruments of a step that stand in most undecided pairs, references of another day, and sessions to link."""
LEAST_GAIN = 0.5
"""Fewer pairs are not worth telling of."""
FACTOR_ROUNDS = 10
ANOTHER_DAY = ""  # no session of the sheet has this name


@dataclass(frozen=True)
class FurtherTakes:
    """A turn each of some `instruments` in a `session`: a take of every one of `articulations` at the base dynamic, and
    with `dynamics` a soft and a loud one. `kind`: a key of _WORDS."""

    kind: str
    instruments: tuple[str, ...]
    session: str
    articulations: tuple[str, ...]
    dynamics: bool

    @property
    def takes(self) -> int:
        """Takes in all."""
        return len(self.instruments) * (len(self.articulations) + 2 * self.dynamics)

    @property
    def minutes(self) -> float:
        """What it takes, about."""
        return MINUTES_PER_TAKE * self.takes + MINUTES_PER_SESSION * (self.session == ANOTHER_DAY)

    def told_of(self, criterion: Criterion) -> int:
        """Takes of an instrument that tell of the criterion."""
        if criterion.kind == "dynamics":
            return int(self.dynamics)
        return sum(criterion.articulation in ("", articulation) for articulation in self.articulations)


_WORDS = {
    "undecided": "{who} in session {session}",
    "once_more": "{who} once more in session {session}",
    "all_once_more": "all {count} instruments of session {session} there once more",
    "further_link": "{who} in session {session} as well",
    "another_day": "{who} on another day, as a session of its own",
}


def next_table(
    questions: Sequence[Question], assessed: Assessment, sheet: Mapping[str, Row], sessions: Mapping[str, Row],
    base_dynamic: str,
) -> pd.DataFrame:  # fmt: skip
    """The next table: steps by how many pairs each would decide for each minute, the most first; empty where nothing is
    undecided.

    `questions`: from `pairs.questions_of`; `sheet`, `sessions`: rows of the sheets of instruments and sessions.
    """
    times = times_asked(questions)
    asked = [_Asked(question, question.plan, assessed, times) for question in questions if question.plan]
    rows = []
    for step in _steps(asked, assessed.takes, sheet, sessions):
        gains = {one.name: one.after(step) - one.now for one in asked}
        now, most = sum(one.now for one in asked), max(gains, key=gains.__getitem__)
        gain = sum(gains.values())
        what, time = _in_words(step, sheet, base_dynamic), f"about {step.minutes:.0f} minutes"
        more = f"some {gain:.0f} more comparisons would be decided, {plain(most)} above all"
        if gain < LEAST_GAIN:
            more = "hardly any more comparison would be decided"
        rows.append(
            (step.kind, " ".join(step.instruments), step.session, step.takes, step.minutes, now, now + gain,
             gain / step.minutes, most, what, f"{what}, {time}: {more}")
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=names("next"))
    return table.sort_values("per_minute", ascending=False, kind="stable", ignore_index=True)


class _Asked:
    """A criterion's pairs (P,) as they are: which are decided and `open`, and what is known of the true differences."""

    def __init__(self, question: Question, plan: Errors, assessed: Assessment, times: float):
        self.question, self.owners, self.setups = question, plan.owners, np.nan_to_num(plan.setups)
        self.name = str(question.criterion.criterion)
        self.criterion = CRITERIA[self.name]
        takes = of_criterion(assessed.takes, self.name)
        self.takes = {key: takes[key].tolist() for key in (*OWNER, "session", "player") if key in takes}
        self.days = assessed.days[self.criterion.day_kind]
        judged = question.judged(times)[0]
        self.decided = judged["verdict"].isin(["differs", "no_audible_difference"]).to_numpy()
        self.comparable = np.isin(question.not_comparable, ["", UNLINKED_CHAIN])
        self.open = self.comparable & ~self.decided
        between_sd, _, take_sd = self.criterion.planning_sd or (np.nan,) * 3
        self.s_r = take_sd if np.isnan(plan.s_r) else plan.s_r
        self.linked = question.linked & (question.not_comparable == "")
        self.planned = self._planned(self.takes)[1]
        seen = plan.of_differences(question.a, question.b)[0] ** 2 @ plan.shares
        seen = np.where(np.isnan(seen), self.planned, seen)
        beyond = (np.square(question.difference) - seen)[self.linked]
        between = max(float(beyond.mean()), 0.0) if beyond.size else 2 * between_sd**2
        self.variance = np.where(self.linked, seen, np.inf)
        self.difference = np.where(self.linked, question.difference, 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            self.middle, self.spread = true_difference(self.difference, self.variance, between)
            factor = (judged["p_adjusted"] / judged["p"]).to_numpy()
        known = np.isfinite(factor)
        self.factor = np.where(known, factor, np.median(factor[known]) if known.any() else np.nan)

    @property
    def now(self) -> int:
        """Pairs that are decided."""
        return int(self.decided.sum())

    def _planned(self, takes: Mapping[str, list[str]]) -> tuple[Errors, Floats, Floats]:
        """How values will err by planned `takes`, and of the differences the variance and degrees of freedom (P,)."""
        errors = planned_errors(takes, self.s_r, self.criterion.additive, self.days)
        errors = errors.of(self.owners)._replace(setups=self.setups)
        scale, df = errors.of_differences(self.question.a, self.question.b)
        return errors, scale**2 @ errors.shares, df

    def after(self, step: FurtherTakes) -> float:
        """Pairs that are decided after the step, as may be expected."""
        if not step.told_of(self.criterion):
            return self.now
        errors, planned, df = self._planned(self._with(step))
        with np.errstate(invalid="ignore", divide="ignore"):
            part = np.where(self.linked, planned / self.planned, 0.0)
            variance = np.where(self.linked, self.variance * part, planned)
        asked = self.comparable & errors.linked(self.question.a, self.question.b)
        changed = asked & (np.abs(part - 1) > 1e-9)
        if not changed.any():
            return self.now
        variance, kept, middle = variance[changed], np.minimum(part, 1.0)[changed], self.middle[changed]
        centre = middle + kept * (self.difference[changed] - middle)
        scatter = np.sqrt((1 - kept) ** 2 * self.spread[changed] ** 2 + (1 - kept) * variance)
        error = np.sqrt(variance)
        limit: float | Floats = self.question.just_noticeable
        if self.criterion.smoothed:
            limit = np.where(errors.one_room[self.question.a][changed] == 1, np.nan, limit)
        scatter = np.maximum(scatter, 1e-9 * error)

        def told(factor: Floats) -> float:
            probability = probability_told(centre[:, None], scatter, error, df[changed], factor, limit)
            return float(np.nan_to_num(probability).sum())

        # what a link brings together is asked as well
        factor = self.factor[changed] * max(asked.sum() / max(self.linked.sum(), 1), 1.0)
        if np.isnan(factor).any():  # no p is known: Benjamini and Hochberg's, of as many as will be told
            factor = np.ones(error.size)
            for _ in range(FACTOR_ROUNDS):
                factor = np.full(error.size, error.size / max(told(factor), 1.0))
        return float(self.decided[~changed].sum()) + told(factor)

    def _with(self, step: FurtherTakes) -> dict[str, list[str]]:
        """The takes and those that the step adds, by whoever played last there or at all; columns as for `cells_of`."""
        states, told = dict(self.owners), step.told_of(self.criterion)
        names = [name for name in step.instruments for _ in range(told)]
        added = {"instrument": names, "state": [states[name] for name in names], "session": [step.session] * len(names)}
        if "player" in self.takes:
            played = list(zip(self.takes["session"], self.takes["player"], strict=True))
            last = [player for session, player in played if session == step.session] or self.takes["player"]
            added["player"] = last[-1:] * len(names)
        return {key: [*takes, *added[key]] for key, takes in self.takes.items()}


def _steps(
    asked: Sequence[_Asked], takes: pd.DataFrame, sheet: Mapping[str, Row], sessions: Mapping[str, Row]
) -> list[FurtherTakes]:
    """The steps that are tried: a handful, however large the study."""
    pending: Counter[str] = Counter()
    for one in asked:
        labels = one.question.rows.index.to_numpy()
        for side in (one.question.a, one.question.b):
            pending.update(labels[side[one.open]])
    if not pending:
        return []
    states = dict(asked[0].owners)
    compared = takes[takes["state"] == takes["instrument"].map(states)]
    members = compared.groupby("session")["instrument"].agg(set)
    last = sorted((s for s in sessions if s in members), key=lambda s: sessions[s]["date"] or "")[-1]
    here = members[last]

    def first(names: Iterable[str]) -> list[str]:
        return sorted(set(names), key=lambda name: (-pending[name], name))[:MOST_TOGETHER]

    marked = [name for name in states if sheet[name]["reference"] == "yes"]
    counts = compared.groupby("instrument")["session"].nunique()
    shared = marked or [str(name) for name in counts.index[counts > 1]]
    absent = [there - here for there in members if there - here]
    links = first(min(names, key=lambda name: (name not in marked, -pending[name], name)) for names in absent)
    tied = first(pending)
    turns = [
        *([] if here.issuperset(tied) else [("undecided", tied, last)]),
        ("once_more", first(pending.keys() & here), last),
        ("all_once_more", sorted(here), last),
        *(("further_link", [name], last) for name in links),
        ("further_link", links, last),
        ("another_day", list(dict.fromkeys([*first(shared), *tied])), ANOTHER_DAY),
    ]
    at_base = compared[[CRITERIA[name].kind == "take" for name in compared["criterion"]]]
    manners = tuple(sorted(at_base["articulation"].unique()))
    with_dynamics = [False] * bool(manners) + [True] * (len(at_base) < len(compared))
    return list(dict.fromkeys(
        FurtherTakes(kind, tuple(instruments), session, manners, dynamics)
        for kind, instruments, session in turns if instruments for dynamics in with_dynamics
    ))  # fmt: skip


def _in_words(step: FurtherTakes, sheet: Mapping[str, Row], base_dynamic: str) -> str:
    """What to do, for a musician."""
    labels = [str(sheet[name]["label"]) for name in step.instruments]
    who = " and ".join(filter(None, [", ".join(labels[:-1]), labels[-1]]))
    where = _WORDS[step.kind].format(who=who, count=len(labels), session=step.session)
    manners = [f"{' and '.join(filter(None, step.articulations))} at {base_dynamic}".strip()] * bool(step.articulations)
    manners += ["once softly and once loudly"] * step.dynamics
    return f"record {where} ({', and '.join(manners)})"
