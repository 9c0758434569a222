"""Two instruments in a sentence: what differs, what does not, what is open, and the price between them; and of which
criteria no pair at all is decided."""

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from evenbore.compare.rank import better_of
from evenbore.facts.criteria import CRITERIA, EXACT
from evenbore.facts.words import plain
from evenbore.report.results import Results, rows_of
from evenbore.report.words import number, sentence

DECIDED = ("differs", "no_audible_difference")


def pair_sentences(results: Results) -> dict[tuple[str, str], str]:
    """(first, second) as in the table `pairs` -> the sentence, of the instruments shown."""
    pairs = results.tables["pairs"]
    values: dict[Any, float] = results.compared("instruments").set_index(["instrument", "criterion"])["value"].to_dict()
    currency = results.study.config["currency"]
    told: dict[tuple[str, str], str] = {}
    groups: Iterable[tuple[Any, pd.DataFrame]] = pairs.groupby(["instrument_a", "instrument_b"], sort=False)
    for (a, b), rows in groups:
        told[a, b] = _sentence(results, a, b, rows, values, currency)
    return told


def _sentence(
    results: Results, a: str, b: str, rows: pd.DataFrame, values: Mapping[tuple[str, str], float], currency: str
) -> str:
    heard = [row for row in rows_of(rows) if row.criterion not in EXACT]
    by_verdict: dict[str, list[Any]] = {}
    for row in heard:
        by_verdict.setdefault(row.verdict, []).append(row)
    label = {name: results.label(name) for name in (a, b)}
    parts = []
    for name, other in ((a, b), (b, a)):
        better = [row.criterion for row in by_verdict.get("differs", []) if _better(values, row.criterion, name, other)]
        if better:
            parts.append(f"{label[name]} is shown to be better in {_listed(better)}")
    if tastes := [row.criterion for row in by_verdict.get("differs", []) if CRITERIA[row.criterion].better == "taste"]:
        parts.append(f"they differ in {_listed(tastes)}, which is a matter of taste")
    if alike := by_verdict.get("no_audible_difference"):
        parts.append(f"no audible difference in {_listed(row.criterion for row in alike)}")
    if still := by_verdict.get("undecided"):
        parts.append(_open(still, alone=len(still) == len(heard)))
    if apart := by_verdict.get("not_comparable"):
        why = next((row.reason for row in apart if isinstance(row.reason, str)), "")
        parts.append(f"not comparable: {_listed(row.criterion for row in apart)}" + (f" ({why})" if why else ""))
    text = sentence("; ".join(parts)) + "." if parts else ""
    return " ".join(filter(None, (text, _price(values, a, b, label, currency))))


def _better(values: Mapping[tuple[str, str], float], criterion: str, name: str, other: str) -> bool:
    return better_of(values[name, criterion], values[other, criterion], CRITERIA[criterion].better) > 0


def _open(rows: list[Any], alone: bool) -> str:
    """What is open, and the criterion that the fewest takes would decide."""
    listed = "everything that is heard" if alone else _listed(row.criterion for row in rows)
    needed = [row for row in rows if pd.notna(row.takes_needed)]
    if not needed:
        return f"open: {listed}"
    first = min(needed, key=lambda row: row.takes_needed)
    return f"open: {listed}; soonest {plain(first.criterion)}, by {int(first.takes_needed)} takes of each"


def _price(values: Mapping[tuple[str, str], float], a: str, b: str, label: Mapping[str, str], currency: str) -> str:
    costs = [values.get((name, "total_cost"), float("nan")) for name in (a, b)]
    if any(pd.isna(cost) for cost in costs):
        return ""
    difference = costs[0] - costs[1]
    if difference == 0:
        return "Both cost the same."
    return f"{label[a if difference < 0 else b]} costs {number(abs(difference), 0)} {currency} less."


def _listed(criteria: Any) -> str:
    return ", ".join(plain(criterion) for criterion in criteria)


def undecided_throughout(results: Results) -> list[tuple[str, str]]:
    """(criterion, what would decide it) of the criteria heard by which some pairs are compared and none is decided."""
    pairs = results.tables["pairs"]
    out = []
    for criterion, rows in pairs[~pairs["criterion"].isin(EXACT)].groupby("criterion", sort=False):
        if (rows["verdict"] == "undecided").any() and not rows["verdict"].isin(DECIDED).any():
            needed = rows["takes_needed"].dropna()
            would = f"{needed.min():.0f} takes of each and more" if len(needed) else "no number of takes worth making"
            out.append((str(criterion), would))
    return out
