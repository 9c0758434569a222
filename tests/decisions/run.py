"""How often verdicts and probabilities are right: python tests/decisions/run.py [--short].

Draws studies with known truth, judges them, prints the tables and writes build/decisions/results.json
(results-short.json). The full campaign also renews the tables of docs/decisions.md.
"""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import command, one_thread

one_thread()

from decisions import campaign, tables

if __name__ == "__main__":
    command(
        "decisions",
        __doc__,
        lambda short: campaign.run(12 if short else 120, tell=sys.stderr),
        tables.decision_tables,
    )
