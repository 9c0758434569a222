"""Before and after: what was found on an instrument, what changed with the work on it, and where both are heard."""

from dataclasses import dataclass

import pandas as pd

from evenbore.facts.criteria import CRITERIA
from evenbore.facts.measures import MEASURES, WORDINGS
from evenbore.facts.rows import Row
from evenbore.facts.words import plain
from evenbore.report.results import Results, rows_of
from evenbore.report.words import number

_UNITS = {measure.name: measure.unit for measure in MEASURES}


@dataclass(frozen=True)
class Change:
    """A change that differs, as texts: what changed, by how much, its 90 % interval, and whether the note's pitch is
    within its tolerance since (yes, no or empty)."""

    what: str
    change: str
    interval: str
    within_tolerance: str


@dataclass(frozen=True)
class Story:
    """An instrument with a state before: its rows of `status` then and now, the greatest changes between these states,
    and the written note where what was found is heard (empty: nowhere)."""

    instrument: str
    before: Row
    now: Row
    changes: list[Change]
    note: str


def greatest_changes(changes: pd.DataFrame, most: int) -> list[Change]:
    """The changes that differ, the greatest first, in multiples of their intervals; rows of the table `changes`."""
    known = changes[changes["verdict"] == "differs"]
    known = known.assign(size=known["change"].abs() / (known["high"] - known["low"]))
    rows = known.sort_values("size", ascending=False, kind="stable").head(most)
    told = []
    for row in rows_of(rows):
        if pd.notna(row.note):
            what, unit = f"{WORDINGS[row.criterion].word} of {row.note}", _UNITS[row.criterion].partition(" ")[0]
        else:
            what, unit = plain(row.criterion), CRITERIA[row.criterion].unit
        interval = f"{number(row.low, sign=True)} to {number(row.high, sign=True)}"
        within = row.within_tolerance if pd.notna(row.within_tolerance) else ""
        told.append(Change(what, f"{number(row.change, sign=True)} {unit}", interval, within))
    return told


def stories(results: Results, most: int) -> list[Story]:
    """The stories of the instruments shown that have a current state and one before it, with `most` changes each."""
    heard = results.tables["vetting"].set_index(["instrument", "state"])["listen"]
    told = []
    for name in results.shown:
        rows = results.status(name)
        if len(rows) < 2 or rows[-1]["current"] != "yes":
            continue
        before, now = rows[-2:]
        changes = results.of("changes", name)
        changes = changes[(changes["state_from"] == before["state"]) & (changes["state_to"] == now["state"])]
        note = heard.get((name, before["state"]))
        first = note.split()[0] if pd.notna(note) else ""
        told.append(Story(name, before, now, greatest_changes(changes, most), first))
    return told
