"""What a study decides: for every kind of buyer and every budget what to buy, what more money buys, and what to keep
away from.

Nothing is judged here: the order and the chances are those of the table `ranking`, the decisions those of `status`,
what is shown to be better that of `pairs`. Costs are in the study's currency.
"""

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import pandas as pd

from evenbore.compare.rank import better_of
from evenbore.facts.criteria import CRITERIA, EXACT
from evenbore.facts.rows import Row
from evenbore.facts.verdicts import DECISIONS
from evenbore.report.results import Results, rows_of
from evenbore.report.words import AMONG_OTHERS, BESIDE_THE_DECISION, Answer, Place, bare, number

TAKEN = "accept"
AWAY = ("bench", "return")


@dataclass(frozen=True)
class Beside:
    """Another instrument beside the one chosen: what it costs more (negative: less), and the criteria by which it is
    shown to be `better` and `worse`."""

    instrument: str
    cost: float
    better: tuple[str, ...]
    worse: tuple[str, ...]


class Named(NamedTuple):
    """An instrument's place in a sentence: outputs write its label there, or link it."""

    instrument: str


@dataclass(frozen=True)
class Choice:
    """What to buy with a budget of `budget` up to the next choice's; None: whatever the prices, for some are not known.

    `instrument`: the first in rank that is accepted and within the budget, `place` its place in the ranking (both None:
    there is none). `first`: the likeliest first of all where that is another, `why_not`: over the budget ("cost"), its
    decision, or "order" where only its middle rank is lower. `dearer`, `cheaper`: accepted ones that cost more or less,
    in the order of the ranking; only of those that the report shows, for the pairs of the others are not read.
    """

    budget: float | None
    instrument: str | None
    place: Place | None
    first: Place | None
    why_not: str
    dearer: tuple[Beside, ...]
    cheaper: tuple[Beside, ...]

    @property
    def spared(self) -> Beside | None:
        """The first in rank of those for less money by which nothing is shown to be lost."""
        return next((one for one in self.cheaper if not one.worse), None)


@dataclass(frozen=True)
class Clause:
    """An instrument that is not to be taken as it stands: the decision and, in the words of `status`, why."""

    instrument: str
    decision: str
    why: str


def shown_better(results: Results) -> dict[tuple[str, str], tuple[str, ...]]:
    """(better, worse) -> the criteria, told by the recordings, in which the one is shown to be better than the other;
    matters of taste and what is flattered by a finding left out."""
    values = results.compared("instruments").set_index(["instrument", "criterion"])["value"].to_dict()
    pairs = results.tables["pairs"]
    pairs = pairs[(pairs["verdict"] == "differs") & ~pairs["criterion"].isin(EXACT)]
    found: dict[tuple[str, str], tuple[str, ...]] = {}
    for row in rows_of(pairs):
        way = CRITERIA[row.criterion].better
        if way == "taste":
            continue
        a, b = row.instrument_a, row.instrument_b
        first_wins = better_of(values[a, row.criterion], values[b, row.criterion], way) > 0
        winner, loser = (a, b) if first_wins else (b, a)
        if (winner, row.criterion) not in results.flattered:
            found[winner, loser] = (*found.get((winner, loser), ()), row.criterion)
    return found


def decision_of(results: Results) -> dict[str, str]:
    """Instrument -> its decision in the current state."""
    return {name: row["decision"] for name, row in results.now.items()}


def costs(results: Results) -> dict[str, float]:
    """Instrument -> its total cost; those without a price left out."""
    return {name: float(row["total_cost"]) for name, row in results.now.items() if pd.notna(row["total_cost"])}


def choices(results: Results, answer: Answer, better: Mapping[tuple[str, str], tuple[str, ...]]) -> list[Choice]:
    """The choices of one answer by rising budget, each where it changes; `better`: from `shown_better`."""
    cost, decided = costs(results), decision_of(results)
    allowed = [place for place in answer.places if decided.get(place.instrument) == TAKEN and not place.gate]
    shown = [place.instrument for place in allowed if place.instrument in cost and place.instrument in results.shown]

    def choice(place: Place | None, budget: float | None) -> Choice:
        if place is None:
            return Choice(budget, None, None, None, "", (), ())
        name, first = place.instrument, answer.first
        word = decided.get(first.instrument, TAKEN)
        within = budget is None or cost.get(first.instrument, math.inf) <= budget
        why = word if word != TAKEN else "order" if within else "cost"
        others = [
            Beside(other, cost[other] - cost[name], better.get((other, name), ()), better.get((name, other), ()))
            for other in shown if name in shown
        ]  # fmt: skip
        dearer, cheaper = (tuple(one for one in others if one.cost * way > 0) for way in (1, -1))
        if first.instrument == name:
            return Choice(budget, name, place, None, "", dearer, cheaper)
        return Choice(budget, name, place, first, why, dearer, cheaper)

    if not any(place.instrument in cost for place in answer.places):
        return [choice(next(iter(allowed), None), None)]
    out: list[Choice] = []
    for budget in sorted({0.0, *(cost[place.instrument] for place in allowed if place.instrument in cost)}):
        place = next((p for p in allowed if cost.get(p.instrument, math.inf) <= budget), None)
        if not out or out[-1].instrument != (place and place.instrument):
            out.append(choice(place, budget))
    return out


def deciding(choice: Choice, cost: Mapping[str, float], currency: str) -> list[str | Named]:
    """What to take, in words: the choice, and with whom nothing is shown to be lost for less money."""
    if choice.instrument is None:
        return ["nothing that could be accepted"]
    said: list[str | Named] = ["take ", Named(choice.instrument)]
    if choice.instrument in cost:
        said.append(f", {money(cost[choice.instrument], currency)}")
    if choice.spared:
        said += ["; or save ", f"{money(-choice.spared.cost, currency)} with ", Named(choice.spared.instrument),
                 ": nothing is shown to be lost"]  # fmt: skip
    return said


def money(amount: float, currency: str) -> str:
    """An amount in words, to the whole unit."""
    return f"{number(amount, 0)} {currency}"


def speaking(row: Row) -> list[str]:
    """The clauses of a row of `status` that speak for its decision, the first of them the reason: where it stands among
    others, and what has no value, decides nothing.

    >>> speaking({"decision": "bench", "against": "notes that crack: A5; noise: worse than 2 of 5 others", "open": ""})
    ['notes that crack: A5']
    """
    if row["decision"] == TAKEN:
        return [row["good"].split("; ")[0]]
    first, second = ("open", "against") if row["decision"] == "retake" else ("against", "open")
    clauses = (row[first] or row[second]).split("; ")
    return [clause for clause in clauses if not BESIDE_THE_DECISION.match(clause)] or clauses


def not_taken(results: Results) -> list[Clause]:
    """The instruments that are not accepted, the worst decision first, each with the first reason of its status."""
    clauses = []
    for name, row in results.now.items():
        if row["decision"] != TAKEN:
            clauses.append(Clause(name, row["decision"], bare(speaking(row)[0])))
    order = ("return", "bench", "retake")
    return sorted(clauses, key=lambda one: order.index(one.decision))


def beyond_chance(now: Mapping[str, Row]) -> dict[str, str]:
    """Instrument -> in words, what `status` says that it is shown to be better and worse in, empty if nothing; `now`:
    its current row there.

    >>> row = {"good": "noise: better than 2 of 5 others", "against": "response: worse than 1 of 5 others"}
    >>> beyond_chance({"a": row})["a"]
    'better than others in noise (2 of 5); worse in response (1 of 5)'
    """
    told: dict[str, str] = {}
    for name, row in now.items():
        found: dict[str, list[str]] = {"better": [], "worse": []}
        for clause in (*row["good"].split("; "), *row["against"].split("; ")):
            if among := AMONG_OTHERS.fullmatch(clause):
                found[among[2]].append(f"{among[1]} ({among[3]} of {among[4]})")
        parts = [f"{way} than others in {', '.join(those)}" for way, those in found.items() if those]
        told[name] = "; ".join(parts[:1] + [part.replace(" than others", "") for part in parts[1:]])
    return told


def totals(results: Results) -> dict[str, int]:
    """How many instruments have each decision in their current state; decisions that nobody has left out."""
    counts = Counter(decision_of(results).values())
    return {word: counts[word] for word in DECISIONS if counts[word]}


def purpose(results: Results) -> str:
    """What the report opens with: "shop" where the sheet names shipments, "research" where a property was tested and
    nothing has a price, else "purchase"."""
    sheet = results.study.instruments.values()
    if any(row.get("shipment") for row in sheet):
        return "shop"
    factors: pd.DataFrame = results.tables["factors"]
    return "research" if len(factors) and all(row["price"] is None for row in sheet) else "purchase"


def view_of_cost(priorities: Mapping[str, float]) -> str:
    """How a set of weights looks at what an instrument costs, in words."""
    weight = sum(value for name, value in priorities.items() if name in EXACT)
    if not weight:
        return "cost has no weight: it decides through the budget alone"
    return f"cost has {100 * weight / sum(priorities.values()):.0f} % of the weight"
