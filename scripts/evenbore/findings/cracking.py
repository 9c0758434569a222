"""Notes that crack in several takes, and clearly more often than on the other instruments of the kind.

A stretch of neighbouring notes each of which cracked in a take at least, one of them in MIN_CRACKED. The take is the
unit: the chance (binomial) of as many takes in which the stretch cracks, at the rate of the others there or of all
other notes, whichever is greater, times the number of stretches that there might be.
"""

from typing import NamedTuple, cast

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.arrays import Ints, runs_of
from evenbore.setups.doubts import flagged

MIN_CRACKED = 2  # takes
FALSE_CRACKS = 0.05  # chance of any stretch of an instrument told wrongly


class Cracking(NamedTuple):
    """Written notes `first` to `last` (`n` of them) of an instrument in a state that crack in `takes` of `of` takes,
    `worst` of them in `worst_takes`; in `others` of `of_others` takes of other instruments; `p` by chance."""

    owner: tuple[str, str]
    first: int
    last: int
    n: int
    takes: int
    of: int
    worst: int
    worst_takes: int
    others: int
    of_others: int
    p: float


def cracking(notes: pd.DataFrame, written: Ints) -> list[Cracking]:
    """Of a family's instruments. `notes`: normalised notes of all dynamics; `written` (N,): their written notes."""
    table = notes[["instrument", "state", "recording"]].assign(
        written=written, cracked=flagged(notes["flags"], "cracked").astype(float)
    )
    table = table[~flagged(notes["flags"], "unsure")]
    if not (table["cracked"] > 0).any():
        return []
    grid = table.groupby(["instrument", "state", "recording", "written"])["cracked"].max().unstack("written")
    names = grid.index.get_level_values("instrument")
    axis = grid.columns.to_numpy(int)
    cracks, held = np.nansum(grid.to_numpy()), np.isfinite(grid.to_numpy()).sum()
    found = []
    for key, rows in grid.groupby(level=["instrument", "state"]).indices.items():
        owner = cast(tuple[str, str], key)
        own, others = grid.to_numpy()[rows], grid.to_numpy()[names != owner[0]]
        counts = np.nansum(own, axis=0)
        cracked = np.flatnonzero(counts > 0)
        for places in runs_of(cracked):
            if counts[places].max() < MIN_CRACKED:
                continue
            # of own and others' takes how many crack, of how many that hold any of the notes
            (takes, of), (theirs, of_theirs) = (
                (int((np.nan_to_num(part) > 0).any(axis=1).sum()), int(np.isfinite(part).any(axis=1).sum()))
                for part in (own[:, places], others[:, places])
            )
            elsewhere = (cracks - counts[places].sum() + 1) / (held - np.isfinite(own[:, places]).sum() + 1)
            rate = max(1 - (1 - elsewhere) ** places.size, (theirs + 0.5) / (of_theirs + 1))
            p = float(special.bdtrc(takes - 1, of, rate)) * np.isfinite(own).any(axis=0).sum() * places.size
            worst = places[np.argmax(counts[places])]
            if p <= FALSE_CRACKS:
                found.append(
                    Cracking(
                        owner, int(axis[places[0]]), int(axis[places[-1]]), places.size, takes,
                        of, int(axis[worst]), int(counts[worst]), theirs, of_theirs, p,
                    )
                )  # fmt: skip
    return found
