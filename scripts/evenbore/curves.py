"""Curves over the notes, as figures and report draw them: one instrument's profile and what its peers do.

Frames are rows of note_profiles with a column `written` (written note number); `value`, `low`, `high` in the unit
of the measure.
"""

import pandas as pd

from evenbore.results import Results
from evenbore.trade.pitch import note_to_midi

LEAST_PEERS = 3
BAND = {"low": 0.1, "middle": 0.5, "high": 0.9}


def profile(results: Results, measure: str) -> pd.DataFrame:
    """All instruments' rows of one measure at the base dynamic, sorted by `written`."""
    rows = results.compared("note_profiles")
    rows = rows[(rows["measure"] == measure) & (rows["dynamic"] == results.study.config["base_dynamic"])]
    return rows.assign(written=[note_to_midi(note) for note in rows["written_note"]]).sort_values("written")


def centred(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with value, low and high less the instrument's own median over its notes."""
    middle = rows.groupby("instrument")["value"].transform("median")
    return rows.assign(**{column: rows[column] - middle for column in ("value", "low", "high")})


def peers_band(rows: pd.DataFrame, instrument: str) -> pd.DataFrame:
    """low, middle, high (10 %, 50 %, 90 % of the other instruments of its group) by written note.

    Notes with fewer than LEAST_PEERS others are left out.
    """
    own_group = rows.loc[rows["instrument"] == instrument, "group"].iloc[0]
    others = rows[(rows["instrument"] != instrument) & (rows["group"] == own_group)]
    by_note = others.groupby("written")["value"]
    band = pd.DataFrame({name: by_note.quantile(share) for name, share in BAND.items()})
    return band[by_note.count() >= LEAST_PEERS]
