"""The comparability campaign: python tests/comparability/run.py [--short].

Draws whole studies with known truth and records sampled instruments through six chains, judges them, prints the tables
and writes build/comparability/results.json (results-short.json). The full campaign, some hours, also renews the tables
of docs/comparability.md.
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
from comparability import campaign, tables  # noqa: E402

RESULTS = REPO / "build" / "comparability"
PAGE = REPO / "docs" / "comparability.md"


def main() -> None:
    """Run the campaign as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="a part of it, some minutes at most")
    short = parser.parse_args().short
    results = campaign.run(campaign.SHORT if short else campaign.FULL, tell=sys.stderr)
    RESULTS.mkdir(parents=True, exist_ok=True)
    file = RESULTS / ("results-short.json" if short else "results.json")
    file.write_text(json.dumps(results, indent=1), encoding="utf-8")
    made = tables.comparability_tables(results)
    for name, text in made.items():
        print(f"\n{name}\n\n{text}")
    if not short:
        renew(PAGE, made)


if __name__ == "__main__":
    main()
