"""What notes that do not speak at all tell of leaks.

A leak keeps the lowest notes of reeds from speaking before it dulls the others much; how many, the bench tells for each
hole and size. They are simply missing from the takes, as are notes that were not played or not found. So a take that
starts late or stops early is as probable before anything is heard as a single note missed within it is. A leak is there
in every take, so its notes are missing in all of them; of a healthy instrument each take misses its own, or is cut as
one before it was.
"""

import numpy as np

from evenbore.facts.arrays import Floats
from evenbore.findings.rows import Rows, members
from evenbore.findings.templates import Template

# ASSUME: own choices, no source.
MISSED = 0.02  # of a healthy instrument's notes are missing
CUT = 0.003  # of its takes lack notes at an end
CUT_AGAIN = 0.5  # of the takes after one that was cut are cut too: the player's habit
LEAST = 0.03  # probability that a note sounds which sounded on no instrument of the bench with that leak
COAXED = 0.03  # of players make every note sound that the bench's reed and breath do not
MOSTLY_THERE = 0.5  # of all takes have a note, for one that lacks it to tell


def silence_support(rows: Rows, owners: list[tuple[str, str]], alternatives: list[Template]) -> Floats:
    """Log Bayes factors (I, T) of the alternatives that say which notes speak; the mean over the dynamics."""
    out = np.zeros((len(owners), len(alternatives)))
    telling = [t for t, template in enumerate(alternatives) if template.speaks is not None]
    if not telling:
        return out
    speaks = np.clip([alternatives[t].speaks for t in telling], LEAST, 1 - MISSED)
    there = np.any([np.isfinite(value) for value in rows.take_value.values()], axis=0)
    dynamics = rows.dynamics
    dynamic = rows.keys["dynamic"].to_numpy()[rows.take_row]
    for i, mine in enumerate(members(rows.keys, owners)):
        logs, missed_at, takes = [], [], []
        for d, name in enumerate(dynamics):
            own = mine[rows.take_row] & (dynamic == name)
            usual = there[dynamic == name].mean(axis=0) >= MOSTLY_THERE
            if own.any():
                missed = 1 - there[own].mean(axis=0)[usual]
                share = speaks[:, d][:, usual]
                each = np.log(1 - share) @ missed + np.log(share) @ (1 - missed)
                logs.append(each - missed.size * np.log(1 - MISSED))
                missed_at.append(missed)
                takes.append(int(own.sum()))
        ratio = np.mean(logs, axis=0) - _healthy(missed_at, takes)
        out[i, telling] = np.logaddexp(np.log(COAXED), np.log(1 - COAXED) + ratio)
    return out


def _healthy(missed: list[Floats], takes: list[int]) -> float:
    """Log likelihood of a healthy instrument's takes, so many at each dynamic (D,), of which the shares `missed` (N,)
    lack each note, over that of lacking none."""
    ends, log = np.zeros((len(takes), 2)), 0.0
    for d, (share, count) in enumerate(zip(missed, takes, strict=True)):
        each = np.log(MISSED / (1 - MISSED)) * share
        sounding = np.flatnonzero(share < 0.5)  # more often than not
        first, last = (sounding[0], sounding[-1]) if sounding.size else (each.size, each.size)
        ends[d] = each[:first].sum(), each[last + 1 :].sum()
        log += count * float(each[first : last + 1].sum())
    many = np.array(takes)
    cut = many @ np.maximum(ends, np.log(CUT_AGAIN)) + np.log(CUT / CUT_AGAIN)
    return log + float(np.maximum(many @ ends, cut).sum())
