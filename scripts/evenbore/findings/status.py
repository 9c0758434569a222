"""The status of every instrument and state: the one source of all that is said about it.

Every output (page, sheets, quotes, tickets, workbook) reads the table `status` and decides nothing itself. A clause
holds for its row's state alone: a fault mended later stands in the earlier state and nowhere else. What is better or
worse is told against instruments of the same kind and comparability group only, where the verdict is `differs`. Of a
matter of taste no way is better: what stands out from most of the others is told as the instrument's character.
"""

from collections.abc import Iterable, Mapping
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from evenbore.compare.gates import seen_by
from evenbore.compare.pairs import in_state
from evenbore.compare.rank import better_of
from evenbore.facts.columns import names
from evenbore.facts.criteria import CRITERIA, EXACT
from evenbore.facts.findings import FINDINGS
from evenbore.facts.rows import Row
from evenbore.facts.words import plain
from evenbore.findings.vet import NOTHING, Decision
from evenbore.study.sheets import Study

_Clauses: TypeAlias = dict[str, list[str]]  # instrument -> clauses


def status_table(
    decided: list[Decision], findings: pd.DataFrame, values: pd.DataFrame, criteria: pd.DataFrame,
    pairs: Iterable[pd.DataFrame], ranking: pd.DataFrame, value: pd.DataFrame, study: Study, states: dict[str, str],
) -> pd.DataFrame:  # fmt: skip
    """The table `status`, one row for each of `decided`.

    `values`: table `instruments`; `pairs`: the table of that name a part at a time;
    `states`: state compared per instrument. The others are the results tables.
    """
    flattered = flattered_values(findings)
    better, worse, character, told = _against_others(pairs, values, criteria, states, flattered)
    dulled = set(
        findings.loc[
            findings["kind"].map(lambda kind: FINDINGS[kind].by == "tone"), ["instrument", "state"]
        ].itertuples(index=False, name=None)
    )
    first = _first_places(ranking, study)
    cost = values[values["criterion"] == "total_cost"].set_index(["instrument", "state"])["value"].to_dict()
    on_front = set(value.loc[value["on_front"] == "yes", "instrument"])
    empty = values[values["value"].isna() & values["reason"].notna()].groupby(["instrument", "state"])
    missing = {key: dict(zip(rows["criterion"], rows["reason"], strict=True)) for key, rows in empty}
    last = {one.instrument: one.state for one in decided}
    rows = []
    for one in decided:
        name, key = one.instrument, (one.instrument, one.state)
        current = states.get(name, last[name]) == one.state
        good = [NOTHING] if one.decision == "accept" else []
        against, left_open = list(one.against), [*one.unsure, *one.caution]
        own = character.get(name, []) if current else []
        if key in dulled:
            own = [f"{clause}, which what was found may cause" for clause in own]
        if current:
            good += better.get(name, []) + ["on the front of best value: nothing else is better and cheaper"] * (
                name in on_front and one.decision == "accept"
            )
            against += worse.get(name, [])
            left_open += told.get(name, [])
        against += [
            f"seen at inspection, needs attention: {row['item']}"
            for row in study.inspection
            if (row["instrument"], row["state"], row["result"]) == (*key, "attention")
        ]
        left_open += _not_seen_again(one, study)
        if key in flattered:
            left_open.append(f"flattered by what was found, no merit: {', '.join(map(plain, flattered[key]))}")
        lacking: dict[str, list[str]] = {}
        for criterion, why in missing.get(key, {}).items():
            lacking.setdefault(why, []).append(plain(criterion))
        left_open += [f"no value for {', '.join(criteria)}: {why}" for why, criteria in lacking.items()]
        rows.append(
            {
                "instrument": name,
                "state": one.state,
                "family": study.instruments[name]["family"],
                "current": "yes" if current else "no",
                "decision": one.decision,
                "must_pass": str(one.gate),
                **{
                    column: "; ".join(clause.replace(";", ",") for clause in clauses)
                    for column, clauses in (
                        ("good", good),
                        ("against", against),
                        ("open", left_open),
                        ("character", own),
                    )
                },
                "total_cost": cost.get(key, np.nan),
                "p_first": first.get(name, np.nan) if current else np.nan,
            }
        )
        rows[-1]["sentence"] = _sentence(one, rows[-1], study)
    return pd.DataFrame(rows, columns=names("status"))


def flattered_values(findings: pd.DataFrame) -> dict[tuple[str, str], list[str]]:
    """(instrument, state) -> criteria whose value a finding there flatters."""
    out: dict[tuple[str, str], list[str]] = {}
    for row in findings[findings["if_tried"].isna()].dropna(subset="instrument").to_dict("records"):
        known = out.setdefault((row["instrument"], row["state"]), [])
        known += [criterion for criterion in FINDINGS[row["kind"]].flatters if criterion not in known]
    return {key: criteria for key, criteria in out.items() if criteria}


def _against_others(
    pairs: Iterable[pd.DataFrame], values: pd.DataFrame, criteria: pd.DataFrame, states: dict[str, str],
    flattered: Mapping[tuple[str, str], list[str]],
) -> tuple[_Clauses, _Clauses, _Clauses, _Clauses]:  # fmt: skip
    """By instrument, in words: where it is better and worse than others, in what it is more or less than most of them
    as a matter of taste, and how many it cannot be told from."""
    direction = criteria.set_index("criterion")["better"].to_dict()
    value = in_state(values, states).set_index(["instrument", "criterion"])["value"].to_dict()
    columns = ["criterion", "instrument_a", "instrument_b", "verdict"]
    heard_of = [pd.DataFrame(columns=columns)]
    for part in pairs:
        heard_of.append(part.loc[~part["criterion"].isin(EXACT) & (part["verdict"] != "not_comparable"), columns])
    heard = pd.concat(heard_of).set_axis(["criterion", "name", "other", "verdict"], axis=1)
    both = pd.concat([heard, heard.rename(columns={"name": "other", "other": "name"})])
    better: _Clauses = {}
    worse: _Clauses = {}
    character: _Clauses = {}
    count = both.groupby(["name", "criterion"]).size()
    of_criterion = heard.drop_duplicates("criterion")["criterion"].tolist()
    apart = both[both["verdict"] == "differs"].groupby(["name", "criterion"])["other"]
    differing: dict[Any, list[str]] = apart.agg(list).to_dict()
    for (name, criterion), others in sorted(differing.items(), key=lambda one: of_criterion.index(one[0][1])):
        entry, known = CRITERIA[criterion], f"of {count[name, criterion]} others"
        if direction[criterion] == "taste":
            by = np.array([value[name, criterion] - value[other, criterion] for other in others])
            for word, sizes in ((entry.good, by[by > 0]), (entry.bad, -by[by < 0])):
                if 2 * len(sizes) > count[name, criterion]:
                    size = f"by {np.median(sizes):.1f} {entry.worded or entry.unit} in the middle"
                    text = f"{plain(criterion)}: {word} than {len(sizes)} {known}, {size}"
                    character.setdefault(name, []).append(text)
            continue
        won = sum(better_of(value[name, criterion], value[o, criterion], direction[criterion]) > 0 for o in others)
        merit = criterion not in flattered.get((name, states[name]), ())
        for clauses, way, n in ((better, "better", won * merit), (worse, "worse", len(others) - won)):
            if n:
                clauses.setdefault(name, []).append(f"{plain(criterion)}: {way} than {n} {known}")
    told = {}
    for name, rows in both.groupby("name"):
        all_of, told_apart = rows["other"].nunique(), rows.loc[rows["verdict"] == "differs", "other"].nunique()
        if alike := all_of - told_apart:
            told[str(name)] = [f"by sound not told from {alike} of {all_of} others"]
    return better, worse, character, told


def _first_places(ranking: pd.DataFrame, study: Study) -> dict[str, float]:
    """First-place probability by the config's first priorities, of instruments that were ranked with others."""
    rows = ranking[ranking["priorities"] == next(iter(study.config["priorities"]), None)]
    kind = rows["instrument"].map(lambda name: study.instruments[name]["family"])
    size = rows.groupby([kind, rows["group"].fillna(0)])["instrument"].transform("size")
    rows = rows[size > 1]
    return dict(zip(rows["instrument"], rows["p_first"], strict=True))


def _not_seen_again(one: Decision, study: Study) -> list[str]:
    """Items that were a fault in an earlier state and were not inspected since."""
    return [
        f"{row['item']}: a fault {plain(row['state'])}, not inspected since"
        for row in seen_by(study.inspection, {one.instrument: one.state}, study.config["states"])
        if row["result"] == "fault" and row["state"] != one.state
    ]


def _sentence(one: Decision, row: Row, study: Study) -> str:
    who = f"{study.instruments[one.instrument]['label']} ({study.families[row['family']].name}, {plain(one.state)})"
    text = f"{who}: {one.decision}; {'; '.join(one.against or one.unsure) or NOTHING}."
    if row["character"]:
        text += f" {row['character'][0].upper()}{row['character'][1:]}."
    if pd.notna(row["total_cost"]):
        text += f" It costs {row['total_cost']:.0f} {study.config['currency']} in all."
    return text
