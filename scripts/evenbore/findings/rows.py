"""Rows of a study: take means of one instrument in one state, session, dynamic, articulation and direction."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
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
# ASSUME: set by trial and judgement on the development studies that docs/findings.md tells of; no source.
WINSOR = 2.5  # standard deviations beyond which a note counts no further
MOSTLY_THERE = 0.5  # of all takes have a note, for one that lacks it to tell; own choice


@dataclass(frozen=True)
class Rows:
    """Take means of one family and comparability group.

    `keys`: columns ROW and `takes`, one line per row. `written` (N,). `value`: measure -> (R, N), NaN where not
    measured. `take_row` (T,): the row of each single take; `take_value`: measure -> (T, N) of these; `asked` (T, N):
    whether the sheet asks for a note.
    """

    keys: pd.DataFrame
    written: Ints
    value: dict[str, Floats]
    take_row: Ints
    take_value: dict[str, Floats]
    asked: Bools

    @cached_property
    def there(self) -> Bools:
        """Which takes have which notes, (T, N)."""
        found: Bools = np.any([np.isfinite(value) for value in self.take_value.values()], axis=0)
        return found

    @cached_property
    def usual(self) -> dict[str, tuple[Bools, Bools]]:
        """By dynamic: which takes are of it (T,), and the notes (N,) that half of these have."""
        of_take = self.keys["dynamic"].to_numpy()[self.take_row]
        played = {dynamic: of_take == dynamic for dynamic in self.dynamics}
        return {d: (takes, np.mean(self.there[takes], axis=0) >= MOSTLY_THERE) for d, takes in played.items()}

    @property
    def dynamics(self) -> list[str]:
        """Those that were played."""
        return list(dict.fromkeys(self.keys["dynamic"]))


def collect_rows(notes: pd.DataFrame, written: Ints, expected: Mapping[str, Ints] | None = None) -> Rows:
    """Rows of `notes` (normalised notes of one family and group); `written` is each line's written note; `expected`:
    recording -> the written notes that the sheet asks for, all where it says nothing."""
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
    recordings = grid.index.get_level_values("recording")
    asked = np.array([np.isin(axis, (expected or {}).get(name, axis)) for name in recordings])
    return Rows(keys, axis, value, owner_of_take, take_value, asked)


def excess(rows: Rows, owner: tuple[str, str], measure: str) -> Floats:
    """Own value minus the median of the other instruments', averaged over the owner's rows, (N,), for telling.

    The others of the same session where there are MIN_PEERS, else all; always of the same dynamic, articulation
    and direction.
    """
    keys, values, out = rows.keys, rows.value[measure], []
    names, sessions = keys["instrument"].to_numpy(), keys["session"].to_numpy()
    condition = keys.groupby(CONDITION).ngroup().to_numpy()
    for row in np.flatnonzero(members(keys, [owner])[0]):
        alike = (names != owner[0]) & (condition == condition[row])
        near = alike & (sessions == sessions[row])
        chosen = near if len(set(names[near])) >= MIN_PEERS else alike
        if chosen.any():
            out.append(values[row] - pd.DataFrame(values[chosen]).median().to_numpy())
    return pd.DataFrame(out).mean().to_numpy() if out else np.full(values.shape[1], np.nan)


def robust_sd(values: Floats) -> float:
    """Standard deviation about zero by the median absolute value; NaN for nothing."""
    finite = np.abs(values[np.isfinite(values)])
    return MAD_TO_SD * float(np.median(finite)) if finite.size else np.nan


def members(keys: pd.DataFrame, owners: Iterable[tuple[str, str]]) -> list[Bools]:
    names, states = keys["instrument"].to_numpy(), keys["state"].to_numpy()
    return [(names == name) & (states == state) for name, state in owners]


def row_median(values: Floats) -> Floats:
    """Median (R, 1) of each row's known values, 0 for a row without any."""
    filled = np.where(np.isfinite(values).any(axis=1, keepdims=True), values, 0.0)
    return np.nanmedian(filled, axis=1)[:, None]


def condition_middles(keys: pd.DataFrame, values: Floats, columns: Sequence[str] = CONDITION) -> Floats:
    """Middle (R, N), note by note, of the rows that `columns` have in common: what most of them agree on.

    The mean of all that lie near the middle of the shortest half (Rousseeuw & Leroy 1987, Robust Regression and Outlier
    Detection, ch. 4), so that nearly half of the rows may be off, by all of their notes or by different ones.
    """
    group = keys.groupby(list(columns), sort=False).ngroup().to_numpy()
    middle, width = (np.full(values.shape, np.nan) for _ in range(2))
    for number in np.unique(group):
        middle[group == number], width[group == number] = _shortest_half(values[group == number])
    away = np.abs(values - middle)
    near = np.where(away <= np.maximum(WINSOR * robust_sd(away), width), values, np.nan)
    return pd.DataFrame(near).groupby(group).transform("mean").to_numpy()


def _shortest_half(values: Floats) -> tuple[Floats, Floats]:
    """Middle and half width (N,) of the shortest interval that holds more than half of the known of values (R, N)."""
    ordered, count = np.sort(values, axis=0), np.isfinite(values).sum(axis=0)
    middle, width = (np.full(values.shape[1], np.nan) for _ in range(2))
    for n in np.unique(count[count > 0]):
        known = ordered[:n, count == n]
        low, high = known[: n - n // 2], known[n // 2 :]
        best = np.argmin(high - low, axis=0)[None]
        ends = np.array([np.take_along_axis(end, best, axis=0)[0] for end in (low, high)])
        middle[count == n], width[count == n] = ends.mean(axis=0), np.ptp(ends, axis=0) / 2
    return middle, width
