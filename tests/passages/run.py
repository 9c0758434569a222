"""Phrases of music on sources that nothing was tuned on, in silence and in rooms with noise.

    python tests/passages/run.py [--set SET] [--takes N] [--spoilt N] [--seed N] [--jobs N] [--write]

Prints tables and leaves build/passages/SET.json; `--write` renews them in docs/accuracy.md.
"""

import argparse
import json
import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import REPO, one_thread, renew

one_thread()

from passages import campaign, spoilt, takes
from scenarios.score import holds
from scenarios.sounds import DEVELOPMENT, SETS

ROOMS = "rooms of 0.3 to 0.6 s, noise 20 to 35 dB down"
KINDS = {"in silence": (False, False), ROOMS: (True, False), f"{ROOMS}, notes listed": (True, True)}
"""Name of a row -> in rooms, and with a list of the notes."""


def table(results: dict[str, list[dict]]) -> str:
    """What was to be reached and what was, as Markdown; by the names of `KINDS`."""
    head = ["takes", "notes played", "F", *(f"F, {name}" for name in campaign.REFERENCES), "set aside",
            "pitch, median error (cents)", "95 % within (cents)", "silently wrong (%)", "right but unsure (%)",
            "right but pitch in doubt (%)", "placed within 50 ms (%)", "CPU / decode and transform"]  # fmt: skip
    lines = ["| " + " | ".join(["", *head]) + " |", "| --- " * (len(head) + 1) + "|"]
    for name, takes_of in results.items():
        cents = np.abs([one for result in takes_of for one in result["cents"]])
        found, silent, unsure, doubted, aligned, placed = (
            sum(result[key] for result in takes_of)
            for key in ("found", "silent", "unsure", "doubted", "aligned", "placed")
        )
        cells = [
            len(takes_of),
            sum(result["played"] for result in takes_of),
            f"{campaign.f_measure(takes_of):.3f}",
            *(f"{campaign.f_measure(takes_of, reference):.3f}" if reference in takes_of[0]["of"] else ""
              for reference in campaign.REFERENCES),
            sum(result["set_aside"] for result in takes_of),
            f"{np.median(cents):.2f}",
            f"{np.percentile(cents, 95):.1f}",
            f"{100 * silent / found:.2f}",
            f"{100 * unsure / found:.1f}",
            f"{100 * doubted / found:.1f}",
            f"{100 * aligned / placed:.1f}",
            f"{np.median([result['cpu_ratio'] for result in takes_of]):.1f}",
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", default=DEVELOPMENT, choices=SETS)
    parser.add_argument("--takes", type=int, default=60, help="in silence, and as many in rooms")
    parser.add_argument("--spoilt", type=int, default=10, help="takes of each kind that is no playing by one")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="renew the tables in docs/accuracy.md")
    asked = parser.parse_args()
    results = {
        name: campaign.run(takes.cases(asked.set, asked.takes, asked.seed, rooms), asked.jobs, listed)
        for name, (rooms, listed) in KINDS.items()
    }
    folder = REPO / "build" / "passages"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{asked.set}.json").write_text(json.dumps(results, indent=1), encoding="utf-8")
    for result in (result for takes_of in results.values() for result in takes_of):
        if result["set_aside"] or campaign.f_measure([result]) < 0.9:
            print(result["name"], f"F {campaign.f_measure([result]):.3f}", result["reason"], file=sys.stderr)
    texts = {
        f"passages, {asked.set}": table(results),
        f"spoilt passages, {asked.set}": spoilt_table(asked.set, asked.spoilt, asked.seed),
    }
    print("\n\n".join(texts.values()))
    if asked.write:
        renew(REPO / "docs" / "accuracy.md", texts)


if __name__ == "__main__":
    main()
