"""What a room adds to single notes of a session, seen on instruments that were recorded in several sessions.

Resonances of a room make single notes louder or duller in every recording of a session. Of a note's measure, or of the
level of one of its harmonics, each take's own offset taken out and averaged over takes played alike,

    mean = own(instrument, note) + room(session, note) + odd(instrument, session, note) + scatter / sqrt(takes)

`own` is fixed, so that a fault of an instrument never passes for the room; `room` and `odd`, what the room does to one
instrument alone, are random. Their variances follow from two moments: that of an instrument's deviations between its
sessions, and that of these with what the *other* instruments of the sessions show, which holds the room alone. The room
is then the best linear unbiased prediction (Henderson 1975, Biometrics 31, 423) and is taken out. Measures in dB only.

Band profiles need the harmonics without the room; the measures of notes are corrected by themselves, because the sum of
a note's harmonics is seen more surely than each of them. Levels dB; arrays over rows R of the table of notes, takes T,
cells C (an instrument's takes played alike in one session), sessions S, tones N (notes, or their harmonics).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Bools, Floats, Floats32, Ints
from evenbore.statistics.grouped import grouped_means, row_groups

if TYPE_CHECKING:
    from pandas.api.typing import DataFrameGroupBy

ROOM_MEASURES = ("level_dbfs", "level_dba", "level_lufs", "tilt_db_per_octave", "odd_even_db", "fundamental_db",
                 "high_band_db", "brightness_db")  # fmt: skip
ALIKE = ["instrument", "state", "dynamic", "articulation", "direction"]
# ASSUME: own choice, no source.
LEAST_ROOM_NOTES = 8  # fewer do not tell a variance


@dataclass(frozen=True)
class RoomCells:
    """Means over takes of one comparability group's cells, for one measure.

    `alike`, `instrument`, `session` (C,): numbers of the takes played alike, of the instrument in its state, and of the
    session. `mean`, `takes` (C, N): NaN and 0 where a tone is missing. `scatter`: variance of a take about its cell's
    mean.
    """

    alike: Ints
    instrument: Ints
    session: Ints
    mean: Floats
    takes: Floats
    scatter: float


def without_rooms(notes: pd.DataFrame) -> pd.DataFrame:
    """`notes` less what the rooms add to the ROOM_MEASURES, and for each of these the columns `room_error(measure)`:
    the standard deviation (dB) of what is left of the room in the row's value, NaN where no instrument shows the room;
    and `common_error(measure)`: that of the part of it which is the same in all sessions."""
    values = notes[list(ROOM_MEASURES)].to_numpy(float)
    errors, same = np.full((2, *values.shape), np.nan)
    for rows, grid in _linked_groups(notes):
        for m in range(len(ROOM_MEASURES)):
            takes = grid.takes(values[rows, m])
            room, left, common = rooms(grid.cells(takes, grid.offsets(takes)))
            values[rows, m] -= room[grid.cell, grid.note]
            errors[rows, m] = np.sqrt(left[grid.cell, grid.note])
            same[rows, m] = np.sqrt(common[grid.cell, grid.note])
    names = [name(measure) for name in (str, room_error, common_error) for measure in ROOM_MEASURES]
    return notes.assign(**dict(zip(names, np.hstack([values, errors, same]).T, strict=True)))


def room_error(measure: str) -> str:
    """Name of the column that tells what is left of the room."""
    return f"{measure}_room_error"


def common_error(measure: str) -> str:
    """Name of the column that tells how much of that is the same in all sessions."""
    return f"{measure}_room_common"


def variance_of_means(variance: pd.DataFrame, keys: list[pd.Series], session: pd.Series) -> pd.DataFrame:
    """Of the means over the rows of equal `keys`, from the variance that all rows of a session have in common."""
    of_session = variance.groupby([*keys, session], sort=False)
    size, names = of_session.size(), [key.name for key in keys]
    share = size / size.groupby(level=names).transform("sum")
    return of_session.mean().mul(share**2, axis=0).groupby(level=names, sort=False).sum()


def repeat_variance(repeats: "DataFrameGroupBy[Any, Any]", values: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Variance of each column of the takes' `values`, pooled over their `repeats`, NaN without any; and its degrees of
    freedom."""
    freedom = (repeats.count() - 1).clip(lower=0).sum()
    return ((values - repeats.transform("mean")) ** 2).sum() / freedom.where(freedom > 0), freedom


def harmonic_rooms(notes: pd.DataFrame, frequency_hz: Floats32, level_db: Floats32) -> tuple[Floats32, Floats32]:
    """What the rooms add to the harmonics (R, H) of `notes`, and the variance of what is left of it; 0 where no
    instrument shows the room. Variances are those of an octave."""
    room, left = np.zeros((2, *level_db.shape), np.float32)
    for rows, grid in _linked_groups(notes):
        takes = np.empty((*grid.shape, level_db.shape[1]), np.float32)
        for h in range(takes.shape[2]):
            takes[:, :, h] = grid.takes(level_db[rows, h])
        offsets = grid.offsets(takes.reshape(len(takes), -1))
        tones = np.full(takes.shape[1:], np.nan)
        tones[grid.note] = frequency_hz[rows]
        tones = np.floor(np.log2(tones / 1000.0))  # the octave that a harmonic lies in
        for band in np.unique(tones[np.isfinite(tones)]):
            note, harmonic = np.nonzero(tones == band)
            if note.size < LEAST_ROOM_NOTES:
                continue
            added, variance, _ = rooms(grid.cells(takes[:, note, harmonic].astype(float), offsets))
            for h in np.unique(harmonic):
                here = harmonic == h
                place = np.full(len(tones), -1)
                place[note[here]] = np.flatnonzero(here)
                used = place[grid.note] >= 0
                cell, tone = grid.cell[used], place[grid.note[used]]
                room[rows[used], h], left[rows[used], h] = added[cell, tone], variance[cell, tone]
    return room, left


def _linked_groups(notes: pd.DataFrame) -> Iterator[tuple[Ints, "_Grid"]]:
    """Rows and grid of every comparability group with an instrument in several sessions and enough notes."""
    for rows in row_groups(notes.groupby("group")):
        part = notes.iloc[rows]
        linking = part.groupby(["instrument", "state"])["session"].transform("nunique") > 1
        if part.loc[linking, "midi"].nunique() >= LEAST_ROOM_NOTES:
            yield rows, _Grid(part)


class _Grid:
    """Where each row of a group's notes belongs: `take`, `cell` and `note` (R,)."""

    def __init__(self, notes: pd.DataFrame):
        names, first, self.take = np.unique(notes["recording"].to_numpy(str), return_index=True, return_inverse=True)
        self.note = np.unique(notes["midi"].to_numpy(), return_inverse=True)[1]
        self.shape = len(names), self.note.max() + 1
        takes = notes.iloc[first]
        self.cell_of_take = takes.groupby([*ALIKE, "session"]).ngroup().to_numpy()
        self.cell = self.cell_of_take[self.take]
        cells = takes.iloc[np.unique(self.cell_of_take, return_index=True)[1]]
        self.alike = cells.groupby(ALIKE).ngroup().to_numpy()
        self.instrument = cells.groupby(["instrument", "state"]).ngroup().to_numpy()
        self.session = cells.groupby("session").ngroup().to_numpy()

    def takes(self, values: Floats | Floats32) -> Floats:
        """Values (R,) as takes by notes; a note played twice in a take by its mean."""
        size = self.shape[0] * self.shape[1]
        return grouped_means(values, self.take * self.shape[1] + self.note, size)[0].reshape(self.shape)

    def offsets(self, takes: Floats | Floats32) -> Floats:
        """Each take's (T, 1) median distance from the mean of those played alike; 0 where nothing is known."""
        alike, away = self.alike[self.cell_of_take], takes.copy()
        for column in away.T:  # one by one, for harmonics of many takes are large
            column -= grouped_means(column, alike, alike.max() + 1)[0][alike]
        away[~np.isfinite(takes).any(axis=1)] = 0.0
        return np.nanmedian(away, axis=1, keepdims=True)

    def cells(self, takes: Floats, offsets: Floats) -> RoomCells:
        """The cells of takes (T, N), each less its offset (T, 1)."""
        takes = takes - offsets
        mean, count = grouped_means(takes, self.cell_of_take, len(self.alike))
        squares = np.nansum((takes - mean[self.cell_of_take]) ** 2)
        # a repeat's own offset costs it one of its notes
        repeats = np.clip(count - 1, 0, None).sum()
        freedom = repeats * (1 - 1 / takes.shape[1])
        scatter = squares / freedom if freedom else np.nan
        return RoomCells(self.alike, self.instrument, self.session, mean, count, scatter)


def rooms(cells: RoomCells) -> tuple[Floats, Floats, Floats]:
    """What the room adds (C, N) in each cell's session, the variance (C, N) of what is left of it in the cell, and the
    part (C, N) of that which the other sessions share: no instrument shows what all rooms have in common."""
    linking = np.array([np.unique(cells.session[cells.alike == row]).size > 1 for row in cells.alike])
    common, odd = variances(cells, linking)
    room = np.zeros(cells.mean.shape)
    left, same = np.full(cells.mean.shape, common + odd), np.zeros(cells.mean.shape)
    if not common > 0:
        return room, left, same
    linked_cells = np.flatnonzero(linking)
    counts = cells.takes[linked_cells]
    sessions = np.arange(cells.session.max() + 1)
    in_session = (cells.session[linked_cells][:, None] == sessions).astype(float)
    # takes of one instrument played in several ways share what is odd about it: together they count once
    ways = np.array([np.unique(cells.alike[cells.instrument == i]).size for i in cells.instrument[linked_cells]])
    patterns, which = np.unique(counts, axis=1, return_inverse=True)
    for number, pattern in enumerate(patterns.T):
        notes = np.flatnonzero(which.ravel() == number)
        heard = pattern > 0
        kept = linked_cells[heard]
        noise = np.maximum(ways[heard] * odd + cells.scatter / pattern[heard], 1e-9)
        weights, error = _prediction(cells.alike[kept], in_session[heard], noise, common)
        predicted = weights @ cells.mean[np.ix_(kept, notes)]
        room[:, notes] = predicted[cells.session]
        left[:, notes] = (np.diag(error)[cells.session] + odd)[:, None]
        # with the other sessions
        mean = (error.sum(axis=1) - np.diag(error)) / max(len(error) - 1, 1)
        same[:, notes] = mean[cells.session][:, None]
        # the instruments that show the room have their own scatter in what is taken out of them
        shared = weights[cells.session[kept], np.arange(kept.size)] * noise
        left[np.ix_(kept, notes)] -= 2 * shared[:, None]
    left = np.maximum(left, 0.0)
    return room, left, np.clip(same, 0.0, left)


def _prediction(alike: Ints, in_session: Floats, noise: Floats, common: float) -> tuple[Floats, Floats]:
    """Weights (S, C) of the cells' means in the predictions of the rooms, and the covariance (S, S) of their errors."""
    played = (alike[:, None] == np.unique(alike)).astype(float)
    weighted = played / noise[:, None]
    within = np.diag(1 / noise) - weighted @ np.diag(1 / (played.T @ weighted).diagonal()) @ weighted.T
    error = np.linalg.inv(in_session.T @ within @ in_session + np.eye(in_session.shape[1]) / common)
    return error @ in_session.T @ within, error


def variances(cells: RoomCells, linking: Bools) -> tuple[float, float]:
    """Variances of the room, the same for all instruments, and of what it does to one alone; method of moments.

    Within what was played alike in several sessions, deviations from its mean over the sessions have the variance of
    room, odd and scatter; their products with the mean of the session's other instruments have the room's alone.
    """
    if not np.isfinite(cells.scatter):
        return 0.0, 0.0
    total = weight = product = product_weight = 0.0
    others_told = False
    for row in np.unique(cells.alike[linking]):
        alike_cells = np.flatnonzero(cells.alike == row)
        size = alike_cells.size
        heard = np.isfinite(cells.mean[alike_cells]).all(axis=0)
        away = cells.mean[np.ix_(alike_cells, heard)]
        away = away - away.mean(axis=0)
        freedom = (1 - 1 / size) * heard.sum()
        scatter = (cells.scatter / cells.takes[np.ix_(alike_cells, heard)]).sum()
        total += (away**2).sum() - (1 - 1 / size) * scatter
        weight += freedom * size
        others = [_others(cells, cell) for cell in alike_cells.tolist()]
        if all(other.size for other in others):
            seen = [grouped_means(cells.mean[other][:, heard], np.zeros(other.size, int), 1)[0][0] for other in others]
            known = np.isfinite(seen).all(axis=0)
            product += (away * np.array(seen))[:, known].sum()
            product_weight += (1 - 1 / size) * size * known.sum()
            others_told = True
    both = max(total / weight, 0.0) if weight else 0.0
    if not others_told or not product_weight:
        return both, 0.0
    common = float(np.clip(product / product_weight, 0.0, both))
    return common, both - common


def _others(cells: RoomCells, cell: int) -> Ints:
    """Cells of other instruments in the session of `cell`."""
    return np.flatnonzero((cells.session == cells.session[cell]) & (cells.instrument != cells.instrument[cell]))
