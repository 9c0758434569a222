"""Whether a finding comes again: how many takes of the instrument show it by themselves.

A note played badly once, in one of two takes, moves their mean by half of what went wrong, and the mean of a healthy
instrument then looks faulty. A fault of the instrument is there in every take.
"""

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats
from evenbore.facts.rows import Row

SHOWN = 0.5  # ASSUME: a take shows it that goes half as far as all takes together; own choice, no source
FEW_NOTES = 2  # ASSUME: as few notes as one slip can spoil (a note, or a fingering in two registers); own choice


def recurrence(effects: Floats, least: float = 0.0) -> dict[str, int]:
    """Columns `n_seen` and `n_takes` of a finding: how many takes show it, of how many that tell.

    `effects` (T,): what each take alone says of its size, NaN where it does not tell; signed. What shows it goes as far
    as `least`, too. Where the others together do not show what one take does, that one alone has shown it.
    """
    known = effects[np.isfinite(effects)]
    mean = known.mean() if known.size else 0.0
    size = np.sort(known * np.sign(mean))
    seen = int((size >= max(SHOWN * abs(mean), least)).sum())
    alone = size.size > 1 and size[:-1].mean() < SHOWN * abs(mean)
    return {"n_seen": min(seen, 1) if alone else seen, "n_takes": int(known.size)}


def without_farthest(effects: Floats) -> Floats:
    """Mean (N,) of takes (T, N) less the one that goes farthest up, where several tell; NaN where none does."""
    ordered = -np.sort(-effects, axis=0)  # NaN last
    ordered[0, np.isfinite(effects).sum(axis=0) > 1] = np.nan
    return pd.DataFrame(ordered).mean().to_numpy()


def seen_once(row: Row) -> bool:
    """Whether one take alone of several shows a finding (a row of the table)."""
    return bool(pd.notna(row["n_takes"]) and row["n_takes"] > 1 and row["n_seen"] < 2)


def untold_by_one(row: Row) -> bool:
    """Whether a finding rests on so few notes of a single take that this take cannot tell it from a slip."""
    return bool(pd.notna(row["n_takes"]) and row["n_takes"] == 1 and row["n_notes"] <= FEW_NOTES)
