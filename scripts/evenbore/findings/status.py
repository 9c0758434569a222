"""The status of every instrument and state: the one source of all that is said about it.

Every output (page, sheets, quotes, tickets, workbook) reads the table `status` and decides nothing itself. A clause
holds for its row's state alone: a fault mended later stands in the earlier state and nowhere else. What is better or
worse is told against instruments of the same kind and comparability group only, where the verdict is `differs`. Of a
matter of taste no way is better: what stands out from most of the others is told as the instrument's character.
"""

from collections.abc import Iterable, Mapping

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
    for row in findings.dropna(subset="instrument").to_dict("records"):
        known = out.setdefault((row["instrument"], row["state"]), [])
        known += [criterion for criterion in FINDINGS[row["kind"]].flatters if criterion not in known]
    return {key: criteria for key, criteria in out.items() if criteria}


def _against_others(
    pairs: Iterable[pd.DataFrame],
    values: pd.DataFrame,
    criteria: pd.DataFrame,
    states: dict[str, str],
    flattered: Mapping[tuple[str, str], list[str]],
) -> tuple[dict[str, list[str]], dict[str, list[str]], dict[str, list[str]], dict[str, list[str]]]:
    """By instrument, in words: where it is better and worse than others, in what it is more or less than most of them
    as a matter of taste, and how many it cannot be told from."""
    direction = criteria.set_index("criterion")["better"].to_dict()
    value = in_state(values, states).set_index(["instrument", "criterion"])["value"].to_dict()
    wins: dict[tuple[str, str], int] = {}
    losses: dict[tuple[str, str], int] = {}
    others: dict[str, set[str]] = {}
    differing: dict[str, set[str]] = {}
    of_criterion: dict[tuple[str, str], int] = {}
    apart: dict[tuple[str, str, str], list[float]] = {}  # by how much it is more, or less, than each such other
    for part in pairs:
        heard = part[~part["criterion"].isin(EXACT) & (part["verdict"] != "not_comparable")]
        for row in heard[["criterion", "instrument_a", "instrument_b", "verdict"]].itertuples(index=False):
            criterion, a, b, verdict = row
            others.setdefault(a, set()).add(b)
            others.setdefault(b, set()).add(a)
            for key in ((a, criterion), (b, criterion)):
                of_criterion[key] = of_criterion.get(key, 0) + 1
            if verdict != "differs":
                continue
            differing.setdefault(a, set()).add(b)
            differing.setdefault(b, set()).add(a)
            if direction[criterion] == "taste":
                by = value[a, criterion] - value[b, criterion]
                for name, more in ((a, by > 0), (b, by < 0)):
                    word = CRITERIA[criterion].good if more else CRITERIA[criterion].bad
                    apart.setdefault((name, criterion, word), []).append(abs(by))
                continue
            first_wins = better_of(value[a, criterion], value[b, criterion], direction[criterion]) > 0
            winner, loser = (a, b) if first_wins else (b, a)
            wins[winner, criterion] = wins.get((winner, criterion), 0) + 1
            losses[loser, criterion] = losses.get((loser, criterion), 0) + 1

    def words(counts: dict[tuple[str, str], int], than: str) -> dict[str, list[str]]:
        out: dict[str, list[str]] = {}
        for (name, criterion), count in counts.items():
            text = f"{plain(criterion)}: {than} than {count} of {of_criterion[name, criterion]} others"
            out.setdefault(name, []).append(text)
        return out

    character: dict[str, list[str]] = {}
    for (name, criterion, word), sizes in apart.items():
        if 2 * len(sizes) > of_criterion[name, criterion]:
            than, size = f"{len(sizes)} of {of_criterion[name, criterion]} others", float(np.median(sizes))
            unit = CRITERIA[criterion].worded or CRITERIA[criterion].unit
            text = f"{plain(criterion)}: {word} than {than}, by {size:.1f} {unit} in the middle"
            character.setdefault(name, []).append(text)
    merits = {key: n for key, n in wins.items() if key[1] not in flattered.get((key[0], states[key[0]]), ())}
    told = {}
    for name, all_of in others.items():
        if alike := all_of - differing.get(name, set()):
            told[name] = [f"by sound not told from {len(alike)} of {len(all_of)} others"]
    return words(merits, "better"), words(losses, "worse"), character, told


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
