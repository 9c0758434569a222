"""Whether a take under another family's sheet is told by its sound, held beside a study's other takes.

    python tests/scenarios/families.py [--set SET] [--each N]

For every family whose sheet another one's notes fit (`kinds.LIKE`), and every source of both: the take under the wrong
sheet, and the same under its own, each beside up to EACH plain takes of both families from all sources, as instruments
of a study. Prints how many wrong sheets are asked about, and how many right ones.
"""

import argparse
import sys
from functools import cache
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2] / folder) for folder in ("tests", "scripts")]

from campaigns import one_thread

one_thread()

import pandas as pd

from evenbore.facts.columns import names
from evenbore.notes.familysound import unlike_their_family
from evenbore.notes.measure import Measured
from scenarios.campaign import Case, measure
from scenarios.drafts import playable
from scenarios.kinds import LIKE
from scenarios.sounds import HELD_OUT, SETS, SOURCES, pairs


@cache
def measured(part: str, source: str, family: str, number: int, wrong: bool) -> Measured:
    """A take of a study, or one under the wrong sheet."""
    case = Case(part, "sheet of another family" if wrong else "plain", number, source, family)
    made, _, take = case.takes()
    return measure(made, take, "flac")


def told(part: str, source: str, family: str, wrong: bool, each: int) -> bool | None:
    """Whether the take is asked about in the study; None where it was set aside, or the study lacks a family."""
    asked = measured(part, source, family, 0, wrong)
    if asked.recording["status"] == "set_aside":
        return None
    study = [
        measured(part, other.name, of, number, False)
        for other, of in pairs(part)
        for number in range(1, each + 1)
        if of in (family, LIKE[family]) and playable(of, other.midis(of)) and (other.name, of) != (source, family)
    ]
    if len({take.recording["family"] for take in study}) < 2:
        return None
    takes = [asked, *study]
    notes = pd.DataFrame([note for take in takes for note in take.notes]).reindex(columns=names("notes"))
    return asked.recording["recording"] in unlike_their_family([take.recording for take in takes], notes)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", default=HELD_OUT, choices=SETS)
    parser.add_argument("--each", type=int, default=2, help="plain takes of every source and family")
    asked = parser.parse_args()
    for wrong in (True, False):
        answers = [
            told(asked.set, source.name, family, wrong, asked.each)
            for source, family in pairs(asked.set)
            if family in LIKE and playable(family, SOURCES[source.name].midis(family))
        ]
        known = [answer for answer in answers if answer is not None]
        print(f"{'another' if wrong else 'its own'} family's sheet: {sum(known)} of {len(known)} asked about")


if __name__ == "__main__":
    main()
