"""What is said once of all recordings of a study, or of a family's: `recording_defaults` of the config.

A blank cell of the recordings sheet takes the family's default, else the study's, else what the sheet's schema says.
Where most takes lack the same end notes, `range_advice` says which line names the range that was played.
"""

import csv
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import yaml

from evenbore.facts.rows import Row
from evenbore.files.errors import Problem
from evenbore.study.config import SAID_ONCE, load_schema, misspelling
from evenbore.trade.pitch import midi_to_note, note_to_midi

if TYPE_CHECKING:
    from evenbore.study.sheets import Study

LEAST_TAKES = 3  # ASSUME: fewer that agree may be slips; own choice


def fill_defaults(rows: Iterable[Row], family_of: Mapping[str, str], defaults: Mapping[str, Any]) -> None:
    """Fill the blank cells of rows of the recordings sheet, in place."""
    columns = load_schema("recordings")["properties"]
    of_families = defaults.get("families", {})
    for row in rows:
        of_family = of_families.get(family_of.get(row["instrument"], ""), {})
        for column in SAID_ONCE:
            if row[column] is None:
                row[column] = of_family.get(column, defaults.get(column, columns[column].get("default")))


def check_families(defaults: Mapping[str, Any], known: list[str], file: str) -> list[Problem]:
    """The families that the defaults name exist."""
    allowed = f"one of {', '.join(known)}"
    return [
        Problem(file, None, f"recording_defaults.families.{key}", None, allowed, misspelling(key, known))
        for key in defaults.get("families", {})
        if key not in known
    ]


def played_range(study: "Study") -> list[str]:
    """`range_advice` on a study that was run; nothing where it was not."""
    path = study.folder / "results" / "tables" / "recordings.tsv"
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        found = {row["recording"]: row for row in csv.DictReader(file, delimiter="\t")}
    takes = [
        (study.instruments[row["instrument"]]["family"], row["low"], row["high"],
         note_to_midi(heard["lowest_found"]), note_to_midi(heard["highest_found"]))
        for row in study.recordings
        if row["pattern"] in ("chromatic", "major")
        and (heard := found.get(row["recording"], {})).get("lowest_found") and heard.get("highest_found")
    ]  # fmt: skip
    return range_advice(takes, study.config["recording_defaults"])


def range_advice(takes: Iterable[tuple[str, int, int, int, int]], defaults: Mapping[str, Any]) -> list[str]:
    """Which line of the config names the range that was played, where most takes of a family lack the same end notes.

    takes: (family, low and high of the sheet, lowest and highest found), written midi.
    """
    by_family: dict[str, list[tuple[int, int, int, int]]] = {}
    for family, *notes in takes:
        by_family.setdefault(family, []).append((notes[0], notes[1], notes[2], notes[3]))
    lines = []
    for family, of_family in by_family.items():
        ends, words = {}, []
        for column, place, lacks in (("low", 0, 1), ("high", 1, -1)):
            found = Counter(take[2 + place] for take in of_family if lacks * (take[2 + place] - take[place]) > 0)
            note, count = found.most_common(1)[0] if found else (0, 0)
            if count >= LEAST_TAKES and 2 * count > len(of_family):
                ends[column] = midi_to_note(note)
                asked = Counter(take[place] for take in of_family).most_common(1)[0][0]
                words.append(f"{count} of {len(of_family)} at {ends[column]}, not {midi_to_note(asked)}")
        if ends:
            families = defaults.get("families", {})
            merged = {**defaults, "families": {**families, family: {**families.get(family, {}), **ends}}}
            line = yaml.safe_dump(merged, default_flow_style=True, sort_keys=False, width=10**6, allow_unicode=True)
            lines.append(
                f"Most takes of {family} end elsewhere than the sheet says: {'; '.join(words)}. If no more was played, "
                f"write into config.yaml: `recording_defaults: {line.strip()}`"
            )
    return lines
