"""The findings campaign: python tests/findings/run.py [--simulated].

Plants faults, looks for them and prints the tables. With --simulated without the sampled instruments, which take
longest. What was measured is kept in build/findings, so an interrupted campaign goes on where it stopped.
"""

import argparse
import sys
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from campaigns import one_thread

one_thread()

import pandas as pd

from findings import campaign, plans
from findings.tables import findings_tables


def main() -> None:
    """Run the campaign as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulated", action="store_true", help="simulated instruments only")
    simulated = parser.parse_args().simulated
    studies = [*plans.simulated_studies(), *([] if simulated else plans.sampled_studies())]
    lines, decisions = [], []
    for number, study in enumerate(studies, 1):
        if study.part == "shipments":
            decisions.append(campaign.decisions(study))
        else:
            lines += campaign.score(study, campaign.findings(study))
        print(f"{number}/{len(studies)} {study.name}", file=sys.stderr, flush=True)
    for name, table in findings_tables(pd.DataFrame(lines), pd.concat(decisions)).items():
        print(f"\n{name}\n\n{table}")


if __name__ == "__main__":
    main()
