"""How sure it is that a note is the expected one, from end to end: a logistic regression on what speaks against it.

Each sign is 0 in an ordinary note and grows with what speaks against it, so that a confidence never rises with a sign.
"""

from typing import Final

import numpy as np

from evenbore.facts.arrays import Bools, Floats, known_median
from evenbore.facts.rows import Row

SIGNS: Final = ("weak", "long", "brief", "away", "holes")
# Fitted by tests/scenarios/fit_confidence.py on its development takes, one wrong note in fifty.
_USUAL, _AGAINST = 5.67, np.array([1.08, 6.41, 2.82, 3.12, 6.14])

# ASSUME: where each sign begins and is 1, tuned by trial on the same takes; no source.
_STRONG, _WEAKER = 0.8, 0.4  # score, and how far it leads the best other pitch, together
_LONGER, _TWICE = 0.25, 0.5  # log of length over the median: the longest of one note, the shortest of two in one
_BRIEF_S, _BRIEFEST = 0.15, 2.0  # the window of the evidence; octaves shorter
_NEAR, _AWAY_CENTS = 3, (15.0, 50.0)  # notes on either side, and cents from their median


def signs(score: Floats, rival: Floats, found: Bools, rows: list[Row]) -> Floats:
    """What speaks against the notes `rows` of one pass, in order: (n, 5), columns as in `SIGNS`.

    Of each expected note, (N,): its score and the best other pitch's, and whether it was found.

    weak: little evidence. long: longer than the others, beside a note that was not found; not the last, which is often
    held. brief: hardly longer than what the evidence sees. away: not where the notes around it lie, in cents. holes:
    twice the share of notes not found between the first and the last.
    """
    if not rows:
        return np.empty((0, len(SIGNS)))
    step = np.array([row["step"] for row in rows], int)
    length = np.maximum([row["offset_s"] - row["onset_s"] for row in rows], _BRIEF_S / 2**_BRIEFEST)
    cents = np.array([row["cents"] for row in rows])
    beside = np.pad(found, 1, constant_values=True)
    alone = ~(beside[step] & beside[step + 2]) & (step < step.max(initial=0))
    longer = (np.log(length / np.median(length)) - _LONGER) / (_TWICE - _LONGER)
    near = (np.abs(step[:, None] - step) <= _NEAR) & (step[:, None] != step)
    off = np.abs(cents - [known_median(cents[those]) for those in near])
    return np.column_stack(
        [
            np.clip((_STRONG - 2 * score[step] + rival[step]) / _WEAKER, 0, 2),
            np.where(alone, np.clip(longer, 0, 1), 0),
            np.maximum(np.log2(_BRIEF_S / length), 0),
            np.nan_to_num(np.clip((off - _AWAY_CENTS[0]) / (_AWAY_CENTS[1] - _AWAY_CENTS[0]), 0, 1)),
            np.full(len(rows), 2 * (1 - len(step) / (np.ptp(step) + 1))),
        ]
    )


def confidence(told: Floats) -> Floats:
    """Probability (n,) that a note is the expected one, from what `signs` told (n, 5)."""
    sure: Floats = 1 / (1 + np.exp(told @ _AGAINST - _USUAL))
    return sure
