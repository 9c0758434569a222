"""The comparability campaign: python tests/comparability/run.py [--short].

Draws whole studies with known truth and records sampled instruments through six chains, judges them, prints the tables
and writes build/comparability/results.json (results-short.json). The full campaign, about half an hour, also renews
the tables of docs/comparability.md.
"""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import command, one_thread

one_thread()

from comparability import campaign, tables

if __name__ == "__main__":
    command(
        "comparability",
        __doc__,
        lambda short: campaign.run(campaign.SHORT if short else campaign.FULL, tell=sys.stderr),
        tables.comparability_tables,
    )
