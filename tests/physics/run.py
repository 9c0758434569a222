"""How leaks of the bench are told: `python tests/physics/run.py [--family F] [--sound]`; table in docs/findings.md.

Nothing of what is reported was learned or tuned on: other bores, another reed and mouthpiece, other seeds. What the
bench tells of a fault is kept in build/bench/, each family's lines in build/leaks/, so that an interrupted campaign
goes on where it stopped; delete build/leaks/ when the program has changed.
"""

import argparse
import sys
import warnings
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

from campaigns import markdown, one_thread

one_thread()

import pandas as pd

from findings.sampled import SOUNDFONTS
from physics.bores import FAMILIES
from physics.pools import ASSUMED, Pool, impostors, plans
from physics.score import score, summary, table

SERIES = 6  # raise it once the program was changed in the light of what failed here; developed on 3, 5, 101 and 501


def pools(family: str, series: int = SERIES) -> list[Pool]:
    """A family's without sound: large and smaller leaks in few units and in half of them, impostors, more scatter."""
    silent: tuple[str | None, ...] = (None,)
    out = plans(family, series, silent, 14, 3, size=1.6) + plans(family, series, silent, 6, 7, size=1.6)
    out += plans(family, series, silent, 5, 3, size=1.1) + plans(family, series, silent, 4, 3, size=0.6)
    out += plans(family, series, silent, 3, 3, size=1.6, spread=ASSUMED) + impostors(family, series, silent, 15)
    return sorted(out, key=lambda pool: pool.design)


def sounded(family: str, series: int = SERIES) -> list[Pool]:
    """A family's as sound, two takes of each unit."""
    both = plans(family, series, SOUNDFONTS[:1], 1, 3, size=1.6) + impostors(family, series, SOUNDFONTS[:1], 1)
    return both


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--family", choices=FAMILIES, help="only this one")
    parser.add_argument("--sound", action="store_true", help="pools made to sound and measured, instead")
    options = parser.parse_args()
    warnings.simplefilter("ignore", RuntimeWarning)
    folder = ROOT / "build" / "leaks"
    folder.mkdir(parents=True, exist_ok=True)
    tables = []
    for family in [options.family] if options.family else FAMILIES:
        file = folder / f"{family}_{SERIES}{'_sound' * options.sound}.tsv"
        if not file.exists():
            score((sounded if options.sound else pools)(family)).to_csv(file, sep="\t", index=False)
        tables.append(pd.read_csv(file, sep="\t", keep_default_na=False))
        print(summary(tables[-1]).to_string(index=False), flush=True)
    print(markdown(*table(pd.concat(tables))))
