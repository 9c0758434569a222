"""The campaign of faults and hostile input: python tests/faults/run.py [recordings] [damage] [sheets] [studies] [runs].

Without a word all parts, some hours on two cores. Prints the tables of cases and outcomes, writes
build/faults/PART.json and renews the tables of docs/faults.md. Exit code 1 if anything was not as it should be.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from campaigns import markdown, renew
from faults.outcome import FINE, Outcome, load, save, summary, without_privileges

RESULTS = REPO / "build" / "faults"
DAMAGED, DAMAGE_SEED = 5000, 2
DRAWN = range(1000, 1500)  # seeds
PAGE = REPO / "docs" / "faults.md"


def recordings(folder: Path) -> list[Outcome]:
    """Malformed and odd recordings, the very long ones too."""
    campaign = Path(__file__).with_name("audio_campaign.py")
    before = without_privileges()
    subprocess.run([*(before or []), sys.executable, campaign, folder, "--heavy"], check=True)
    return load(folder / "outcomes.json")


def damage(folder: Path) -> list[Outcome]:
    """Recordings damaged at random."""
    campaign = Path(__file__).with_name("audio_campaign.py")
    subprocess.run([sys.executable, campaign, folder, "--random", str(DAMAGED), str(DAMAGE_SEED)], check=True)
    return load(folder / "outcomes.json")


def sheets(folder: Path) -> list[Outcome]:
    """Hostile sheets and settings."""
    from faults.sheet_campaign import run

    return run(folder, heavy=True)


def studies(folder: Path) -> list[Outcome]:
    """Studies drawn at random, each run."""
    from faults.sheet_campaign import run_random

    return run_random(folder, DRAWN)


def runs(folder: Path) -> list[Outcome]:
    """What happens to runs."""
    from faults.run_faults import run

    return run(folder, REPO)


PARTS = {"recordings": recordings, "damage": damage, "sheets": sheets, "studies": studies, "runs": runs}


def main(words: list[str]) -> int:
    """Run the parts that are named, or all; returns the exit code."""
    RESULTS.mkdir(parents=True, exist_ok=True)
    failed = []
    for part in words or PARTS:
        with tempfile.TemporaryDirectory(prefix="evenbore-faults-") as folder:
            outcomes = PARTS[part](Path(folder))
        save(outcomes, RESULTS / f"{part}.json")
        table = markdown(*summary(outcomes))
        print(f"\n{part}\n\n{table}\n", flush=True)
        renew(PAGE, {part: table})
        failed += [outcome for outcome in outcomes if outcome.verdict != FINE]
    for outcome in failed:
        print(outcome)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
