"""The accuracy campaign: python tests/accuracy/run.py [--short].

Renders all takes, measures them, scores what was found against what was played, prints the tables and writes
build/accuracy/results.json (results-short.json). The full campaign also renews the tables of docs/accuracy.md.
"""

import os

# One thread, so that CPU times compare; to be set before the numerical libraries are loaded. For that, and for the
# folders added to the path below, imports come late in this file (noqa: E402).
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ[variable] = "1"

import argparse  # noqa: E402
import json  # noqa: E402
import sys  # noqa: E402
from pathlib import Path  # noqa: E402

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from accuracy import campaign, tables, takes, trackers  # noqa: E402

RESULTS = REPO / "build" / "accuracy"
PAGE = REPO / "docs" / "accuracy.md"


def main() -> None:
    """Run the campaign as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="a part of it, some minutes at most")
    short = parser.parse_args().short
    cases, compared_each = (takes.short_cases(), 2) if short else (takes.all_cases(), 12)
    results = campaign.run(cases, trackers.TRACKERS, compared_each, tell=sys.stderr)
    RESULTS.mkdir(parents=True, exist_ok=True)
    file = RESULTS / ("results-short.json" if short else "results.json")
    file.write_text(json.dumps(results, indent=1), encoding="utf-8")
    for name, table in tables.accuracy_tables(results).items():
        print(f"\n{name}\n\n{table}")
    if not short:
        tables.renew(PAGE, tables.accuracy_tables(results))


if __name__ == "__main__":
    main()
