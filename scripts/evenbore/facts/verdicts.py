"""What can be said of a difference, and what can be decided of an instrument: every word with what it means.

The words of the tables are the keys; reports read the rest here.
"""

from typing import NamedTuple


class Verdict(NamedTuple):
    """One verdict on a difference: in a table's cell, after "of 66 pairs 12 …", and its meaning for the glossary."""

    words: str
    of_pairs: str
    meaning: str


VERDICTS = {
    "differs": Verdict(
        "differs",
        "differ",
        "The difference is larger than chance explains, with all that is compared by that criterion taken together (at"
        " the level of 5 %).",
    ),
    "no_audible_difference": Verdict(
        "no audible difference",
        "show no audible difference",
        "The 90 % interval of the difference lies within plus or minus the just-noticeable step of that criterion: with"
        " this player and set-up, smaller than what listeners usually notice.",
    ),
    "undecided": Verdict(
        "undecided", "are undecided", "Neither of the two. Where further takes would help, their number is given."
    ),
    "not_comparable": Verdict(
        "not comparable",
        "cannot be compared",
        "A value is missing, or nothing links the set-ups. The reason is given.",
    ),
}

DECISIONS = {
    "accept": "nothing past the tolerances was found",
    "bench": "a technician should look at it first",
    "return": "a must-pass fails that no bench mends",
    "retake": "these recordings cannot decide",
}
