"""The findings of a study as sentences to quote, each with its uncertainty."""

from collections import Counter

import pandas as pd

from evenbore.report import words
from evenbore.report.results import Results, plain

CAUTIONS = (
    "These results hold for this player, mouthpiece and reed, on these days; they are of single instruments, not of"
    " makers or models.",
    'Where nothing is said to differ, nothing is said to be the same: "undecided" means that these recordings cannot'
    " tell.",
    "A finding is a reason to have an instrument looked at by a qualified technician, never a diagnosis.",
)
VERDICTS = {
    "differs": "differ",
    "no_audible_difference": "show no audible difference",
    "undecided": "are undecided",
    "not_comparable": "cannot be compared",
}


def quotes(results: Results) -> str:
    """The sentences as text, one paragraph each."""
    parts = [results.study.config["title"], *_answers(results), *_criteria(results), *_findings(results), *CAUTIONS]
    return "\n\n".join(" ".join(part.split()) for part in parts) + "\n"


def _answers(results: Results) -> list[str]:
    found, most = [], words.most_named(results)
    for answer in words.answers(results):
        group = f" (group {answer.group})" if answer.group and results.tables["ranking"]["group"].nunique() > 1 else ""
        first = answer.leaders[0]
        said = f"{results.label(first.instrument)} comes first with a probability of {words.percent(first.p_first)}"
        if len(answer.leaders) > 1:
            others = ", ".join(f"{results.label(place.instrument)} ({words.percent(place.p_first)})"
                               for place in answer.leaders[1:most])  # fmt: skip
            if len(answer.leaders) > most:
                others += f" and {len(answer.leaders) - most} more"
            said += f"; with 90 % probability the first is that one or one of {others}"
        kind = f", {answer.kind}" if answer.kind else ""
        found.append(f"With the priorities of a {plain(answer.priorities)}{kind}{group}: {said}.")
        found += [f"{results.label(place.instrument)} fails a must-pass: {place.gate}." for place in answer.failed]
    return list(dict.fromkeys(found))


def _criteria(results: Results) -> list[str]:
    """Of every criterion: how far apart the instruments measured, and what the pairs tell."""
    values, found, pairs = results.compared("instruments"), [], _verdicts(results)
    for criterion in results.tables["criteria"].itertuples(index=False):
        own = values[(values["criterion"] == criterion.criterion)].dropna(subset="value")
        judged = pairs.get(criterion.criterion, {})
        if len(own) < 2 or not judged:
            continue
        ends = own.loc[[own["value"].idxmin(), own["value"].idxmax()]].itertuples(index=False)
        low, high = (_measured(results, row, criterion.unit) for row in ends)
        verdicts = ", ".join(f"{judged[verdict]} {text}" for verdict, text in VERDICTS.items() if verdict in judged)
        name, count = plain(criterion.criterion).capitalize(), sum(judged.values())
        found.append(f"{name}: from {low} to {high}. Of {count} pairs {verdicts}.")
    return found


def _verdicts(results: Results) -> dict[str, Counter]:
    """Of each criterion, how many pairs of all have each verdict."""
    counts: dict[str, Counter] = {}
    for part in results.tables.whole("pairs"):
        for (criterion, verdict), number in part[["criterion", "verdict"]].value_counts().items():
            counts.setdefault(criterion, Counter())[verdict] += number
    return counts


def _measured(results: Results, row, unit: str) -> str:
    value, interval = words.value_texts(row)
    sure = f", 90 % interval {interval}" if interval else ""  # an exact value, such as a price, has none
    if pd.isna(row.low):
        sure = ", without an interval"
    return f"{value} {unit}{sure} ({results.label(row.instrument)})"


def _findings(results: Results) -> list[str]:
    found = []
    for row in results.tables["findings"].itertuples(index=False):
        who = "" if pd.isna(row.instrument) else f"{results.label(row.instrument)}: "
        sure = "" if pd.isna(row.confidence) else f" (probability {words.percent(row.confidence)})"
        found.append(f"{who}{words.KINDS.get(row.kind, row.kind)}{sure}. {row.explanation}")
    return found
