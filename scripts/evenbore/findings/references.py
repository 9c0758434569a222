"""The reference of an instrument: what the other instruments let one expect of each note.

A row's note is taken as

    value = mean of the condition + own deviation of the instrument + effect of the session's room + noise,

with variances learned by median absolute deviation from the rows. The reference is the best linear prediction
(Henderson 1975, Biometrics 31, 423) from the OTHER instruments only, those of the same session counting most; so a
note that the room weakens in every instrument of a session is part of the reference. Peers' notes far off their own
references count no further than WINSOR standard deviations.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from evenbore.facts.arrays import Floats, Ints
from evenbore.findings.rows import CONDITION, MAD_TO_SD, MIN_PEERS, condition_medians, members, robust_sd, row_median

# ASSUME: set by trial and judgement on the development studies that docs/findings.md tells of; no source.
POOLED = 10.0  # instruments that the scatter over all notes counts for, at each note; or what is usual, of wholes
WINSOR = 2.5  # standard deviations beyond which a peer's note counts no further
# ASSUME: a floor so that copies of one recording do not make every difference significant
SMALLEST_SD = 0.05


class Deviations(NamedTuple):
    """Deviations from the others in standard deviations: `z` (I, N) of the instruments-in-a-state, `rows` (R, N) of
    their rows; `unit` (I, N): one standard deviation in the unit of the values."""

    z: Floats
    rows: Floats
    unit: Floats


def deviations(keys: pd.DataFrame, values: Floats) -> Deviations:
    """Of the instruments-in-a-state of `keys`, in their order. `values` (R, N): any measure of the rows, NaN where not
    measured."""
    away, sd, rows = _of_owners(keys, values, Components.of(keys, values))
    unit = sd * _scatter(away / sd)
    owner = keys.groupby(["instrument", "state"], sort=False).ngroup().to_numpy()
    return Deviations(away / unit, rows / unit[owner], unit)


def whole_deviations(keys: pd.DataFrame, values: Floats, usual_sd: float) -> tuple[Floats, Floats, float]:
    """Deviations (I,) of the instruments-in-a-state from the others in one value a row, `values` (R,), their standard
    deviations (I,) and the degrees of freedom of these.

    How far healthy instruments lie apart, few of them hardly tell: `usual_sd` counts for POOLED instruments beside them
    (scaled inverse chi-square prior: Box & Tiao 1973, Bayesian Inference in Statistical Analysis, ch. 2).
    """
    parts, peers = Components.of(keys, values[:, None]), keys["instrument"].nunique() - 1
    own = (POOLED * usual_sd**2 + peers * parts.own) / (POOLED + peers)
    away, sd, _ = _of_owners(keys, values[:, None], replace(parts, own=own))
    return away[:, 0], sd[:, 0], POOLED + peers


def _of_owners(keys: pd.DataFrame, values: Floats, parts: "Components") -> tuple[Floats, Floats, Floats]:
    """Deviations (I, N) of the instruments-in-a-state from the others, their standard deviations, and the deviations
    (R, N) of the rows."""
    first, sd, expected = _against_others(keys, values, values, parts)
    tame = np.where(np.isfinite(first), expected + np.clip(first, -WINSOR * sd, WINSOR * sd), values)
    away, sd, _ = _against_others(keys, values, tame, parts)
    owners = keys[["instrument", "state"]].drop_duplicates().itertuples(index=False, name=None)
    pooled = [_pooled(away[owner_rows], sd[owner_rows], parts) for owner_rows in members(keys, owners)]
    means, sds = (np.array(part) for part in zip(*pooled, strict=True))
    return means, sds, away


@dataclass(frozen=True)
class Components:
    """Variances of a row's note: the instrument's own deviation, the session's room, and noise."""

    own: float
    session: float
    noise: float

    @classmethod
    def of(cls, keys: pd.DataFrame, values: Floats) -> "Components":
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


def _scatter(z: Floats) -> Floats:
    """Robust standard deviation (N,) of z (I, N) at each note, drawn to that of all notes the more the fewer I."""
    inner = z - row_median(z)
    each = MAD_TO_SD * np.array([np.median(np.abs(c[np.isfinite(c)])) if np.isfinite(c).any() else 0 for c in inner.T])
    n = np.isfinite(inner).sum(axis=0)
    variance = (POOLED * robust_sd(inner) ** 2 + n * each**2) / (POOLED + n)
    sd: Floats = np.sqrt(np.maximum(variance, SMALLEST_SD**2))
    return sd


def _pooled(away: Floats, sd: Floats, parts: Components) -> tuple[Floats, Floats]:
    """Mean (N,) over an instrument's rows, and its standard deviation."""
    count = np.isfinite(away).sum(axis=0)
    total = np.where(count > 0, np.nansum(away, axis=0), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = np.nansum(sd**2, axis=0) / count  # of one row; only its noise averages out over rows
        pooled = variance - parts.noise + parts.noise / count
        return total / count, np.sqrt(np.maximum(pooled, SMALLEST_SD**2))


def _against_others(
    keys: pd.DataFrame, values: Floats, peers: Floats, parts: Components
) -> tuple[Floats, Floats, Floats]:
    """Values (R, N) minus their prediction from the other instruments' `peers` values; its SD; the prediction."""
    away, sd, expected = (np.full(values.shape, np.nan) for _ in range(3))
    whole = Codes.of(keys)
    masks, which = np.unique(np.isfinite(values), axis=1, return_inverse=True)
    for m in np.flatnonzero(masks.any(axis=0)):
        rows, columns = np.flatnonzero(masks[:, m]), np.flatnonzero(which.ravel() == m)
        codes = Codes(*(column[rows] for column in whole))
        pairs = np.unique(np.column_stack([codes.condition, codes.instrument]), axis=0)
        # a reference needs MIN_PEERS others beside the instrument itself
        told = np.bincount(pairs[:, 0])[codes.condition] > MIN_PEERS
        for instrument_rows, left, error in _left_out(codes, peers[np.ix_(rows, columns)], parts):
            keep = told[instrument_rows]
            place = np.ix_(rows[instrument_rows][keep], columns)
            expected[place] = peers[place] - left[keep]
            away[place] = values[place] - expected[place]
            sd[place] = np.sqrt(np.diag(error)[keep])[:, None]
    return away, sd, expected


class Codes(NamedTuple):
    """What rows share, as numbers (R,) from zero on."""

    instrument: Ints
    owner: Ints
    session: Ints
    condition: Ints

    @classmethod
    def of(cls, keys: pd.DataFrame) -> "Codes":
        """Of the rows of `keys`."""
        columns = (["instrument"], ["instrument", "state"], ["session"], CONDITION)
        return cls(*(keys.groupby(of_each, sort=False).ngroup().to_numpy() for of_each in columns))


def _left_out(codes: Codes, values: Floats, parts: Components) -> Iterator[tuple[Ints, Floats, Floats]]:
    """For each instrument its rows, how far they lie from the prediction by all others, and that error's covariance.

    `values` (R, N), all known. With P the inverse covariance C⁻¹ less what the conditions' means take of it, rows b lie
    (P_bb)⁻¹ (P y)_b from their prediction by the other rows, with the covariance (P_bb)⁻¹ (Dubrule 1983, Math. Geol.
    15, 687, from memory): one inverse serves all instruments. C is diagonal but for what the rows of an owner and of a
    session share, so the inverse has the size of these alone (Woodbury).
    """
    owners, sessions = _indicator(codes.owner), _indicator(codes.session)
    shared = sparse.csr_array(sparse.hstack([np.sqrt(parts.own) * owners, np.sqrt(parts.session) * sessions]))
    inner = np.linalg.inv(parts.noise * np.eye(shared.shape[1]) + (shared.T @ shared).toarray())

    def over_covariance(v: Floats) -> Floats:
        solved: Floats = (v - shared @ (inner @ (shared.T @ v))) / parts.noise
        return solved

    means = _indicator(codes.condition).toarray()
    conditions = over_covariance(means)
    gram = np.linalg.inv(means.T @ conditions)
    weighted = over_covariance(values) - conditions @ (gram @ (conditions.T @ values))
    for number in np.unique(codes.instrument):
        rows = np.flatnonzero(codes.instrument == number)
        part = shared[rows].toarray()
        used = part.any(axis=0)
        part = part[:, used]
        inverse = (np.eye(rows.size) - part @ inner[np.ix_(used, used)] @ part.T) / parts.noise
        # singular where nobody else has a condition: what cannot be predicted there touches no other row
        error = np.linalg.pinv(inverse - conditions[rows] @ gram @ conditions[rows].T, rcond=1e-10, hermitian=True)
        yield rows, error @ weighted[rows], error


def _indicator(codes: Ints) -> sparse.csr_array:
    """(R, groups): 1 where a row belongs to a group of equal `codes` (R,)."""
    number = pd.factorize(codes)[0]
    return sparse.csr_array((np.ones(len(number)), number, np.arange(len(number) + 1)))
