"""How well the same thing measured again agrees, and how the errors of the values come about.

Model of one criterion, take = instrument in its state [+ session] + day of its own + scatter of the take:
- the scatter of takes, s_r, is the repeatability standard deviation of ISO 5725-2:1994, pooled over the study (a cell
  is one instrument in one state, a laboratory of the standard is a recording session, a test result is a take);
- what a session adds to all instruments alike is taken out for criteria where it is `additive`;
- a day of its own: an instrument in a session scatters beyond that, by `ratio` times s_r. Instruments recorded in two
  sessions or more show how much: the ratio's posterior is the likelihood of the cells' means without the fixed effects
  (REML: Patterson & Thompson 1971, Biometrika 58, 545) times a prior, on a grid. With nothing to tell by it is the
  prior. Where no instrument leads from one session to another, days cannot be told from instruments and are left
  out: what is said then holds for that day.
Standard deviations are in the unit of the values; NaN = not known.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats
from scipy.linalg import null_space

from evenbore.comparability import session_groups

OWNER = ["instrument", "state"]
CELL = ["instrument", "state", "session"]
MANNER = ["direction", "articulation"]
RATIOS = 8.0 * ((np.arange(48) + 0.5) / 48) ** 1.5
# ASSUME: an instrument's days scatter by about as much as a player's takes do, rarely by more than twice that (half
# Student t of 4 df; no source). Simulated in docs/decisions.md: what it does to false and to missed differences.
RATIO_PRIOR = stats.t.pdf(RATIOS / 0.7, 4) * RATIOS ** (1 / 3)  # the grid's spacing goes with the cube root
ONE_DAY = np.zeros(1), np.ones(1)


class Repeatability(NamedTuple):
    """Of one criterion, pooled over a study: `s_r` between takes of one cell, `df` its degrees of freedom.

    `ratios` (K,): standard deviation of an instrument's own days over s_r, `shares` (K,) their probabilities; given
    each, `variances` (K,) of a take with `freedom` degrees of freedom. `day_df`: those that tell of the days.
    """

    s_r: float
    df: int
    ratios: np.ndarray
    shares: np.ndarray
    variances: np.ndarray
    freedom: int
    day_df: int

    def scale(self, takes, days, known=0.0) -> np.ndarray:
        """Standard errors (N, K) of what holds `takes` (N,) of a take's variance, `days` (N,) of a day's and the
        variance `known` (N,) besides."""
        takes, days, known = (np.asarray(part, float)[..., None] for part in (takes, days, known))
        return np.sqrt(self.variances * (takes + self.ratios**2 * days) + known)


UNKNOWN = Repeatability(np.nan, 0, *ONE_DAY, np.full(1, np.nan), 0, 0)


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


def cell_weights(cells: pd.DataFrame, additive: bool) -> np.ndarray:
    """How the value of each instrument in its state (rows, sorted) is made of the means of its `cells` (columns).

    `cells`: columns CELL and size, the number of takes. A value is the mean over takes; `additive`: less what each
    session adds, by least squares of take = instrument in its state + session. What sessions add averages zero over
    those joined by shared instruments and is 0 for a session that nothing joins.
    """
    size = cells["size"].to_numpy(float)
    owner = pd.get_dummies(cells.groupby(OWNER).ngroup(), dtype=float).to_numpy()
    mean = (owner * size[:, None]).T / (owner.T @ size)[:, None]
    if not additive:
        return mean
    session = pd.get_dummies(cells["session"], dtype=float).to_numpy()
    within = session - owner @ (mean @ session)
    offsets = np.linalg.pinv(within.T @ (size[:, None] * within), rcond=1e-9, hermitian=True) @ (within.T * size)
    return mean @ (np.eye(len(cells)) - session @ offsets)


def session_offsets(takes: pd.DataFrame) -> pd.Series:
    """What each session adds to every value, from instruments recorded in several; see `cell_weights`.

    `takes`: columns CELL and value.
    """
    session = pd.get_dummies(takes["session"], dtype=float)
    owner = [takes[key] for key in OWNER]
    within = (session - session.groupby(owner).transform("mean")).to_numpy()
    value = takes["value"] - takes.groupby(OWNER)["value"].transform("mean")
    inverse = np.linalg.pinv(within.T @ within, rcond=1e-9, hermitian=True)
    return pd.Series(inverse @ within.T @ value.to_numpy(float), index=session.columns)


def error_parts(takes: pd.DataFrame, additive: bool) -> tuple[pd.MultiIndex, np.ndarray, np.ndarray]:
    """Owners (instrument, state) and the covariances (I, I) of their values' errors, as parts of the variance of a take
    and of the variance of a day: covariance = s_r² (takes + ratio² days)."""
    cells = _cells(takes)
    weights = cell_weights(cells, additive)
    of_takes = (weights / cells["size"].to_numpy(float)) @ weights.T
    of_days = (weights * _has_days(cells)) @ weights.T
    return pd.MultiIndex.from_frame(cells[OWNER].drop_duplicates()), of_takes, of_days


def repeatability(takes: pd.DataFrame, additive: bool = False) -> Repeatability:
    """Pooled repeatability of one criterion from `takes` (see `manner_effects`; no NaN).

    `additive`: what each session adds to all instruments does not count as scatter of the days.
    """
    effects, n_effects = manner_effects(takes)
    adjusted = takes.assign(value=takes["value"] - effects)
    means = adjusted.groupby(CELL)["value"]
    df = len(takes) - means.ngroups - n_effects
    if df <= 0:
        return UNKNOWN
    squares = float(((adjusted["value"] - means.transform("mean")) ** 2).sum())
    cells = _cells(adjusted)
    s_r = (squares / df) ** 0.5
    if not _has_days(cells).any():
        return Repeatability(s_r, int(df), *ONE_DAY, np.full(1, s_r**2), int(df), 0)
    shares, variances, day_df = _days(cells, squares, df, additive)
    return Repeatability(s_r, int(df), RATIOS, shares, variances, int(df) + day_df, day_df)


def _cells(takes: pd.DataFrame) -> pd.DataFrame:
    """One row per cell, sorted: CELL, the number of takes `size` and their `mean`."""
    return takes.groupby(CELL)["value"].agg(["size", "mean"]).reset_index()


def _has_days(cells: pd.DataFrame) -> np.ndarray:
    """Whether the session of each cell is joined to another by a shared instrument (C,)."""
    group = cells["session"].map(session_groups(cells.assign(status="ok")))
    return (cells.groupby(group)["session"].transform("nunique") > 1).to_numpy()


def _days(cells: pd.DataFrame, squares: float, df: int, additive: bool) -> tuple[np.ndarray, np.ndarray, int]:
    """Posterior shares of RATIOS, the variance of a take given each, and the degrees of freedom that told.

    `squares`: sum of squares of the takes within cells, on `df`.
    """
    cells = cells[cells.groupby(OWNER)["session"].transform("size") > 1]  # the others tell nothing
    effects = [pd.get_dummies(cells.groupby(OWNER).ngroup()), *([pd.get_dummies(cells["session"])] if additive else [])]
    contrasts = null_space(pd.concat(effects, axis=1).to_numpy(float).T)
    free = contrasts.shape[1]
    seen = contrasts.T @ cells["mean"].to_numpy(float)
    takes = (contrasts.T / cells["size"].to_numpy(float)) @ contrasts
    covariance = takes + RATIOS[:, None, None] ** 2 * np.eye(free)
    total = squares + np.einsum("i,kij,j->k", seen, np.linalg.inv(covariance), seen)
    total = np.maximum(total, np.finfo(float).tiny)  # takes that agree to the last digit
    log = -0.5 * np.linalg.slogdet(covariance)[1] - 0.5 * (df + free) * np.log(total) + np.log(RATIO_PRIOR)
    shares = np.exp(log - log.max())
    return shares / shares.sum(), total / (df + free), free
