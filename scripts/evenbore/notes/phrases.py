"""Lay takes of the same phrase beside each other: which of its places each note is.

The phrase is the list of notes that the sheet or a score gives, or else what most takes agree on. A score may be
printed as it sounds, or an octave off: it is laid where most notes of the takes fit. Own definition.
"""

from collections.abc import Sequence
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

from evenbore.trade.pitch import note_to_midi

if TYPE_CHECKING:
    import pandas as pd

Written = Sequence[int]
SHIFTS = sorted(range(-24, 25), key=abs)  # semitones between a score and what is played of it; as printed comes first


def with_places(notes: "pd.DataFrame", phrases: dict[str, list[int]]) -> "pd.DataFrame":
    """Fill in the column `place` of a table `passage_notes`; takes without a name stand alone."""
    import pandas as pd  # here, for what measures a recording needs none of it

    place = pd.Series(pd.NA, notes.index, "Int64")
    for name, rows in notes[notes["passage"] != ""].groupby("passage", sort=False):
        takes = [take for _, take in rows.groupby("recording", sort=False)]
        written = [[note_to_midi(note) for note in take["written_note"]] for take in takes]
        for take, of_take in zip(takes, places(written, phrases.get(str(name))), strict=True):
            place[take.index] = pd.array(of_take, dtype="Int64")
    return notes.assign(place=place)


def places(takes: Sequence[Written], phrase: Written | None) -> list[list[int | None]]:
    """For every note of every take its place in the phrase, None where it is no note of it.

    `takes`: written notes of each, in playing order; `phrase`: those of the phrase where they are known.
    """
    if phrase is None:
        phrase = max(takes, key=lambda take: (sum(_alike(take, other) for other in takes), len(take)))
    else:
        by = key_of(phrase, takes)
        phrase = [note + by for note in phrase]
    return [placed(take, phrase) for take in takes]


def key_of(printed: Written, takes: Sequence[Written]) -> int:
    """Semitones by which the notes of most takes lie above those of a list, as which it is known."""
    return max(SHIFTS, key=lambda by: sum(_alike(take, [note + by for note in printed]) for take in takes))


def _matched(take: Written, phrase: Written) -> SequenceMatcher[int]:
    return SequenceMatcher(None, take, phrase, autojunk=False)


def _alike(take: Written, phrase: Written) -> float:
    return _matched(take, phrase).ratio()


def placed(take: Written, phrase: Written) -> list[int | None]:
    """Of every note its place in the phrase, None where it has none."""
    place: list[int | None] = [None] * len(take)
    for first, at, count in _matched(take, phrase).get_matching_blocks():
        place[first : first + count] = range(at, at + count)
    return place
