"""What notes that do not speak at all tell of leaks.

A leak keeps the lowest notes of reeds from speaking before it dulls the others much; how many, the bench tells for each
hole and size. They are simply missing from the takes, as are notes that a player leaves out, for what reason ever. So
what all takes at a dynamic lack is read both ways: as left out, which tells nothing, and as tried. What one of them has
and another lacks was missed in that one.
"""

from collections.abc import Iterator

import numpy as np

from evenbore.facts.arrays import Bools, Floats
from evenbore.findings.rows import SOFT_DYNAMICS, Rows, members
from evenbore.findings.templates import Template

# ASSUME: own choices, no source.
MISSED = 0.02  # of the notes that a player tries on a healthy instrument are missing
LEAST = 0.03  # probability that a note sounds which sounded on no instrument of the bench with that leak
COAXED = 0.03  # of players make every note sound that the bench's reed and breath do not
MOST_COUNTED = 40  # of a dynamic that count: more could hardly tell more surely, and the likelihood would be no number


def silence_support(rows: Rows, owners: list[tuple[str, str]], alternatives: list[Template]) -> Floats:
    """Log Bayes factors (2, I, T) of the alternatives that say which notes speak: with the notes that all of an
    instrument's takes at a dynamic lack left out by the player, and tried.

    A note that speaks at one dynamic speaks at all louder ones.
    """
    out = np.zeros((2, len(owners), len(alternatives)))
    telling = [t for t, template in enumerate(alternatives) if template.speaks is not None]
    if not telling:
        return out
    softest_first = sorted(rows.dynamics, key=SOFT_DYNAMICS.index)
    order = [rows.dynamics.index(dynamic) for dynamic in softest_first]
    speaks = np.clip([alternatives[t].speaks for t in telling], LEAST, 1 - MISSED)[:, order]
    # probability (T, D + 1, N) that just so many of the softest dynamics are silent
    silent = np.diff(np.maximum.accumulate(speaks, axis=1), axis=1, prepend=0.0, append=1.0)
    for i, owner in enumerate(owners):
        likelier = np.ones((2, len(order) + 1, rows.written.size))  # than on a healthy instrument, in both readings
        for dynamic, told, lacking, takes in unheard(rows, owner):
            silence = np.where(lacking, MISSED ** -min(takes, MOST_COUNTED), 0.0)
            for reading, counted in zip(likelier, (told & ~lacking, told), strict=True):
                reading[0, counted] = 1 / (1 - MISSED)
                reading[softest_first.index(dynamic) + 1, counted] = silence[counted]
        each = np.log(np.einsum("tkn,rkn->rtn", silent, np.cumprod(likelier, axis=1)))
        out[:, i, telling] = np.logaddexp(np.log(COAXED), np.log(1 - COAXED) + each.sum(axis=2))
    return out


def unheard(rows: Rows, owner: tuple[str, str]) -> Iterator[tuple[str, Bools, Bools, int]]:
    """Each dynamic of an instrument's; the notes (N,) that its takes tell of, for the sheet asks for them and most
    takes of all have them; those that all of its takes lack; the number of these."""
    own = members(rows.keys, [owner])[0][rows.take_row]
    for dynamic, (played, usual) in rows.usual.items():
        mine = own & played
        told: Bools = np.all(rows.asked[mine], axis=0) & usual
        lacking: Bools = np.all(~rows.there[mine], axis=0)
        if mine.any():
            yield dynamic, told, lacking, int(mine.sum())
