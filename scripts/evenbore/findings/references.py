"""The reference of an instrument: what the other instruments let one expect of each note.

A row's note is taken as

    value = mean of the condition + own deviation of the instrument + effect of the session's room + noise,

with variances learned by median absolute deviation from the rows. The reference is the best linear prediction
(Henderson 1975, Biometrics 31, 423) from the OTHER instruments only, those of the same session counting most; so a
note that the room weakens in every instrument of a session is part of the reference. Peers' notes farther than WINSOR
standard deviations from what most instruments agree on, note by note, count as that.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.findings.rows import (
    CONDITION,
    MAD_TO_SD,
    MIN_PEERS,
    WINSOR,
    condition_middles,
    members,
    robust_sd,
    row_median,
)

OF_SESSION = ("session", *CONDITION)
# ASSUME: set by trial and judgement on the development studies that docs/findings.md tells of; no source.
APART = 4.0  # standard deviations that one row of an instrument counts for more or less than another at most
POOLED = 10.0  # instruments that the scatter over all notes counts for, at each note; or what is usual, of wholes
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
    middle, alone = _agreed(keys, values)
    far = np.abs(values - middle) > WINSOR * np.sqrt(parts.own + parts.noise + parts.session * alone)
    away, sd = _against_others(keys, values, np.where(far, middle, values), parts)
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
        middle, alone = _agreed(keys, values)
        size = pd.Series(0, keys.index).groupby([keys[column] for column in OF_SESSION]).transform("size").to_numpy()
        away = np.where(alone, np.nan, (values - middle) * np.sqrt(size / np.maximum(size - 1, 1))[:, None])
        values = values - condition_middles(keys, values)
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


def _agreed(keys: pd.DataFrame, values: Floats) -> tuple[Floats, Bools]:
    """What most rows agree on at each note, (R, N): of those of the same session where it has more than MIN_PEERS; and
    whether it has not, (R, 1)."""
    size = pd.Series(0, keys.index).groupby([keys[column] for column in OF_SESSION]).transform("size").to_numpy()
    alone = (size <= MIN_PEERS)[:, None]
    return np.where(alone, condition_middles(keys, values), condition_middles(keys, values, OF_SESSION)), alone


def _scatter(z: Floats) -> Floats:
    """Robust standard deviation (N,) of z (I, N) at each note, drawn to that of all notes the more the fewer I.

    Of the side below the middle, on which what is looked for does not lie: dull, sharp and noisy notes lie above it.
    """
    inner = z - row_median(z)
    below = np.where(inner < 0, -inner, np.nan)
    n = np.isfinite(below).sum(axis=0)
    each = MAD_TO_SD * pd.DataFrame(below).median().fillna(0.0).to_numpy()
    variance = (POOLED * robust_sd(below) ** 2 + n * each**2) / (POOLED + n)
    sd: Floats = np.sqrt(np.maximum(variance, SMALLEST_SD**2))
    return sd


def _pooled(away: Floats, sd: Floats, parts: Components) -> tuple[Floats, Floats]:
    """Mean (N,) over an instrument's rows, and its standard deviation."""
    count = np.isfinite(away).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = np.nansum(sd**2, axis=0) / count  # of one row; only its noise averages out over rows
        pooled = np.sqrt(np.maximum(variance - parts.noise + parts.noise / count, SMALLEST_SD**2))
    return shared(away, pooled), pooled


def shared(away: Floats, sd: Floats) -> Floats:
    """Mean (..., N) of what rows (..., R, N) show of an instrument, NaN where none does: none counts as farther than
    APART `sd` from the least far off. Near the softest breath that a note speaks at, little makes much of a difference.
    """
    known = np.isfinite(away)
    nearest = np.argmin(np.where(known, np.abs(away), np.inf), axis=-2)[..., None, :]
    least, reach = np.take_along_axis(away, nearest, axis=-2), APART * np.expand_dims(sd, -2)
    count = known.sum(axis=-2)
    total = np.nansum(np.clip(away, least - reach, least + reach), axis=-2)
    mean: Floats = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean


def _against_others(keys: pd.DataFrame, values: Floats, peers: Floats, parts: Components) -> tuple[Floats, Floats]:
    """Values (R, N) minus their prediction from the other instruments' `peers` values; its SD."""
    away, sd = (np.full(values.shape, np.nan) for _ in range(2))
    whole = Codes.of(keys)
    masks, which = np.unique(np.isfinite(values), axis=1, return_inverse=True)
    for m in np.flatnonzero(masks.any(axis=0)):
        rows, columns = np.flatnonzero(masks[:, m]), np.flatnonzero(which.ravel() == m)
        codes = Codes(*(column[rows] for column in whole))
        pairs = np.unique(np.column_stack([codes.condition, codes.instrument]), axis=0)
        # a reference needs MIN_PEERS others beside the instrument itself
        told = np.bincount(pairs[:, 0])[codes.condition] > MIN_PEERS
        left, variance = _left_out(codes, peers[np.ix_(rows, columns)], parts)
        place = np.ix_(rows[told], columns)
        away[place] = values[place] - peers[place] + left[told]
        sd[place] = np.sqrt(variance[told])[:, None]
    return away, sd


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


def _left_out(codes: Codes, values: Floats, parts: Components) -> tuple[Floats, Floats]:
    """How far rows lie from the prediction by all other instruments, (R, N), and that error's variance (R,).

    `values` (R, N), all known. With P the inverse covariance C⁻¹ less what the conditions' means take of it, rows b lie
    (P_bb)⁻¹ (P y)_b from their prediction by the other rows, with the covariance (P_bb)⁻¹ (Dubrule 1983, Math. Geol.
    15, 687, from memory): one inverse serves all instruments. C is diagonal but for what the rows of an owner and of a
    session share, so the inverse has the size of these alone (Woodbury).
    """
    owners, sessions = _indicator(codes.owner), _indicator(codes.session)
    size = np.sqrt([parts.own, parts.session])
    shared = sparse.csr_array(sparse.hstack([size[0] * owners, size[1] * sessions]))
    inner = np.linalg.inv(parts.noise * np.eye(shared.shape[1]) + (shared.T @ shared).toarray())

    def over_covariance(v: Floats) -> Floats:
        solved: Floats = (v - shared @ (inner @ (shared.T @ v))) / parts.noise
        return solved

    means = _indicator(codes.condition).toarray()
    conditions = over_covariance(means)
    gram = np.linalg.inv(means.T @ conditions)
    weighted = over_covariance(values) - conditions @ (gram @ (conditions.T @ values))
    left, variance = np.empty(values.shape), np.empty(len(values))
    number = pd.factorize(codes.instrument)[0]
    order, count = np.argsort(number, kind="stable"), np.bincount(number)
    for n in np.unique(count):  # all instruments of as many rows at once
        rows = order[np.repeat(count == n, count)].reshape(-1, n)
        used = np.stack([owners.indices[rows], owners.shape[1] + sessions.indices[rows]], axis=2)
        part = inner[used[:, :, None, :, None], used[:, None, :, None, :]]
        inverse = (np.eye(n) - np.einsum("gijab,a,b->gij", part, size, size)) / parts.noise
        taken = conditions[rows] @ gram @ conditions[rows].swapaxes(1, 2)
        # singular where nobody else has a condition: what cannot be predicted there touches no other row
        error = np.linalg.pinv(inverse - taken, rcond=1e-10, hermitian=True)
        left[rows], variance[rows] = error @ weighted[rows], np.diagonal(error, axis1=1, axis2=2)
    return left, variance


def _indicator(codes: Ints) -> sparse.csr_array:
    """(R, groups): 1 where a row belongs to a group of equal `codes` (R,)."""
    number = pd.factorize(codes)[0]
    return sparse.csr_array((np.ones(len(number)), number, np.arange(len(number) + 1)))
