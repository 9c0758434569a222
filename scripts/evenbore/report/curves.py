"""Curves over the notes, as figures and report draw them: one instrument's profile and what its peers do.

Frames are rows of note_profiles with a column `written` (written note number); `value`, `low`, `high` in the unit
of the measure.
"""

import numpy as np
import pandas as pd

from evenbore.compare.pairs import in_state
from evenbore.report.results import Results
from evenbore.trade.pitch import note_to_midi

CURVE_COLUMNS = ["instrument", "group", "written_note", "register", "value", "low", "high"]
LEAST_PEERS = 3
BAND = {"low": 0.1, "middle": 0.5, "high": 0.9}


def profile(results: Results, measure: str) -> pd.DataFrame:
    """All instruments' rows of one measure at the base dynamic: CURVE_COLUMNS and `written`, sorted by that."""
    rows = results.tables["note_profiles"]
    wanted = (rows["measure"] == measure) & (rows["dynamic"] == results.study.config["base_dynamic"])
    rows = in_state(rows[wanted], results.states)[CURVE_COLUMNS]
    written = {note: note_to_midi(note) for note in rows["written_note"].unique()}
    return rows.assign(written=rows["written_note"].map(written).astype(int)).sort_values("written")


def centred(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with value, low and high less the instrument's own median over its notes."""
    middle = rows.groupby("instrument")["value"].transform("median")
    return rows.assign(**{column: rows[column] - middle for column in ("value", "low", "high")})


class Curves:
    """The curves of one measure. `rows`: all (from `profile`); `values`, `ends`: the lowest and highest of the values,
    and of the values and their intervals."""

    def __init__(self, rows: pd.DataFrame):
        self.rows = rows
        self._places = rows.groupby("instrument").indices
        self.values = rows["value"].min(), rows["value"].max()
        self.ends = rows[["value", "low"]].min().min(), rows[["value", "high"]].max().max()
        known = rows.dropna(subset="value")
        # (notes, instruments) of each group, every note's values in rising order, NaN last
        self._values = {group: part.pivot(index="written", columns="instrument", values="value")
                        for group, part in known.groupby("group")}  # fmt: skip
        self._rising = {group: np.sort(table.to_numpy(float), axis=1) for group, table in self._values.items()}

    def of(self, instrument: str) -> pd.DataFrame:
        """The rows of one instrument."""
        return self.rows.iloc[self._places.get(instrument, [])]

    def peers_band(self, instrument: str) -> pd.DataFrame:
        """low, middle, high (10 %, 50 %, 90 % of the other instruments of its group) by written note.

        Notes with fewer than LEAST_PEERS others are left out.
        """
        group = self.of(instrument)["group"].iloc[0]
        if group not in self._values:
            return pd.DataFrame(columns=list(BAND), dtype=float)
        table, rising = self._values[group], self._rising[group]
        own = table.get(instrument, pd.Series(np.nan, table.index)).to_numpy(float)[:, None]
        place = np.where(np.isnan(own), rising.shape[1], (rising < own).sum(axis=1, keepdims=True))
        last = np.isfinite(rising).sum(axis=1, keepdims=True) - np.isfinite(own) - 1  # of the others
        enough = (last >= LEAST_PEERS - 1).ravel()
        rows, place, last = rising[enough], place[enough], last[enough]

        def others(k: np.ndarray) -> np.ndarray:
            return np.take_along_axis(rows, k + (k >= place), axis=1)  # past the instrument itself

        band = {}
        for name, share in BAND.items():
            below = np.floor(share * last).astype(int)
            low, high = others(below), others(np.minimum(below + 1, last))
            band[name] = (low + (high - low) * (share * last - below)).ravel()
        return pd.DataFrame(band, index=table.index[enough])
