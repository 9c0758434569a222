"""Phrases of music on sources that nothing was tuned on: notes found, takes that are none, and what is planted told.

    python tests/passages/run.py TABLE [--set SET] [--count N] [--seed N] [--write]

TABLE: passages, "spoilt passages" or "planted passages". Prints it; `--write` renews the first in docs/accuracy.md.
What every take came to is left in build/passages/SET.json.
"""

import argparse
import json
import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import REPO, one_thread, renew

one_thread()

from passages import campaign, planted, spoilt, takes
from scenarios.score import holds
from scenarios.sounds import DEVELOPMENT, SETS

ROOMS = "rooms of 0.3 to 0.6 s, noise 20 to 35 dB down"
KINDS = {"in silence": (False, False), ROOMS: (True, False), f"{ROOMS}, notes listed": (True, True)}
"""Name of a row -> in rooms, and with a list of the notes."""


def table(results: dict[str, list[dict]]) -> str:
    """What was to be reached and what was, as Markdown; by the names of `KINDS`."""
    head = ["takes", "notes played", "F", *(f"F, {name}" for name in campaign.REFERENCES), "set aside",
            "pitch, 95 % within (cents)", "silently wrong (%)", "right but unsure (%)",
            "placed within 50 ms (%)"]  # fmt: skip
    lines = ["| " + " | ".join(["", *head]) + " |", "| --- " * (len(head) + 1) + "|"]
    for name, takes_of in results.items():
        cents = np.abs([one for result in takes_of for one in result["cents"]])
        found, silent, unsure, aligned, placed = (
            sum(result[key] for result in takes_of) for key in ("found", "silent", "unsure", "aligned", "placed")
        )
        cells = [
            len(takes_of),
            sum(result["played"] for result in takes_of),
            f"{campaign.f_measure(takes_of):.3f}",
            *(f"{campaign.f_measure(takes_of, reference):.3f}" if reference in takes_of[0]["of"] else ""
              for reference in campaign.REFERENCES),
            sum(result["set_aside"] for result in takes_of),
            f"{np.percentile(cents, 95):.1f}",
            f"{100 * silent / found:.2f}",
            f"{100 * unsure / found:.1f}",
            f"{100 * aligned / placed:.1f}",
        ]  # fmt: skip
        lines.append("| " + " | ".join([name, *map(str, cells)]) + " |")
    return "\n".join(lines)


def spoilt_table(part: str, count: int, seed: int) -> str:
    """How many takes that are no playing by one instrument were set aside with a true reason, as Markdown."""
    lines = ["| | takes | set aside for a true reason | for another | taken for playing |", "| --- " * 5 + "|"]
    for kind, (_, words) in spoilt.SPOILT.items():
        reasons = [campaign.reason(spoilt.spoilt(kind, case), case) for case in takes.cases(part, count, seed)]
        true = sum(holds(reason, words) for reason in reasons)
        kept = sum(not reason for reason in reasons)
        lines.append(f"| {kind} | {count} | {true} | {count - true - kept} | {kept} |")
    return "\n".join(lines)


def takes_table(part: str, count: int, seed: int) -> str:
    """So many takes in silence, and as many in rooms with and without a list of their notes, as Markdown."""
    results = {
        name: campaign.run(takes.cases(part, count, seed, rooms), listed) for name, (rooms, listed) in KINDS.items()
    }
    folder = REPO / "build" / "passages"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{part}.json").write_text(json.dumps(results, indent=1), encoding="utf-8")
    for result in (result for takes_of in results.values() for result in takes_of):
        if result["set_aside"] or campaign.f_measure([result]) < 0.9:
            print(result["name"], f"F {campaign.f_measure([result]):.3f}", result["reason"], file=sys.stderr)
    return table(results)


TABLES = {"passages": takes_table, "spoilt passages": spoilt_table, "planted passages": planted.table}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", choices=TABLES)
    parser.add_argument("--set", default=DEVELOPMENT, choices=SETS)
    parser.add_argument("--count", type=int, default=20, help="takes of each kind, or studies")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--write", action="store_true", help="renew the table of passages in docs/accuracy.md")
    asked = parser.parse_args()
    text = TABLES[asked.table](asked.set, asked.count, asked.seed)
    print(text)
    if asked.write and asked.table == "passages":
        renew(REPO / "docs" / "accuracy.md", {f"passages, {asked.set}": text})


if __name__ == "__main__":
    main()
