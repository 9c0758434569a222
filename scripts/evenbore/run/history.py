"""What changed in the answer from run to run, and why: the last runs, in `results/history.json`.

The answer is every instrument's decision, must-passes and what speaks against it, and who is likeliest to be first. A
run on the same inputs that gives the same answer is no new one. Numbers within a clause may move without a word.
"""

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from evenbore.facts.rows import Row
from evenbore.facts.words import plain
from evenbore.files.paths import harmless
from evenbore.run.against import changes_between

FILE = Path("results/history.json")
RUNS_KEPT = 10
MOVED = 0.1  # ASSUME: a chance of being first that moves by less is not worth a word; own choice
REASONS_SHOWN = 10  # lines


def note_run(tables: Path, record: Mapping[str, Any], path: Path) -> None:
    """Add the run behind the tables to the history, unless it is the last one again; `record`: its provenance."""
    from evenbore.files.tables import write_text  # here, for who tells of past runs needs no tables

    runs = past_runs(path)
    answer = _answer(tables)
    last = runs[-1] if runs else {}
    why = changes_between(last["record"], record) if runs else []
    if runs and not why and answer == last["answer"]:
        return
    changed = _changed(last["answer"], answer) if runs else []
    last.pop("record", None)  # only the latest is compared with
    now = datetime.now(UTC).isoformat(timespec="minutes")
    runs.append({"when": now, "answer": answer, "changed": changed, "why": why, "record": record})
    write_text(json.dumps(runs[-RUNS_KEPT:], ensure_ascii=False, indent=1) + "\n", path)


def past_runs(path: Path) -> list[dict[str, Any]]:
    """The runs kept, the latest last; none of a file that is missing or not as it was written."""
    try:
        runs: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))
        sound = all(run["answer"].keys() == {"status", "first"} for run in runs) and isinstance(
            runs[-1]["record"], dict
        )
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return []
    return runs if sound else []


def changes_in_words(runs: list[dict[str, Any]]) -> list[str]:
    """What changed with the latest run, and why, for a terminal; nothing of a first one."""
    return [harmless(line) for head, items in change_parts(runs) for line in (head, *(f"  {item}" for item in items))]


def change_parts(runs: list[dict[str, Any]]) -> list[tuple[str, list[str]]]:
    """What changed with the latest run, and why, as heads with their items; nothing of a first one."""
    if len(runs) < 2:
        return []
    *_, before, latest = runs
    since = f"the run of {before['when'][:16].replace('T', ' ')} UTC"
    same = f"The answer is the same as after {since}."
    parts = [(f"Changed in the answer since {since}:" if latest["changed"] else same, [*latest["changed"]])]
    if latest["why"]:
        left = len(latest["why"]) - REASONS_SHOWN
        parts.append(("What was different:", [*latest["why"][:REASONS_SHOWN], *[f"and {left} more"] * (left > 0)]))
    return parts


def _answer(tables: Path) -> dict[str, Any]:
    """What the tables answer, as JSON."""
    from evenbore.files.tables import read_table

    status = read_table(tables / "status.tsv", "status").fillna({"must_pass": "", "against": ""})
    ranking = read_table(tables / "ranking.tsv", "ranking")
    first = ranking.dropna(subset="p_first").sort_values("p_first", ascending=False, kind="stable")
    leaders = first.drop_duplicates(["priorities", "group"])
    several = leaders["group"].nunique() > 1
    return {
        "status": {
            f"{row['instrument']} ({plain(row['state'])})": {
                "decision": row["decision"], "must_pass": row["must_pass"], "against": row["against"].split("; "),
            }
            for row in status.to_dict("records")
        },
        "first": {
            row["priorities"] + f", group {row['group']}" * several: {
                "instrument": row["instrument"], "chance": round(row["p_first"], 3)
            }
            for row in leaders.to_dict("records")
        },
    }  # fmt: skip


def _changed(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    lines = []
    for name, status in now["status"].items():
        lines += _status_changed(name, then["status"].get(name), status)
    lines += [f"{name}: no longer there" for name in then["status"] if name not in now["status"]]
    for name, first in now["first"].items():
        old = then["first"].get(name)
        if old and (old["instrument"] != first["instrument"] or abs(old["chance"] - first["chance"]) >= MOVED):
            told = [f"{one['instrument']} ({one['chance']:.0%})" for one in (old, first)]
            lines.append(f"likeliest to be first by {name}: {told[1]}, before {told[0]}")
    return lines


def _status_changed(name: str, old: Row | None, new: Row) -> list[str]:
    if old is None:
        return [f"{name}: new, {new['decision']}"]
    told = []
    if old["decision"] != new["decision"]:
        told.append(f"{new['decision']}, before {old['decision']}")
    old_clauses, new_clauses = ({_without_numbers(one): one for one in row["against"] if one} for row in (old, new))
    told += [f"now against it: {one}" for key, one in new_clauses.items() if key not in old_clauses]
    told += [f"no longer against it: {one}" for key, one in old_clauses.items() if key not in new_clauses]
    if (old["must_pass"] == "pass") != (new["must_pass"] == "pass") and not told:
        told.append(f"must-passes: {new['must_pass']}, before {old['must_pass']}")
    return [f"{name}: {'; '.join(told)}"] if told else []


def _without_numbers(clause: str) -> str:
    return re.sub(r"[+-]?\d+(\.\d+)?", "#", clause)
