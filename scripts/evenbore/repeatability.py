"""How well the same thing measured again agrees: ISO 5725-2:1994 for tables of repeat takes.

A cell is one instrument in one state; a laboratory of the standard is a recording session here, a test result
is a take. Standard deviations are in the unit of the values; NaN = not known.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

CELL = ["instrument", "state", "session"]
MANNER = ["direction", "articulation"]


class Precision(NamedTuple):
    """One level of ISO 5725-2: mean, and repeatability, between-laboratory and reproducibility SD."""

    mean: float
    s_r: float
    s_l: float
    s_reproducibility: float


class Repeatability(NamedTuple):
    """Of one criterion, pooled over a study: `s_r` between takes of one cell and session, `df` its degrees of
    freedom; `s_s` between sessions of one instrument (0 when the data show none), `df_s` (0: nothing to tell by).
    Where sessions are additive, `s_s` is what goes beyond that which a session adds to all instruments alike."""

    s_r: float
    df: int
    s_s: float
    df_s: int


def precision(laboratories: list[np.ndarray]) -> Precision:
    """Precision of one level from each laboratory's results (ISO 5725-2:1994, 7.4 and 7.5).

    s_r² = Σ(n_i - 1)s_i² / Σ(n_i - 1); s_d² = Σ n_i (ȳ_i - m)² / (p - 1); n̿ = (Σn - Σn²/Σn) / (p - 1);
    s_L² = max(0, (s_d² - s_r²) / n̿); s_R² = s_r² + s_L².
    """
    n = np.array([len(results) for results in laboratories])
    means = np.array([np.mean(results) for results in laboratories])
    within = sum(((np.asarray(results) - mean) ** 2).sum() for results, mean in zip(laboratories, means, strict=True))
    p, total = len(n), n.sum()
    s_r2 = within / (total - p)
    mean = (n * means).sum() / total
    s_d2 = (n * (means - mean) ** 2).sum() / (p - 1)
    s_l2 = max(0.0, (s_d2 - s_r2) / ((total - (n**2).sum() / total) / (p - 1)))
    return Precision(float(mean), s_r2**0.5, s_l2**0.5, (s_r2 + s_l2) ** 0.5)


def manner_effects(takes: pd.DataFrame) -> tuple[pd.Series, int]:
    """Effect of the manner of playing on each take's value (same index), and how many effects were fitted.

    `takes`: columns CELL, value, and of MANNER those that there are. Manners are compared within cells only, one
    additive effect for the whole study; the effects of a column average zero over what it holds. A manner that no
    cell shares with another has no known effect and gets 0.
    """
    manners = [pd.get_dummies(takes[column].astype(str), dtype=float) for column in MANNER if column in takes]
    dummies = pd.concat(manners, axis=1).to_numpy()
    cells = [takes[key] for key in CELL]
    within = dummies - pd.DataFrame(dummies, takes.index).groupby(cells).transform("mean").to_numpy()
    value = takes["value"] - takes.groupby(CELL)["value"].transform("mean")
    # the least-norm solution averages zero over the manners joined within cells
    effects, _, rank, _ = np.linalg.lstsq(within, value.to_numpy(float), rcond=1e-9)
    return pd.Series(dummies @ effects, index=takes.index), int(rank)


def session_offsets(takes: pd.DataFrame, s_r: float) -> tuple[pd.Series, pd.DataFrame]:
    """What each session adds to every value, from instruments recorded in several, and the error of that.

    `takes`: columns CELL and value. Least squares of value = instrument in its state + session; offsets average
    zero over the sessions joined by shared instruments and are 0 for a session that nothing joins. The error is
    given as independent directions of one standard error (components x sessions), for takes that scatter by `s_r`.
    """
    dummies = pd.get_dummies(takes["session"], dtype=float)
    owner = [takes["instrument"], takes["state"]]
    within = (dummies - dummies.groupby(owner).transform("mean")).to_numpy()
    value = takes["value"] - takes.groupby(["instrument", "state"])["value"].transform("mean")
    inverse = np.linalg.pinv(within.T @ within, rcond=1e-9, hermitian=True)
    offsets = pd.Series(inverse @ within.T @ value.to_numpy(float), index=dummies.columns)
    eigenvalue, vector = np.linalg.eigh(inverse)
    used = eigenvalue > 1e-9
    directions = s_r * np.sqrt(eigenvalue[used])[:, None] * vector.T[used]
    return offsets, pd.DataFrame(directions, columns=dummies.columns)


def repeatability(takes: pd.DataFrame, additive: bool = False) -> Repeatability:
    """Pooled repeatability of one criterion from `takes` (see `manner_effects`; no NaN).

    `additive`: what each session adds to all instruments (see `session_offsets`) does not count as scatter.
    """
    effects, n_effects = manner_effects(takes)
    adjusted = takes.assign(value=takes["value"] - effects)
    cells = adjusted.groupby(CELL)["value"]
    df = len(takes) - cells.ngroups - n_effects
    if df <= 0:
        return Repeatability(np.nan, 0, 0.0, 0)
    s_r2 = float(((adjusted["value"] - cells.transform("mean")) ** 2).sum() / df)
    s_s2, df_s = _between_sessions(cells.agg(["mean", "size"]).reset_index(), s_r2, additive)
    return Repeatability(s_r2**0.5, int(df), s_s2**0.5, df_s)


def _between_sessions(cells: pd.DataFrame, s_r2: float, additive: bool) -> tuple[float, int]:
    """Variance between sessions of one instrument in one state, pooled, by the method of moments.

    Of the weighted residuals' sum of squares y'Ay of mean = instrument (+ session, if `additive`), the expectation
    is s_s² trace(A) + s_r² df (Searle, Casella & McCulloch, Variance Components, 1992, ch. 5, from memory).
    """
    cells = cells[cells.groupby(["instrument", "state"])["session"].transform("size") > 1]
    if cells.empty:
        return 0.0, 0
    owner = cells.groupby(["instrument", "state"]).ngroup()
    effects = [pd.get_dummies(owner), *([pd.get_dummies(cells["session"])] if additive else [])]
    design = pd.concat(effects, axis=1).to_numpy(float)
    df = len(cells) - int(np.linalg.matrix_rank(design))
    if df == 0:
        return 0.0, 0
    weighted = cells["size"].to_numpy()[:, None] * design
    fitted = weighted @ np.linalg.pinv(design.T @ weighted, rcond=1e-9, hermitian=True) @ weighted.T
    residual = np.diag(cells["size"].to_numpy(float)) - fitted
    mean = cells["mean"].to_numpy() - cells["mean"].mean()  # centred, for the arithmetic's sake
    return max(0.0, float((mean @ residual @ mean - s_r2 * df) / np.trace(residual))), df
