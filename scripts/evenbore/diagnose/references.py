"""The reference of an instrument: what the other instruments let one expect of each note.

A row's note is taken as

    value = mean of the condition + own deviation of the instrument + effect of the session's room + noise,

with variances learned by median absolute deviation from the rows. The reference is the best linear prediction
(Henderson 1975, Biometrics 31, 423) from the OTHER instruments only, those of the same session counting most; so a
note that the room weakens in every instrument of a session is part of the reference. Peers' notes far off their own
references count no further than WINSOR standard deviations.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from evenbore.diagnose.rows import (
    CONDITION,
    MAD_TO_SD,
    MIN_PEERS,
    condition_medians,
    members,
    robust_sd,
    row_median,
)

POOLED = 10.0  # instruments that the scatter over all notes counts for, at each note
WINSOR = 2.5  # standard deviations beyond which a peer's note counts no further
# ASSUME: a floor so that copies of one recording do not make every difference significant
SMALLEST_SD = 0.05


def deviations(keys: pd.DataFrame, values: np.ndarray) -> np.ndarray:
    """Deviations (I, N) of the instruments-in-a-state of `keys`, in their order, from the others.

    In standard deviations. `values` (R, N): any measure of the rows, NaN where not measured.
    """
    parts = Components.of(keys, values)
    covariance = parts.covariance(keys)
    first, sd, expected = _against_others(keys, values, values, covariance)
    tame = np.where(np.isfinite(first), expected + np.clip(first, -WINSOR * sd, WINSOR * sd), values)
    away, sd, _ = _against_others(keys, values, tame, covariance)
    owners = keys[["instrument", "state"]].drop_duplicates().itertuples(index=False, name=None)
    z = np.array([_pooled(away[own], sd[own], parts) for own in members(keys, owners)])
    return z / _scatter(z)


@dataclass(frozen=True)
class Components:
    """Variances of a row's note: the instrument's own deviation, the session's room, and noise."""

    own: float
    session: float
    noise: float

    @classmethod
    def of(cls, keys: pd.DataFrame, values: np.ndarray) -> "Components":
        """By median absolute deviation: between the rows of one session and condition; between pairs of rows of one
        instrument, in one session or in several."""
        together = [keys[column] for column in ("session", *CONDITION)]
        size = pd.Series(0, keys.index).groupby(together).transform("size").to_numpy()[:, None]
        away = values - pd.DataFrame(values).groupby(together).transform("median").to_numpy()
        away = np.where(size > MIN_PEERS, away * np.sqrt(size / np.maximum(size - 1, 1)), np.nan)
        values = values - condition_medians(keys, values)
        between = robust_sd(away if np.isfinite(away).any() else values) ** 2
        owner, session, condition = (
            keys.groupby(columns, sort=False).ngroup().to_numpy()
            for columns in (["instrument", "state"], ["session"], CONDITION)
        )
        i, j = np.nonzero((owner[:, None] == owner) & np.tri(len(keys), k=-1, dtype=bool))
        same_session, same_condition = session[i] == session[j], condition[i] == condition[j]
        noise, room = (
            robust_sd(values[i[chosen]] - values[j[chosen]]) ** 2 / 2
            for chosen in (same_session & ~same_condition, ~same_session & same_condition)
        )
        most = max(between, SMALLEST_SD**2)
        noise = min(max(np.nan_to_num(noise, nan=most / 2), SMALLEST_SD**2), 0.8 * most)
        # nothing recorded twice: a room as large as half of what instruments differ by
        room = max(room - noise, 0.0) if np.isfinite(room) else between / 2
        return cls(max(between - noise, SMALLEST_SD**2), room, noise)

    def covariance(self, keys: pd.DataFrame) -> np.ndarray:
        """(R, R) of the rows."""
        same = _same(keys[["instrument", "state"]]), _same(keys[["session"]])
        return self.own * same[0] + self.session * same[1] + self.noise * np.eye(len(keys))


def _scatter(z: np.ndarray) -> np.ndarray:
    """Robust standard deviation (N,) of z (I, N) at each note, drawn to that of all notes the more the fewer I."""
    inner = z - row_median(z)
    each = MAD_TO_SD * np.array([np.median(np.abs(c[np.isfinite(c)])) if np.isfinite(c).any() else 0 for c in inner.T])
    n = np.isfinite(inner).sum(axis=0)
    variance = (POOLED * robust_sd(inner) ** 2 + n * each**2) / (POOLED + n)
    return np.sqrt(np.maximum(variance, SMALLEST_SD**2))


def _pooled(away: np.ndarray, sd: np.ndarray, parts: Components) -> np.ndarray:
    """Mean over an instrument's rows, over its standard deviation, (N,)."""
    count = np.isfinite(away).sum(axis=0)
    total = np.where(count > 0, np.nansum(away, axis=0), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = np.nansum(sd**2, axis=0) / count  # of one row; only its noise averages out over rows
        pooled = variance - parts.noise + parts.noise / count
        return total / count / np.sqrt(np.maximum(pooled, SMALLEST_SD**2))


def _against_others(keys, values, peers, covariance):
    """Values (R, N) minus their prediction from the other instruments' `peers` values; its SD; the prediction."""
    away, sd, expected = (np.full(values.shape, np.nan) for _ in range(3))
    condition = keys.groupby(CONDITION, sort=False).ngroup().to_numpy()
    instrument = keys["instrument"].to_numpy()
    design = np.eye(condition.max() + 1)[condition]
    masks, which = np.unique(np.isfinite(values), axis=1, return_inverse=True)
    for m in range(masks.shape[1]):
        columns = np.flatnonzero(which.ravel() == m)
        for name in np.unique(instrument):
            own = np.flatnonzero(masks[:, m] & (instrument == name))
            rest = np.flatnonzero(masks[:, m] & (instrument != name))
            enough = [len(set(instrument[rest[condition[rest] == condition[r]]])) >= MIN_PEERS for r in own]
            own = own[np.array(enough, bool)] if len(own) else own
            if not len(own):
                continue
            used = design[rest].any(axis=0)
            x, x0 = design[rest][:, used], design[own][:, used]
            inverse = np.linalg.inv(covariance[np.ix_(rest, rest)])
            gram = np.linalg.inv(x.T @ inverse @ x)
            cross = covariance[np.ix_(own, rest)] @ inverse
            lift = x0 - cross @ x
            weights = cross + lift @ gram @ x.T @ inverse
            error = covariance[np.ix_(own, own)] - cross @ covariance[np.ix_(rest, own)] + lift @ gram @ lift.T
            predicted = weights @ peers[np.ix_(rest, columns)]
            expected[np.ix_(own, columns)] = predicted
            away[np.ix_(own, columns)] = values[np.ix_(own, columns)] - predicted
            sd[np.ix_(own, columns)] = np.sqrt(np.diag(error))[:, None]
    return away, sd, expected


def _same(columns: pd.DataFrame) -> np.ndarray:
    number = columns.groupby(list(columns.columns), sort=False).ngroup().to_numpy()
    return (number[:, None] == number[None, :]).astype(float)
