"""How dull each note sounds against the same note of the other instruments.

Three measures, each over its robust scatter between rows, make one score, positive = duller:

    score = -(level / s_level + brightness / s_brightness + log2 centroid / s_centroid) / sqrt(3)

A row's median over the notes is taken out: a softer or darker take as a whole is not a dull note.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from evenbore.diagnose.references import SMALLEST_SD, Components, deviations
from evenbore.diagnose.rows import (
    CONDITION,
    MEASURES,
    MIN_PEERS,
    Rows,
    condition_medians,
    members,
    robust_sd,
    row_median,
)


@dataclass(frozen=True)
class Dullness:
    """Deviations of I instruments-in-a-state from their references.

    `owners`: (instrument, state) each. `z` (I, N): deviation over its standard deviation between healthy peers,
    positive = duller, NaN where there is no reference; `pitch_z` and `noise_z` (I, N) the same of pitch, positive =
    sharper, and of noise, positive = noisier, after each row's median is taken out. `shift` (I,): score of the whole
    instrument (row medians) against the others; `shift_z` the same over the others' robust scatter. `peers`: number
    of other instruments. `session_z`: session -> (N,) common deviation of all its instruments over its standard error,
    NaN unless all of them are duller.
    """

    owners: list[tuple[str, str]]
    z: np.ndarray
    pitch_z: np.ndarray
    noise_z: np.ndarray
    shift: np.ndarray
    shift_z: np.ndarray
    peers: int
    session_z: dict[str, np.ndarray]


def score(rows: Rows) -> tuple[np.ndarray, np.ndarray]:
    """Dullness scores (R, N) of rows with each row's median taken out, and those medians (R,)."""
    total = np.zeros(rows.value["level"].shape)
    for name in MEASURES:
        away = rows.value[name] - condition_medians(rows.keys, rows.value[name])
        inner = away - row_median(away)
        total -= away / max(robust_sd(inner), SMALLEST_SD) / np.sqrt(len(MEASURES))
    middle = row_median(total)
    return total - middle, middle[:, 0]


def dullness(rows: Rows) -> Dullness | None:
    """Compare every instrument with the others; None when there are fewer than MIN_PEERS others."""
    keys = rows.keys
    if keys["instrument"].nunique() <= MIN_PEERS:
        return None
    values, middle = score(rows)
    owners = list(keys[["instrument", "state"]].drop_duplicates().itertuples(index=False, name=None))
    shift, shift_z = _whole_shift(keys, middle, owners)
    parts = Components.of(keys, values)
    return Dullness(
        owners=owners,
        z=deviations(keys, values),
        pitch_z=deviations(keys, rows.value["cents"] - row_median(rows.value["cents"])),
        noise_z=deviations(keys, rows.value["noise"] - row_median(rows.value["noise"])),
        shift=shift,
        shift_z=shift_z,
        peers=keys["instrument"].nunique() - 1,
        session_z=_session_effects(keys, values, parts),
    )


def _whole_shift(keys, middle, owners):
    """Median over an owner's rows of the row medians; the same over the other instruments' robust scatter."""
    middle = middle - pd.Series(middle).groupby([keys[c] for c in CONDITION]).transform("median").to_numpy()
    shift = np.array([np.median(middle[own]) for own in members(keys, owners)])
    names = np.array([name for name, _ in owners])
    z = np.full(len(owners), np.nan)
    for i, name in enumerate(names):
        others = shift[names != name]
        spread = robust_sd(others - np.median(others))
        # few others: their scatter is itself uncertain, as Student's t knows
        widen = np.sqrt((len(others) + 1) / max(len(others) - 2, 1))
        z[i] = (shift[i] - np.median(others)) / max(spread * widen, SMALLEST_SD)
    return shift, z


def _session_effects(keys, values, parts: Components) -> dict[str, np.ndarray]:
    """Session -> (N,) common deviation from the other sessions over its standard error.

    NaN unless all of at least MIN_PEERS instruments of the session lie above every other session's median.
    """
    effects = {}
    for session in keys["session"].unique():
        here = (keys["session"] == session).to_numpy()
        inside = _instrument_means(keys[here], values[here])
        outside = _instrument_means(keys[~here], values[~here])
        if len(inside) < MIN_PEERS or len(outside) < MIN_PEERS:
            continue
        away = inside - outside.median()
        error = np.sqrt((parts.own + parts.noise) * (1 / len(inside) + 1 / len(outside)) + parts.session)
        common = (away > 0).all()
        effects[session] = np.where(common, away.median() / error, np.nan)
    return effects


def _instrument_means(keys: pd.DataFrame, values: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(values).groupby(keys["instrument"].to_numpy()).mean()
