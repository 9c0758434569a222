"""Phrases of music on sources that nothing was tuned on, in silence and in rooms with noise.

    python tests/passages/run.py [--set development|held-out] [--takes N] [--seed N] [--jobs N] [--write]

Prints a table and leaves build/passages/SET.json; `--write` renews the table in docs/accuracy.md.
"""

import argparse
import json
import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import REPO, one_thread, renew

one_thread()

from passages import campaign, takes
from scenarios.sounds import DEVELOPMENT, HELD_OUT


def table(clean: list[dict], rooms: list[dict]) -> str:
    """What was to be reached and what was, as Markdown."""
    head = ["takes", "notes played", "F", *(f"F, {name}" for name in campaign.REFERENCES), "set aside",
            "pitch, median error (cents)", "95 % within (cents)", "silently wrong (%)", "placed within 50 ms (%)",
            "CPU / decode and transform"]  # fmt: skip
    lines = ["| " + " | ".join(["", *head]) + " |", "| --- " * (len(head) + 1) + "|"]
    for name, results in (("in silence", clean), ("rooms of 0.3 to 0.6 s, noise 20 to 35 dB down", rooms)):
        cents = np.abs([one for result in results for one in result["cents"]])
        found = sum(result["found"] for result in results)
        cells = [
            len(results),
            sum(result["played"] for result in results),
            f"{campaign.f_measure(results):.3f}",
            *(f"{campaign.f_measure(results, reference):.3f}" for reference in campaign.REFERENCES),
            sum(result["set_aside"] for result in results),
            f"{np.median(cents):.2f}",
            f"{np.percentile(cents, 95):.1f}",
            f"{100 * sum(result['silent'] for result in results) / found:.2f}",
            f"{100 * sum(r['aligned'] for r in results) / sum(r['placed'] for r in results):.1f}",
            f"{np.median([result['cpu_ratio'] for result in results]):.1f}",
        ]
        lines.append("| " + " | ".join([name, *map(str, cells)]) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", default=DEVELOPMENT, choices=(DEVELOPMENT, HELD_OUT))
    parser.add_argument("--takes", type=int, default=60, help="in silence, and as many in rooms")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="renew the table in docs/accuracy.md")
    asked = parser.parse_args()
    clean, rooms = (
        campaign.run(takes.cases(asked.set, asked.takes, asked.seed, rooms), asked.jobs) for rooms in (False, True)
    )
    folder = REPO / "build" / "passages"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{asked.set}.json").write_text(json.dumps({"clean": clean, "rooms": rooms}, indent=1), encoding="utf-8")
    text = table(clean, rooms)
    print(text)
    for result in clean + rooms:
        if result["set_aside"] or campaign.f_measure([result]) < 0.9:
            print(result["name"], f"F {campaign.f_measure([result]):.3f}", result["reason"], file=sys.stderr)
    if asked.write:
        renew(REPO / "docs" / "accuracy.md", {f"passages, {asked.set}": text})


if __name__ == "__main__":
    main()
