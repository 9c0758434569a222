"""The scenarios: what real players do and what files do, and which numbers come out wrong without a word.

    python tests/scenarios/run.py [--set SET] [--only KIND] [--each N] [--jobs N] [--write]

Plays ten takes of every kind (or of those whose name holds KIND), measures and scores them, prints a table, worst kinds
first, and leaves build/scenarios/SET.json (every take, and words about every note that is silently wrong) and
SET-confidence.tsv. `--write` renews the set's tables in docs/accuracy.md.
"""

import argparse
import json
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import REPO, one_thread, renew

one_thread()

from scenarios import campaign, tables
from scenarios.sounds import DEVELOPMENT, SETS


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", default=DEVELOPMENT, choices=SETS)
    parser.add_argument("--only", default="", help="kinds whose name holds this")
    parser.add_argument("--each", type=int, default=campaign.TAKES_EACH, help="takes of every kind")
    parser.add_argument("--jobs", type=int, default=1, help="takes at the same time")
    parser.add_argument("--write", action="store_true", help="renew the tables in docs/accuracy.md")
    asked = parser.parse_args()
    results = campaign.run(campaign.all_cases(asked.set, asked.only, asked.each), asked.jobs, tell=sys.stderr)
    folder = REPO / "build" / "scenarios"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{asked.set}.json").write_text(json.dumps(results, indent=1), encoding="utf-8")
    tables.write_pairs(results, folder / f"{asked.set}-confidence.tsv")
    print(tables.scenarios_table(results))
    print(f"\n{tables.stated_error(results)}")
    print(f"\n{tables.bars(results)}")
    notes = [tuple(note) for take in results for note in take["confidence"]]
    print(f"\n{tables.reliability(notes)}")
    if asked.write:
        made = {"bars": tables.bars(results), "scenarios": tables.scenarios_table(results)}
        made["confidence"] = tables.reliability(notes)
        renew(REPO / "docs" / "accuracy.md", {f"{name}, {asked.set}": table for name, table in made.items()})


if __name__ == "__main__":
    main()
