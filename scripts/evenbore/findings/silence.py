"""What notes that do not speak at all tell of leaks.

A leak keeps the lowest notes of reeds from speaking before it dulls the others much; how many, the bench tells for each
hole and size. They are simply missing from the takes, as are notes that a player leaves out, for what reason ever. So
what is missing in all of an instrument's takes is read both ways: as left out, which tells nothing, and as tried. What
one take has and another lacks was missed in that one, or spoke more loudly blown.
"""

import numpy as np

from evenbore.facts.arrays import Bools, Floats
from evenbore.findings.rows import SOFT_DYNAMICS, Rows, members
from evenbore.findings.templates import Template

# ASSUME: own choices, no source.
MISSED = 0.02  # of the notes that a player tries on a healthy instrument are missing
LEAST = 0.03  # probability that a note sounds which sounded on no instrument of the bench with that leak
COAXED = 0.03  # of players make every note sound that the bench's reed and breath do not
MOSTLY_THERE = 0.5  # of all takes have a note, for one that lacks it to tell


def silence_support(rows: Rows, owners: list[tuple[str, str]], alternatives: list[Template]) -> Floats:
    """Log Bayes factors (2, I, T) of the alternatives that say which notes speak: with the notes that none of an
    instrument's takes has left out by the player, and tried.

    A note that speaks at one dynamic speaks at all louder ones.
    """
    out = np.zeros((2, len(owners), len(alternatives)))
    telling = [t for t, template in enumerate(alternatives) if template.speaks is not None]
    if not telling:
        return out
    softest_first = sorted(range(len(rows.dynamics)), key=lambda d: SOFT_DYNAMICS.index(rows.dynamics[d]))
    speaks = np.clip([alternatives[t].speaks for t in telling], LEAST, 1.0)[:, softest_first]
    # probability (T, D + 1, N) that just so many of the softest dynamics are silent
    silent = np.diff(np.maximum.accumulate(speaks, axis=1), axis=1, prepend=0.0, append=1.0)
    there, dynamic = rows.there, rows.keys["dynamic"].to_numpy()[rows.take_row]
    for i, mine in enumerate(members(rows.keys, owners)):
        own = mine[rows.take_row]
        against = np.ones((len(softest_first) + 1, rows.written.size))  # of these to what a healthy instrument misses
        for k, d in enumerate(softest_first):
            played = dynamic == rows.dynamics[d]
            lacking = ~there[own & played]
            if len(lacking):
                likelier = np.where(lacking.all(axis=0), MISSED ** -len(lacking), 0.0)
                usual = rows.asked[own & played].all(axis=0) & (there[played].mean(axis=0) >= MOSTLY_THERE)
                against[k + 1] = np.where(usual, likelier, 1.0)
        each = np.log((silent * np.cumprod(against, axis=0)).sum(axis=1))
        for reading, counted in enumerate((there[own].any(axis=0), True)):
            ratio = np.where(counted, each, 0.0).sum(axis=1)
            out[reading, i, telling] = np.logaddexp(np.log(COAXED), np.log(1 - COAXED) + ratio)
    return out


def unheard(rows: Rows, owner: tuple[str, str]) -> Bools:
    """The notes (N,) that no take of an instrument has, though the sheet asks for them and most takes of all have."""
    own = members(rows.keys, [owner])[0][rows.take_row]
    lacking: Bools = ~rows.there[own].any(axis=0) & rows.asked[own].any(axis=0)
    return lacking & (rows.there.mean(axis=0) >= MOSTLY_THERE)
