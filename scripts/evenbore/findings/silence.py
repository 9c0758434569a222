"""What notes that do not speak at all tell of leaks.

A leak keeps the lowest notes of reeds from speaking before it dulls the others much; how many, the bench tells for each
hole and size. They are simply missing from the takes, as are notes that were not played or not found. So a take that
starts late or stops early is as probable before anything is heard as a single note missed within it is.
"""

import numpy as np

from evenbore.facts.arrays import Floats
from evenbore.findings.rows import Rows, members
from evenbore.findings.templates import Template

# ASSUME: own choices, no source.
MISSED = 0.02  # of a healthy instrument's notes are missing
CUT = 0.003  # of its takes lack notes at an end
LEAST = 0.1  # probability that a note sounds which sounded on no instrument of the bench with that leak
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
        logs = []
        for d, name in enumerate(dynamics):
            own = mine[rows.take_row] & (dynamic == name)
            usual = there[dynamic == name].mean(axis=0) >= MOSTLY_THERE
            if own.any():
                missed = 1 - there[own].mean(axis=0)[usual]
                share = speaks[:, d][:, usual]
                logs.append(np.log(1 - share) @ missed + np.log(share) @ (1 - missed) - _healthy(missed))
        out[i, telling] = np.logaddexp(np.log(COAXED), np.log(1 - COAXED) + np.mean(logs, axis=0))
    return out


def _healthy(missed: Floats) -> float:
    """Log likelihood of a healthy instrument to lack these notes, `missed` (N,) the share of takes that do."""
    each = np.where(missed > 0, np.log(MISSED) * missed, 0.0) + np.log(1 - MISSED) * (1 - missed)
    sounding = np.flatnonzero(missed < 0.5)  # more often than not
    if not sounding.size:
        return float(np.log(CUT))
    inside = each[sounding[0] : sounding[-1] + 1].sum()
    ends = each[: sounding[0]].sum(), each[sounding[-1] + 1 :].sum()
    return float(inside + sum(max(end, np.log(CUT)) for end in ends))
