"""How often verdicts and probabilities are right: python tests/decisions/run.py [--short].

Draws studies with known truth, judges them, prints the tables and writes build/decisions/results.json
(results-short.json). The full campaign also renews the tables of docs/decisions.md.
"""

import os

# One thread, for the machine may have other work; to be set before the numerical libraries are loaded.
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"

import argparse  # noqa: E402
import json  # noqa: E402
import sys  # noqa: E402
from pathlib import Path  # noqa: E402

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from accuracy.tables import renew  # noqa: E402
from decisions import campaign, tables  # noqa: E402

RESULTS = REPO / "build" / "decisions"
PAGE = REPO / "docs" / "decisions.md"


def main() -> None:
    """Run the campaign as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="a part of it, some minutes at most")
    short = parser.parse_args().short
    results = campaign.run(12 if short else 120, tell=sys.stderr)
    RESULTS.mkdir(parents=True, exist_ok=True)
    file = RESULTS / ("results-short.json" if short else "results.json")
    file.write_text(json.dumps(results, indent=1), encoding="utf-8")
    made = tables.decision_tables(results)
    for name, table in made.items():
        print(f"\n{name}\n\n{table}")
    if not short:
        renew(PAGE, made)


if __name__ == "__main__":
    main()
