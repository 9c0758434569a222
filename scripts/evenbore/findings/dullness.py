"""How dull each note sounds against the same note of the other instruments.

Loudness and the energy around 1, 2 and 4 kHz (see `octaves`) make one score, positive = duller: the weighted sum that
tells LOSS_DB best from healthy scatter (Fisher 1936, Annals of Eugenics 7, 179), no weight negative, so that a louder
or brighter note never counts as a stuffy one. Scatter and correlation of the measures are learned from all rows and
notes, robustly. A row's median over the notes is taken out: a softer or darker take as a whole is not a dull note.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from evenbore.facts.arrays import Floats, Ints
from evenbore.findings.references import SMALLEST_SD, Components, deviations
from evenbore.findings.rows import (
    CONDITION,
    LEVEL_MEASURES,
    MIN_PEERS,
    WINSOR,
    Rows,
    condition_middles,
    members,
    robust_sd,
    row_median,
)

# ASSUME: what a stuffy note loses in dB: loudness, then around 1, 2 and 4 kHz; only the proportions matter
LOSS_DB = np.array([3.0, 4.0, 7.0, 10.0])
# ASSUME: own choice, no source.
SHARED_Z = 3.0  # standard errors from which what a session's instruments share is taken out of their notes


@dataclass(frozen=True)
class Dullness:
    """Deviations of I instruments-in-a-state from their references.

    `owners`: (instrument, state) each. `z` (I, N): deviation over its standard deviation between healthy peers,
    positive = duller, NaN where there is no reference; `take_z` (T, N) the same of single takes. `shift_z` (I,): score
    of the whole instrument (row medians) against the others, over their robust scatter; `shift_sd` (I,): that scatter,
    in standard deviations of single notes. `peers`: number of other instruments. `session_z`: session -> (N,) common
    deviation of all its instruments over its standard error, NaN unless all of them are duller. `per_db` (M, N): what a
    decibel of each of LEVEL_MEASURES adds to `z` on a usual instrument. `unsteady` (I,): standard deviation of a
    healthy note's `z` on an instrument whose own takes disagree more than the others', 1 where they do not.
    """

    owners: list[tuple[str, str]]
    z: Floats
    take_z: Floats
    shift_z: Floats
    shift_sd: Floats
    peers: int
    session_z: dict[str, Floats]
    per_db: Floats
    unsteady: Floats


def score(rows: Rows, loss_db: Floats) -> tuple[Floats, Floats, Floats]:
    """Dullness scores (R, N) of rows and (T, N) of their takes, 0 in the middle of all rows played alike; and what a
    decibel of each of LEVEL_MEASURES adds to them, (M, N), where a note has those it mostly has."""
    middle = [condition_middles(rows.keys, rows.value[name]) for name in LEVEL_MEASURES]
    away = np.array([rows.value[name] - of_rows for name, of_rows in zip(LEVEL_MEASURES, middle, strict=True)])
    of_takes = [
        rows.take_value[name] - of_rows[rows.take_row] for name, of_rows in zip(LEVEL_MEASURES, middle, strict=True)
    ]
    inner = [one - row_median(one) for one in away]
    sd = np.array([max(np.nan_to_num(robust_sd(one)), SMALLEST_SD) for one in inner])
    covariance = robust_correlation([one / each for one, each in zip(inner, sd, strict=True)])
    away = np.concatenate([away, of_takes], axis=1)
    total, per_db = np.full(away.shape[1:], np.nan), np.zeros((len(LEVEL_MEASURES), away.shape[2]))
    known = np.isfinite(away)
    usual = known.mean(axis=1) > 0.5
    for which in np.unique(known.reshape(len(LEVEL_MEASURES), -1), axis=1).T:
        if which.any():
            weights = -best_weights(loss_db[which] / sd[which], covariance[np.ix_(which, which)]) / sd[which]
            here = (known == which[:, None, None]).all(axis=0)
            total[here] = weights @ away[which][:, here]
            per_db[np.ix_(which, (usual == which[:, None]).all(axis=0))] = weights[:, None]
    return total[: len(rows.keys)], total[len(rows.keys) :], per_db


def robust_correlation(standard: list[Floats]) -> Floats:
    """Correlation (M, M) of measures of unit robust scatter, from that of sums and differences.

    (s² - d²) / (s² + d²), s and d the robust scatter of a + b and a - b (Gnanadesikan & Kettenring 1972, Biometrics
    28, 81), drawn towards 0 by a tenth so that it can be inverted, and further where few notes make pairs contradict
    each other.
    """
    out = np.eye(len(standard))
    for i, a in enumerate(standard):
        for j, b in enumerate(standard[:i]):
            plus, minus = (np.nan_to_num(robust_sd(both)) ** 2 for both in (a + b, a - b))
            out[i, j] = out[j, i] = 0.9 * (plus - minus) / max(plus + minus, SMALLEST_SD**2)
    least = float(np.linalg.eigvalsh(out)[0])  # a tenth at least, if the pairs agree
    return out if least > 0.1 else np.eye(len(out)) + (out - np.eye(len(out))) * 0.9 / (1 - least)


def best_weights(effect: Floats, covariance: Floats) -> Floats:
    """Weights (M,) >= 0 of the sum of unit scatter in which `effect` (M,) stands out most."""
    root = np.linalg.cholesky(covariance)
    weights = nnls(root.T, np.linalg.solve(root, effect))[0]
    return weights / np.linalg.norm(root.T @ weights)


def dullness(rows: Rows, loss_db: Floats = LOSS_DB) -> Dullness | None:
    """Compare every instrument with the others; None when there are fewer than MIN_PEERS others.

    `loss_db` (M,): what is looked for, by LEVEL_MEASURES."""
    keys = rows.keys
    if keys["instrument"].nunique() <= MIN_PEERS:
        return None
    total, of_takes, per_db = score(rows, loss_db)
    values, of_takes = total - row_median(total), of_takes - row_median(of_takes)
    effects = _session_effects(keys, values, Components.of(keys, values))
    for session, (size, z) in effects.items():
        shared = np.where(np.nan_to_num(z) > SHARED_Z, size, 0.0)
        values = values - np.outer(keys["session"] == session, shared)
        of_takes = of_takes - np.outer((keys["session"] == session).to_numpy()[rows.take_row], shared)
    owners = list(keys[["instrument", "state"]].drop_duplicates().itertuples(index=False, name=None))
    shift_z, shift_sd = _whole_shift(keys, row_median(total)[:, 0], owners)
    told = deviations(keys, values)
    owner = keys.groupby(["instrument", "state"], sort=False).ngroup().to_numpy()[rows.take_row]
    apart = (of_takes - values[rows.take_row]) / told.unit[owner]
    return Dullness(
        owners=owners,
        z=told.z,
        take_z=told.rows[rows.take_row] + apart,
        shift_z=shift_z,
        shift_sd=shift_sd / _note_sd(keys, values, owners),
        peers=keys["instrument"].nunique() - 1,
        session_z={session: z for session, (_, z) in effects.items()},
        per_db=per_db / pd.DataFrame(told.unit).median().to_numpy(),
        unsteady=_unsteady(rows, apart, owner),
    )


def _unsteady(rows: Rows, apart: Floats, owner: Ints) -> Floats:
    """See Dullness. `apart` (T, N): takes from the mean of their row, in standard deviations of an instrument's note;
    `owner` (T,).

    A note's `z` has the variance 1, in which takes scatter as usual; what the own ones add is their variance beyond the
    usual one over their number. Each own variance is drawn to the pooled one as if a whole scale more had told it
    (moderated variances: Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3, 3, from memory).
    """
    takes = np.bincount(owner)
    # each row's mean takes one degree of freedom of its notes
    left = np.isfinite(apart) * (1 - 1 / rows.keys["takes"].to_numpy()[rows.take_row])[:, None]
    df = np.bincount(owner, left.sum(axis=1))
    if not df.any():
        return np.ones(takes.size)
    sd = np.sqrt(np.nansum(np.square(apart)) / df.sum())
    # a slip on one note does not make its instrument unsteady
    squares = np.bincount(owner, np.nansum(np.square(np.clip(apart, -WINSOR * sd, WINSOR * sd)), axis=1))
    usual = squares.sum() / df.sum()
    own = (squares + len(rows.written) * usual) / (df + len(rows.written))
    unsteady: Floats = np.sqrt(np.maximum(1 + (own - usual) / takes, 1.0))
    return unsteady


def _whole_shift(keys: pd.DataFrame, middle: Floats, owners: list[tuple[str, str]]) -> tuple[Floats, Floats]:
    """Median (I,) over an owner's rows of `middle` (R,), away from the other instruments', over their scatter; and
    that scatter (I,)."""
    middle = middle - pd.Series(middle).groupby([keys[c] for c in CONDITION]).transform("median").to_numpy()
    shift = np.array([np.median(middle[owner_rows]) for owner_rows in members(keys, owners)])
    names = np.array([name for name, _ in owners])
    z, sd = np.full((2, len(owners)), np.nan)
    for i, name in enumerate(names):
        others = shift[names != name]
        spread = robust_sd(others - np.median(others))
        # few others: their scatter is itself uncertain, as Student's t knows
        widen = np.sqrt((len(others) + 1) / max(len(others) - 2, 1))
        sd[i] = max(spread * widen, SMALLEST_SD)
        z[i] = (shift[i] - np.median(others)) / sd[i]
    return z, sd


def _note_sd(keys: pd.DataFrame, values: Floats, owners: list[tuple[str, str]]) -> float:
    """Robust standard deviation of an owner's single notes, of `values` (R, N) averaged over its rows."""
    away = pd.DataFrame(values - condition_middles(keys, values))
    sd = robust_sd(np.array([away[owner_rows].mean() for owner_rows in members(keys, owners)]))
    return max(float(np.nan_to_num(sd)), SMALLEST_SD)


def _session_effects(keys: pd.DataFrame, values: Floats, parts: Components) -> dict[str, tuple[Floats, Floats]]:
    """Common deviation of each session from the others: its size (N,) in the unit of the scores, and z (N,), it over
    its error.

    z is NaN unless all of at least MIN_PEERS instruments of the session lie above every other session's median.
    """
    effects = {}
    for session in keys["session"].unique():
        here = (keys["session"] == session).to_numpy()
        inside, outside = (
            pd.DataFrame(values[part]).groupby(keys["instrument"].to_numpy()[part]).mean() for part in (here, ~here)
        )
        if len(inside) < MIN_PEERS or len(outside) < MIN_PEERS:
            continue
        away = inside - outside.median()
        error = np.sqrt((parts.own + parts.noise) * (1 / len(inside) + 1 / len(outside)) + parts.session)
        size = away.median().to_numpy()
        effects[session] = size, np.where((away > 0).all(), size / error, np.nan)
    return effects
