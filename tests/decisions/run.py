"""How often verdicts are right: python tests/decisions/run.py [--short | --studies N] [--jobs N] [--development].

Draws studies with known truth, judges them, prints the tables and writes build/decisions/results.json
(results-development.json); but for --development, renews tables and pictures of docs/decisions.md.
Whatever is tuned is tuned on the studies of --development.
"""

import argparse
import json
import os
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import REPO, one_thread, renew

one_thread()

from decisions import campaign, pictures, tables

FULL = 300  # studies of a cell


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--short", action="store_true", help=f"the usual cells alone, of fewer than {FULL} studies each"
    )
    parser.add_argument("--studies", type=int, default=FULL, help=f"of each cell, where it is not --short ({FULL})")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes")
    parser.add_argument("--development", action="store_true", help="the studies that methods are tuned on")
    given = parser.parse_args()
    word = "-development" if given.development else ""
    file = REPO / "build" / "decisions" / f"results{word}.json"
    file.parent.mkdir(parents=True, exist_ok=True)

    def keep(results: tables.Results) -> None:
        file.write_text(json.dumps(results, indent=1), encoding="utf-8")
        name, rows = list(results.items())[-1]
        cpu = sum(row["cpu_s"] for row in rows) / sum(row["studies"] for row in rows)
        print(f"{name}: {len(rows)} cells, {cpu:.2f} s a study", file=sys.stderr, flush=True)

    studies = campaign.SHORT if given.short else given.studies
    usual = {name: [c for c in part.cells if campaign.usual(c)] for name, part in campaign.PARTS.items()}
    series = campaign.DEVELOPMENT if given.development else campaign.REPORTED
    results = campaign.run(studies, series, given.jobs, keep, usual if given.short else None)
    made = tables.decision_tables(results)
    for title, table in made.items():
        print(f"\n{title}\n\n{table}")
    if not word:
        renew(REPO / "docs" / "decisions.md", made)
        pictures.draw(results, REPO / "docs" / "images")


if __name__ == "__main__":
    main()
