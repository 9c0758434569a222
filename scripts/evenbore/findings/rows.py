"""Rows of a study: take means of one instrument in one state, session, dynamic, articulation and direction."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.setups.octaves import OCTAVES

ROW = ["instrument", "state", "session", "dynamic", "articulation", "direction"]
CONDITION = ["dynamic", "articulation", "direction"]
LEVEL_MEASURES = ("level", *OCTAVES)
TOLD = OCTAVES[1]  # by which the size of a loss is told: measurable on high and low instruments
MIN_PEERS = 3  # other instruments that a reference needs
SOFT_DYNAMICS = ("pp", "p", "mp", "mf")
MAD_TO_SD = 1.4826  # of normal noise


@dataclass(frozen=True)
class Rows:
    """Take means of one family and comparability group.

    `keys`: columns ROW and `takes`, one line per row. `written` (N,). `value`: measure -> (R, N), NaN where not
    measured. `take_row` (T,): the row of each single take; `take_value`: measure -> (T, N) of these.
    """

    keys: pd.DataFrame
    written: Ints
    value: dict[str, Floats]
    take_row: Ints
    take_value: dict[str, Floats]

    @property
    def dynamics(self) -> list[str]:
        """Those that were played."""
        return list(dict.fromkeys(self.keys["dynamic"]))


def collect_rows(notes: pd.DataFrame, written: Ints) -> Rows:
    """Rows of `notes` (normalised notes of one family and group); `written` is each line's written note."""
    notes = notes.assign(
        written=written,
        level=notes["level_dbfs"],
        noise=notes["noise_high_db"],
        attack=notes["attack_ms"].where(notes["articulation"] == "tongued"),
    )
    columns = [*LEVEL_MEASURES, "noise", "attack", "cents"]
    # a note played twice in one recording counts once
    takes = notes.groupby([*ROW, "recording", "written"], sort=True)[columns].mean().astype(float)
    grid = takes.unstack("written")
    axis = np.sort(notes["written"].unique())
    means = grid.groupby(level=ROW).mean()
    counts = grid.groupby(level=ROW).size()
    value, take_value = (
        {name: cast(pd.DataFrame, part[name]).reindex(columns=axis).to_numpy(float) for name in columns}
        for part in (means, grid)
    )
    keys = means.index.to_frame(index=False).assign(takes=counts.to_numpy())
    owner_of_take = means.index.get_indexer(cast(pd.MultiIndex, grid.index).droplevel("recording"))
    return Rows(keys, axis, value, owner_of_take, take_value)


def excess(rows: Rows, owner: tuple[str, str], measure: str) -> Floats:
    """Own value minus the median of the other instruments', averaged over the owner's rows, (N,), for telling.

    The others of the same session where there are MIN_PEERS, else all; always of the same dynamic, articulation
    and direction.
    """
    keys, values, out = rows.keys, rows.value[measure], []
    other = (keys["instrument"] != owner[0]).to_numpy()
    for row in np.flatnonzero(members(keys, [owner])[0]):
        alike = other & (keys[CONDITION] == keys.loc[row, CONDITION]).all(axis=1).to_numpy()
        near = alike & (keys["session"] == keys.at[row, "session"]).to_numpy()
        chosen = near if keys.loc[near, "instrument"].nunique() >= MIN_PEERS else alike
        if chosen.any():
            out.append(values[row] - pd.DataFrame(values[chosen]).median().to_numpy())
    return pd.DataFrame(out).mean().to_numpy() if out else np.full(values.shape[1], np.nan)


def robust_sd(values: Floats) -> float:
    """Standard deviation about zero by the median absolute value; NaN for nothing."""
    finite = np.abs(values[np.isfinite(values)])
    return MAD_TO_SD * float(np.median(finite)) if finite.size else np.nan


def members(keys: pd.DataFrame, owners: Iterable[tuple[str, str]]) -> list[Bools]:
    return [((keys["instrument"] == name) & (keys["state"] == state)).to_numpy() for name, state in owners]


def row_median(values: Floats) -> Floats:
    """Median (R, 1) of each row's known values, 0 for a row without any."""
    filled = np.where(np.isfinite(values).any(axis=1, keepdims=True), values, 0.0)
    return np.nanmedian(filled, axis=1)[:, None]


def condition_medians(keys: pd.DataFrame, values: Floats) -> Floats:
    """Median over the rows of the same dynamic, articulation and direction, note by note, (R, N)."""
    return pd.DataFrame(values).groupby([keys[c] for c in CONDITION]).transform("median").to_numpy()
