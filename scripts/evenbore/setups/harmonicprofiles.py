"""The harmonics of every note of every instrument, set-up and room taken out: what is heard as the note's own tone.

Levels are relative to all harmonics of the note together, so that how loud it was played drops out. The take is the
unit: values are means over the takes at the base dynamic; standard errors come from the scatter between repeat takes,
pooled over the study per harmonic, plus the error of the set-up estimate and what is left of the room.
"""

from typing import Any

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats, Ints
from evenbore.setups.errors import session_directions
from evenbore.setups.harmonics import against_all
from evenbore.setups.normalise import Normalised
from evenbore.setups.responses import REPLICATE
from evenbore.setups.rooms import repeat_variance, variance_of_means
from evenbore.statistics.grouped import row_groups

MOST_HARMONICS = 24
_CELL = ["instrument", "state", "dynamic", "midi", "written_note", "group"]


def harmonic_profiles(normalised: Normalised, base_dynamic: str) -> pd.DataFrame:
    """The table harmonic_profiles. A harmonic has a row where it was heard in every take of the note; without repeats
    anywhere the standard error is empty."""
    rows = np.flatnonzero(normalised.notes["dynamic"] == base_dynamic)
    notes = normalised.notes.iloc[rows].reset_index(drop=True)
    size = min(MOST_HARMONICS, normalised.level_db.shape[1])
    level = against_all(normalised.level_db[rows].astype(float))
    harmonics = pd.DataFrame(level[:, :size])
    take = [notes[key] for key in (*REPLICATE, "recording", "midi", "written_note", "group")]
    # a note played twice in one recording counts once; NaN where one of the times is not heard
    takes = _all_heard(harmonics.groupby(take, sort=False)).reset_index()

    s_r2, _ = repeat_variance(takes.groupby([*REPLICATE, "midi"])[list(range(size))], takes[range(size)])

    by_note = takes.groupby(_CELL, sort=False)[list(range(size))]
    mean, count = _all_heard(by_note), by_note.size()
    keys, left = [notes[key] for key in _CELL], pd.DataFrame(np.nan_to_num(normalised.room_variance[rows, :size]))
    variance = pd.DataFrame(np.outer(1 / count, s_r2), index=mean.index, columns=mean.columns)
    variance = variance + _setup_variance(normalised, rows, level, notes).reindex(mean.index)
    variance = variance + variance_of_means(left, keys, notes["session"]).reindex(mean.index)
    table = pd.concat({"level_db": mean.stack(), "se_db": variance.stack() ** 0.5}, axis=1).dropna(subset="level_db")
    table = table.rename_axis([*_CELL, "harmonic"]).reset_index()
    n_takes = count.reindex(pd.MultiIndex.from_frame(table[_CELL])).to_numpy()
    return table.assign(harmonic=table["harmonic"] + 1, n_takes=n_takes)


def _all_heard(groups: Any) -> pd.DataFrame:
    """The means of a group-by, NaN where a value is missing: else only the takes in which a weak harmonic came out loud
    would tell."""
    mean: pd.DataFrame = groups.mean()
    return mean.where(groups.count().eq(groups.size(), axis=0))


def _setup_variance(normalised: Normalised, rows: Ints, level: Floats, notes: pd.DataFrame) -> pd.DataFrame:
    """Variance of each note's mean harmonics from the error of the set-ups, less what moves all harmonics alike."""
    setups, cells = normalised.setups, notes.groupby(_CELL, sort=False)
    size, cell = cells.size(), cells.ngroup().to_numpy()
    session, directions = normalised.errors.session[rows], session_directions(setups)[0]
    total = np.zeros((len(size), min(MOST_HARMONICS, level.shape[1])))
    for own in row_groups(notes.groupby("instrument")):
        power, frequency = np.nan_to_num(10 ** (level[own] / 10)), normalised.frequency_hz[rows[own]]
        changes = np.zeros((directions.shape[1], *power.shape))
        for r, change in enumerate(changes):
            change += np.nan_to_num(setups.at(session[own], frequency, directions[:, r]))
            change -= (power * change).sum(axis=1, keepdims=True)
        whole, place = np.unique(cell[own], return_inverse=True)
        total[whole] = normalised.errors.variance_of_means(changes[:, :, : total.shape[1]], session[own], place)
    return pd.DataFrame(total, index=size.index)
