"""The findings of a study as sentences to quote, each with its uncertainty."""

from collections import Counter
from collections.abc import Iterable
from typing import Any, cast

import pandas as pd

from evenbore.facts.findings import FINDINGS
from evenbore.facts.verdicts import VERDICTS
from evenbore.facts.words import plain
from evenbore.findings.vet import NOTHING
from evenbore.report import decide, words
from evenbore.report.results import Results, rows_of

CAUTIONS = (
    "These results hold for this player, mouthpiece and reed, on these days; they are of single instruments, not of"
    " makers or models.",
    'Where nothing is said to differ, nothing is said to be the same: "undecided" means that these recordings cannot'
    " tell.",
    "A finding is a reason to have an instrument looked at by a qualified technician, never a diagnosis.",
)


def quotes(results: Results) -> str:
    """The sentences as text, one paragraph each."""
    told = (*_answers(results), *_criteria(results), *_statuses(results), *_traits(results), *_sessions(results))
    parts = [results.study.config["title"], *told, *CAUTIONS]
    return "\n\n".join(" ".join(part.split()) for part in parts) + "\n"


def _answers(results: Results) -> list[str]:
    """For every kind of buyer what to take, whatever the price, and how likely the first places are."""
    sentences, most = [], words.most_named(results)
    better, cost, currency = decide.shown_better(results), decide.costs(results), results.study.config["currency"]
    for answer in words.answers(results):
        if answer.alone:
            continue
        group = f" (group {answer.group})" if answer.group and results.tables["ranking"]["group"].nunique() > 1 else ""
        first, taken = answer.first, decide.choices(results, answer, better)[-1]
        parts = decide.deciding(taken, cost, currency)
        advice = "".join(part if isinstance(part, str) else results.label(part.instrument) for part in parts)
        state = results.states[first.instrument]
        said = (
            f"{words.who(results, first.instrument, state)} is the likeliest first of {len(answer.places)}, with a"
            f" probability of {words.percent(first.p_first)}"
        )
        rest = [place for place in answer.leaders if place is not first]
        if rest:
            others = ", ".join(f"{results.label(place.instrument)} ({words.percent(place.p_first)})"
                               for place in rest[: most - 1])  # fmt: skip
            if len(rest) > most - 1:
                others += f" and {len(rest) - most + 1} more"
            said += f"; with 90 % probability the first is that one or one of {others}"
        sentences.append(
            f"With the priorities of a {plain(answer.priorities)}, {answer.kind}{group}: {advice}. {said}."
        )
    return sentences


def _criteria(results: Results) -> list[str]:
    """Of every kind (and group, where set-ups count): how far apart the instruments measured by the criteria that tell
    any two apart, and what their pairs tell; then the criteria that tell none apart."""
    values, sentences = results.compared("instruments").dropna(subset="value"), []
    untold: dict[str, list[str]] = {}
    values = values.assign(kind=values["instrument"].map(lambda name: results.study.instruments[name]["family"]))
    chain = results.tables["criteria"].query("chain_dependent == 'yes'")["criterion"]
    by_group = set(chain) if values["group"].nunique() > 1 else set()
    pairs = _verdicts(results, by_group)
    for criterion in rows_of(results.tables["criteria"]):
        of_criterion = values[values["criterion"] == criterion.criterion]
        group = of_criterion["group"].fillna(0) if criterion.criterion in by_group else pd.Series(0, of_criterion.index)
        by_kind: Iterable[tuple[Any, pd.DataFrame]] = of_criterion.groupby(["kind", group], sort=False)
        for (kind, number), rows in by_kind:
            judged = pairs.get((criterion.criterion, kind, number), Counter())
            if len(rows) < 2 or not judged:
                continue
            ends = rows.loc[[rows["value"].idxmin(), rows["value"].idxmax()]].itertuples(index=False)
            low, high = (_measured(results, row, criterion.unit) for row in ends)
            within = f", group {number:.0f}" if number else ""
            name = plain(criterion.criterion).capitalize()
            told = ", ".join(f"{judged[key]} {verdict.of_pairs}" for key, verdict in VERDICTS.items() if judged[key])
            count = sum(judged.values())
            family = results.study.families[kind].name
            if not judged["differs"]:
                untold.setdefault(f"{family}{within}", []).append(plain(criterion.criterion))
                continue
            sentences.append(f"{name} ({family}{within}): from {low} to {high}. Of {count} pairs {told}.")
    sentences += [f"No two are told apart ({who}) by {', '.join(named)}." for who, named in untold.items()]
    return sentences


def _verdicts(results: Results, by_group: set[str]) -> dict[tuple[str, str, int], Counter[str]]:
    """Of each criterion, family and, of the criteria `by_group`, group (else 0): how many pairs have each verdict."""
    family = {name: row["family"] for name, row in results.study.instruments.items()}
    counts: dict[tuple[str, str, int], Counter[str]] = {}
    for part in results.tables.whole("pairs"):
        kind = part["instrument_a"].map(family)
        alike = part[kind == part["instrument_b"].map(family)]
        group = alike["group"].where(alike["criterion"].isin(by_group), 0)  # pairs of two groups are of none
        sizes = alike.groupby(["criterion", kind, group, "verdict"]).size()
        for key, number in sizes.items():
            criterion, family_key, of_group, verdict = cast(tuple[str, str, int, str], key)
            counts.setdefault((criterion, family_key, of_group), Counter())[verdict] += number
    return counts


def _measured(results: Results, row: Any, unit: str) -> str:
    value, interval = words.value_texts(row)
    sure = f", 90 % interval {interval}" if interval else ""  # an exact value, such as a price, has none
    if pd.isna(row.low):
        sure = ", without an interval"
    flattered = ", flattered by what was found" if (row.instrument, row.criterion) in results.flattered else ""
    return f"{value} {unit}{sure} ({results.label(row.instrument)}, {plain(row.state)}{flattered})"


def _statuses(results: Results) -> list[str]:
    """Every instrument's status, with what it was before where that is history."""
    sentences = []
    for name in results.order:
        rows = results.status(name)
        if not rows:
            continue
        *before, now = rows
        past = "".join(f" Before, {plain(row['state'])}: {row['decision']}; {row['against'] or row['open'] or NOTHING}."
                       for row in before)  # fmt: skip
        sentences.append(now["sentence"] + past)
    return sentences


def _traits(results: Results) -> list[str]:
    return [f"A trait of the {one.model}, on {one.count} of {one.units} units and held against none: {one.found}."
            for one in words.traits(results)]  # fmt: skip


def _sessions(results: Results) -> list[str]:
    """Effects of sessions, blamed on no instrument."""
    findings = results.tables["findings"]
    return [f"{FINDINGS[row.kind].words.capitalize()} (probability {words.percent(row.confidence)}). {row.explanation}"
            for row in rows_of(findings[findings["instrument"].isna()])]  # fmt: skip
