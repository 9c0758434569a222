"""Instruments with more air noise in the tone than the others of their kind let one expect.

A row's noise is the median over the notes of `noise_high_db`, each
against the same note of all rows played alike. What the others let one expect, the session's room included, and how
far a healthy instrument strays from it, is `references.whole_deviations`.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.criteria import MIN_NOTES
from evenbore.findings.references import whole_deviations
from evenbore.findings.rows import MIN_PEERS, Rows, condition_middles
from evenbore.setups.doubts import flagged

# ASSUME: how far healthy instruments of a kind lie apart, dB (standard deviation; no source, no measurement)
USUAL_SD = 1.0
FALSE_NOISY = 0.05  # chance of any instrument told wrongly
MOST_HIDDEN = 0.5  # of an instrument's notes, the air of which the room hides


class Noisy(NamedTuple):
    """An instrument in a state, noisier than expected by `db`, 90 % interval `low` to `high`; `p` by chance."""

    owner: tuple[str, str]
    db: float
    low: float
    high: float
    p: float


def noisy(rows: Rows, hidden: pd.Series, noticed_db: float) -> list[Noisy]:
    """Those surely noisier than the others by more than `noticed_db`.

    `rows`: of one family and group at the base dynamic; `hidden`: share of hidden notes by instrument and state.
    """
    keys = rows.keys
    peers = keys["instrument"].nunique() - 1
    if peers < MIN_PEERS:
        return []
    away = rows.value["noise"] - condition_middles(keys, rows.value["noise"])
    enough = np.isfinite(away).sum(axis=1) >= MIN_NOTES
    middle = np.full(len(keys), np.nan)
    middle[enough] = np.nanmedian(away[enough], axis=1)
    size, sd, freedom = whole_deviations(keys, middle, USUAL_SD)
    owners = list(keys[["instrument", "state"]].drop_duplicates().itertuples(index=False, name=None))
    half = special.stdtrit(freedom, 0.95) * sd
    p = np.minimum(1.0, special.stdtr(freedom, -size / sd) * (peers + 1))
    told = (p <= FALSE_NOISY) & (size - half > noticed_db)
    return [
        Noisy(owner, float(size[i]), float(size[i] - half[i]), float(size[i] + half[i]), float(p[i]))
        for i, owner in enumerate(owners)
        if told[i] and hidden[owner] <= MOST_HIDDEN
    ]


def hidden_share(notes: pd.DataFrame) -> pd.Series:
    """Share of each instrument's notes (by instrument and state) whose air the room's background or echo hides."""
    hidden = pd.Series(flagged(notes["flags"], "noise_limited", "noise_high_db"), notes.index)
    return hidden.groupby([notes["instrument"], notes["state"]]).mean()
