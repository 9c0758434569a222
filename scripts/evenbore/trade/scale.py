"""The notes that a recording is expected to hold, in playing order, as WRITTEN MIDI numbers."""

from collections.abc import Sequence

import numpy as np

from evenbore.facts.arrays import Ints
from evenbore.files.errors import EvenboreError
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_note

PATTERNS = ("chromatic", "major", "notes", "passage")
DIRECTIONS = ("up", "down", "up-down")
MAJOR_STEPS = (0, 2, 4, 5, 7, 9, 11)


def expected_scale(
    family: Family, pattern: str, low: int | None = None, high: int | None = None, direction: str = "up",
    notes: Sequence[int] | None = None,
) -> Ints:  # fmt: skip
    """Written MIDI numbers (N,) of the expected notes in playing order.

    `chromatic`: every semitone from `low` to `high`; `major`: the major scale on `low`, up to `high`;
    both default to the family's standard range and follow `direction` (up-down: the top note once).
    `notes`: as given, whatever the direction. `passage`: empty, for a passage of
    music is not cut into notes. Raises EvenboreError for an unknown pattern or direction, for a `low`
    above `high` and for `notes` without notes.
    """
    if pattern not in PATTERNS:
        raise EvenboreError(f"'{pattern}' is not a pattern; allowed: {', '.join(PATTERNS)}.")
    if direction not in DIRECTIONS:
        raise EvenboreError(f"'{direction}' is not a direction; allowed: {', '.join(DIRECTIONS)}.")
    if pattern == "passage":
        return np.empty(0, dtype=int)
    if pattern == "notes":
        if not notes:
            raise EvenboreError("The pattern 'notes' has no notes; allowed: written notes in order, such as C4 E4 G4.")
        return np.array(notes, dtype=int)

    low = family.low if low is None else low
    high = family.high if high is None else high
    if low > high:
        raise EvenboreError(
            f"The lowest note {midi_to_note(low)} is above the highest note {midi_to_note(high)}; allowed: a low note"
            " no higher than the high one. Likely cause: the two are swapped, or one octave number is wrong."
        )
    rising = np.arange(low, high + 1)
    if pattern == "major":
        rising = rising[np.isin((rising - low) % 12, MAJOR_STEPS)]
    if direction == "down":
        return rising[::-1]
    if direction == "up-down":
        return np.concatenate([rising, rising[-2::-1]])
    return rising
