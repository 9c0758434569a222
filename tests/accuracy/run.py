"""The accuracy campaign: python tests/accuracy/run.py [--short].

Renders all takes, measures them, scores what was found against what was played, prints the tables and writes
build/accuracy/results.json (results-short.json). The full campaign also renews the tables of docs/accuracy.md.
"""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import command, one_thread

one_thread()

from accuracy import campaign, tables, takes, trackers


def run(short: bool) -> list[dict]:
    """The results of all takes, or of some."""
    cases, compared_each = (takes.short_cases(), 2) if short else (takes.all_cases(), 12)
    return campaign.run(cases, trackers.TRACKERS, compared_each, tell=sys.stderr)


if __name__ == "__main__":
    command("accuracy", __doc__, run, tables.accuracy_tables)
