"""Results in a musician's words: numbers with sense, verdicts, and the answer for every set of priorities."""

import math
from dataclasses import dataclass

import pandas as pd

from evenbore.report.results import Results

VERDICTS = {
    "differs": "differs",
    "no_audible_difference": "no audible difference",
    "undecided": "undecided",
    "not_comparable": "not comparable",
}
KINDS = {
    "stuffy_run": "run of stuffy notes",
    "stuffy_note": "stuffy note",
    "regulation_step": "step between two notes (regulation)",
    "vent_fault": "register vent",
    "all_dull": "dull throughout",
    "intonation_outlier": "note out of tune",
    "register_shift": "register out of tune",
    "odd_one_out": "unlike the others",
    "session_effect": "effect of the session",
}
SURE = 0.90
"""Probability that the first place is among the instruments named."""
MOST_NAMED = 10


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


def value_texts(row) -> tuple[str, str]:
    """A value and its 90 % interval as texts, in two figures of the uncertainty; no interval of an exact value."""
    figures = decimals(pd.Series([(row.high - row.low) / 2]))
    exact = pd.isna(row.low) or row.low == row.high
    interval = "" if exact else f"{number(row.low, figures)} to {number(row.high, figures)}"
    return number(row.value, figures), interval


@dataclass(frozen=True)
class Place:
    """One instrument's place under one set of priorities."""

    instrument: str
    p_first: float
    rank_low: int
    rank_high: int
    gate: str


@dataclass(frozen=True)
class Answer:
    """Who comes first under one set of priorities among one kind of instrument in one comparability group (None: all).

    `kind`: in words, empty when the study has one kind only; `alone`: nothing else is ranked there;
    `leaders`: the fewest instruments that hold the first place with probability SURE, likeliest first;
    `failed`: those that did not pass a must-pass; `uncounted`: weighed criteria that nobody has a value for;
    `drives`: (criterion, first place's probability without it) of the criterion that the likeliest first owes most to;
    `turns`: (criterion, change of its weight, instrument that would then be the likeliest first).
    """

    priorities: str
    kind: str
    group: int | None
    alone: bool
    leaders: list[Place]
    others: list[Place]
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
    found = []
    ranked = ranking.assign(kind=ranking["instrument"].map(kind_of), group=ranking["group"].fillna(0))
    for (priorities, kind, group), part in ranked.groupby(["priorities", "kind", "group"], sort=False):
        part = part.sort_values("p_first", ascending=False, kind="stable")
        places = [Place(row.instrument, row.p_first, int(row.rank_low), int(row.rank_high), _failed(row.gate))
                  for row in part.itertuples(index=False)]  # fmt: skip
        known = set(values.loc[values["instrument"].isin(part["instrument"]), "criterion"])
        weighed = [c for c, weight in config["priorities"].get(priorities, {}).items() if weight]
        before = part["p_first"].cumsum() - part["p_first"]
        count = max(int((before < SURE - 1e-9).sum()), 1)
        shown = results.tables["sensitivity"].query("priorities == @priorities")
        found.append(
            Answer(
                priorities,
                kind if len(kinds) > 1 else "",
                int(group) or None,
                len(part) == 1,
                places[:count],
                [place for place in places[count:] if place.p_first > 0],
                [place for place in places if place.gate],
                [c for c in weighed if c not in known],
                _drives(shown, places[0]),
                _turns(shown, [place.instrument for place in places]),
            )
        )
    return found


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


def unranked(results: Results) -> list[tuple[str, str]]:
    """Instruments of the sheet that no ranking holds, and why."""
    ranked = set(results.tables["ranking"]["instrument"])
    recordings = results.tables["recordings"]
    found = []
    for name in results.study.instruments:
        if name not in ranked:
            own = recordings[recordings["instrument"] == name]
            aside = (own["status"] == "set_aside").sum()
            why = "it was not recorded" if own.empty else f"{aside} of its {len(own)} recordings were set aside"
            if aside < len(own):
                why += f", and none of the others gave a value at {results.study.config['base_dynamic']}"
            found.append((name, why))
    return found
