"""Results in a musician's words: numbers with sense, verdicts, and the answer for every set of priorities."""

import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from evenbore.compare.nextstep import LEAST_GAIN
from evenbore.facts.days import DAY_WORDS
from evenbore.facts.findings import FINDINGS
from evenbore.facts.words import plain
from evenbore.judge.assess import PASSAGES
from evenbore.report.results import Results, rows_of

LEADERS_PROBABILITY = 0.90
"""Probability that the first place is among the instruments named."""
MOST_NAMED = 10
MOST_NEXT = 5
AMONG_OTHERS = re.compile(r"(.+): (better|worse) than (\d+) of (\d+) others")
"""A clause of the table `status` that tells an instrument from others of its kind."""
BESIDE_THE_DECISION = re.compile(AMONG_OTHERS.pattern + "|by sound not told from |no value for |flattered by ")
"""Clauses of the table `status` on which no decision rests."""
_Groups: TypeAlias = Iterable[tuple[tuple[Any, ...], pd.DataFrame]]  # keys, rows


def most_named(results: Results) -> int:
    """How many instruments a sentence names at most: all, or MOST_NAMED where more are in the study than are shown."""
    return len(results.order) if results.shown == results.order else MOST_NAMED


def number(value: float, decimals: int = 1, sign: bool = False) -> str:
    """A number with a true minus sign; empty text for a missing one."""
    if value is None or pd.isna(value):
        return ""
    text = f"{value:{'+' if sign else ''}.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "−")


def bare(clause: str) -> str:
    """A clause of the table `status` without its numbers.

    >>> bare("out of tune: C6 to D6 (-21.6 cents), confidence 0.98")
    'out of tune: C6 to D6'
    """
    return clause.split(" (")[0].partition(", confidence")[0]


def sentence(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def percent(share: float) -> str:
    """A probability in whole per cent (no line break before the sign), never 0 or 100 unless it is exactly that."""
    whole = round(100 * share)
    if whole == 0 and share > 0:
        return "under 1\u00a0%"
    if whole == 100 and share < 1:
        return "over 99\u00a0%"
    return f"{whole}\u00a0%"


def decimals(half_widths: pd.Series) -> int:
    """Decimals that show two figures of the typical uncertainty, 0 to 2; 1 when it is not known, 0 for none."""
    typical = half_widths.median()
    if pd.isna(typical):
        return 1
    return 0 if typical == 0 else min(max(1 - math.floor(math.log10(typical)), 0), 2)


def value_texts(row: Any) -> tuple[str, str]:
    """A value and its 90 % interval as texts, in two figures of the uncertainty; no interval of an exact value."""
    figures = decimals(pd.Series([(row.high - row.low) / 2]))
    exact = pd.isna(row.low) or row.low == row.high
    interval = "" if exact else f"{number(row.low, figures)} to {number(row.high, figures)}"
    return number(row.value, figures), interval


@dataclass(frozen=True)
class Place:
    """One instrument's place under one set of priorities; `given_up`: see the table `ranking`."""

    instrument: str
    p_first: float
    rank_low: int
    rank_high: int
    gate: str
    given_up: float


@dataclass(frozen=True)
class Answer:
    """Who comes first under one set of priorities among one kind of instrument in one comparability group (None: all).

    `kind`: in words; `alone`: nothing else is ranked there; `first`: the likeliest first; `places`: of all, in the
    ranking's order; of these `leaders`: the fewest that hold the first place with LEADERS_PROBABILITY, and `failed`:
    those that did not pass a must-pass; `uncounted`: weighed criteria that nobody has a value for;
    `drives`: (criterion, first place's probability without it) of the criterion that the likeliest first owes most to;
    `turns`: (criterion, change of its weight, instrument that would then be the likeliest first).
    """

    priorities: str
    kind: str
    group: int | None
    alone: bool
    first: Place
    leaders: list[Place]
    places: list[Place]
    failed: list[Place]
    uncounted: list[str]
    drives: tuple[str, float] | None
    turns: list[tuple[str, float, str]]


def answers(results: Results) -> list[Answer]:
    """One answer per priority set, kind of instrument and group, in the order of the ranking table."""
    ranking = results.tables["ranking"]
    kinds = results.kinds(results.order)
    kind_of = {name: kind for kind, names in kinds.items() for name in names}
    values = results.compared("instruments").dropna(subset="value")
    config = results.study.config
    told = []
    ranked = ranking.assign(kind=ranking["instrument"].map(kind_of), group=ranking["group"].fillna(0))
    rankings: _Groups = ranked.groupby(["priorities", "kind", "group"], sort=False)
    for (priorities, kind, group), part in rankings:
        rows: Iterable[Any] = part.itertuples(index=False)
        places = [Place(row.instrument, row.p_first, int(row.rank_low), int(row.rank_high), _failed(row.gate),
                        row.given_up) for row in rows]  # fmt: skip
        known = set(values.loc[values["instrument"].isin(part["instrument"]), "criterion"])
        weighed = [c for c, weight in config["priorities"].get(priorities, {}).items() if weight]
        likeliest = sorted(places, key=lambda place: -place.p_first)
        before = np.cumsum([0.0, *(place.p_first for place in likeliest[:-1])])
        leading = {place.instrument for place in likeliest[: max(int((before < LEADERS_PROBABILITY - 1e-9).sum()), 1)]}
        shown = results.tables["sensitivity"].query("priorities == @priorities")
        told.append(
            Answer(
                priorities,
                kind,
                int(group) or None,
                len(part) == 1,
                likeliest[0],
                [place for place in places if place.instrument in leading],
                places,
                [place for place in places if place.gate],
                [c for c in weighed if c not in known],
                _drives(shown, likeliest[0]),
                _turns(shown, [place.instrument for place in likeliest]),
            )
        )
    return told


def _drives(sensitivity: pd.DataFrame, first: Place) -> tuple[str, float] | None:
    """The criterion without which `first` loses most of its probability of the first place, and what is left of it;
    None when it loses nothing without any."""
    rows = sensitivity[sensitivity["instrument"] == first.instrument].sort_values("weight_change", kind="stable")
    without = rows.groupby("criterion", sort=False)["p_first"].first()  # the greatest change downwards is to nothing
    if without.empty or without.min() >= first.p_first:
        return None
    return str(without.idxmin()), float(without.min())


def _turns(sensitivity: pd.DataFrame, members: list[str]) -> list[tuple[str, float, str]]:
    """The smallest change of each criterion's weight that puts another of `members` (likeliest first) in front."""
    rows = sensitivity[sensitivity["instrument"].isin(members)]
    first = rows.loc[rows.groupby(["criterion", "weight_change"])["p_first"].idxmax()]
    first = first[first["instrument"] != members[0]]
    first = first.assign(size=first["weight_change"].abs()).sort_values(["size", "criterion"], kind="stable")
    first = first[first["size"] > 0].drop_duplicates("criterion")
    return list(first[["criterion", "weight_change", "instrument"]].itertuples(index=False, name=None))


def gate(text: str) -> str:
    """The gate column in words."""
    return text.replace("_cents", "").replace("_", " ")


def _failed(text: str) -> str:
    """What failed, in words; empty when nothing did, also when a must-pass could not be checked."""
    parts = [] if pd.isna(text) or text == "pass" else text.split("; ")
    return "; ".join(gate(part) for part in parts if not part.endswith(" not known"))


def rank_texts(results: Results, ranked: list[Answer]) -> dict[str, str]:
    """Every instrument's ranks under every set of priorities (`ranked`: from `answers`), in words; nothing comes first
    alone."""
    parts: dict[str, list[str]] = {name: [] for name in results.tables["ranking"]["instrument"]}
    for answer in ranked:
        for place in answer.places if not answer.alone else ():
            span = f"{place.rank_low}" + (f" to {place.rank_high}" if place.rank_high != place.rank_low else "")
            among = f"{span} of {len(answer.places)} (first with {percent(place.p_first)})"
            parts[place.instrument].append(f"{plain(answer.priorities)} {among}")
    told = {name: f"Rank (90 % interval) for {'; '.join(texts)}." for name, texts in parts.items() if texts}
    alone = dict.fromkeys(parts, "Nothing of its kind to rank it with.")
    return dict.fromkeys(results.order, "Not ranked.") | alone | told


def own_days_words(table: pd.DataFrame, comparability: pd.DataFrame) -> str:
    """In words, what is known of the instruments' own days and what hangs on it, from the tables `own_days` and of that
    name; empty where no instrument links sessions."""
    if table.empty or not (comparability["links"] > 0).any():
        return ""
    scatters = [
        f"in {DAY_WORDS[row.kind]} {number(100 * row.median, 0)}\u00a0% of what two takes of one day do"
        f" ({'seen in these recordings' if row.witnesses > 0 else 'assumed: nothing here shows it'})"
        for row in rows_of(table)
    ]
    counts = table.iloc[0]
    return (
        f"From day to day an instrument varies {'; '.join(scatters)}. {counts['differ']} comparisons differ beyond"
        f" that; if days varied half as much it would be {counts['differ_half']}, if twice as much"
        f" {counts['differ_twice']}."
    )


def next_steps(table: pd.DataFrame) -> list[Any]:
    """The rows of the table `next` that are worth telling of, MOST_NEXT at most."""
    gains = table["decided_after"] - table["decided_now"] >= LEAST_GAIN
    return list(rows_of(table[gains].head(MOST_NEXT)))


def who(results: Results, name: str, state: str) -> str:
    """An instrument as a published sentence names it: label, kind and state."""
    family = results.study.families[results.study.instruments[name]["family"]].name
    return f"{results.label(name)} ({family}, {plain(state)})"


@dataclass(frozen=True)
class Trait:
    """What most units of a model share: the model, what was found, on how many of its `units`."""

    model: str
    found: str
    count: int
    units: int


def traits(results: Results) -> list[Trait]:
    """The traits of designs, each told once."""
    findings = results.compared("findings")
    design = findings[findings["scope"] == "design"]
    sheet = results.study.instruments
    model_of = {name: (row["maker"] or "", row["model"] or "") for name, row in sheet.items()}
    units = Counter(model_of[name] for name in results.states)
    out = []
    shared: _Groups = design.groupby([design["instrument"].map(model_of), "kind", "first_note"], sort=False)
    for (model, kind, _), rows in shared:
        first = rows.iloc[0]
        where = first["first_note"] if (rows["last_note"] == first["first_note"]).all() else (
            f"{first['first_note']} to {rows['last_note'].mode()[0]}")  # fmt: skip
        text = f"{FINDINGS[kind].words}: {where}"
        if pd.notna(size := rows["size"].median()):
            text += f" ({size:+.1f} {first['unit']} in the middle)"
        out.append(Trait(" ".join(filter(None, model)), text, rows["instrument"].nunique(), units[model]))
    return out


def unranked(results: Results) -> list[tuple[str, str]]:
    """Instruments of the sheet that no ranking holds, and why."""
    ranked = set(results.tables["ranking"]["instrument"])
    recordings = results.tables["recordings"]
    told = []
    for name in results.study.instruments:
        if name not in ranked:
            theirs = recordings[recordings["instrument"] == name]
            used = theirs[theirs["status"] != "set_aside"]
            aside = len(theirs) - len(used)
            why = "it was not recorded" if theirs.empty else f"{aside} of its {len(theirs)} recordings were set aside"
            if not used.empty and used["notes_expected"].isna().all():
                why = PASSAGES
            elif not used.empty:
                why += f", and none of the others gave a value at {results.study.config['base_dynamic']}"
            told.append((name, why))
    return told
