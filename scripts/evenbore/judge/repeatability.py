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

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.linalg import null_space

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.criteria import CRITERIA

OWNER = ["instrument", "state"]
TAKE_CELL = ["instrument", "state", "session"]
MANNER = ["direction", "articulation"]
RATIOS = 8.0 * ((np.arange(48) + 0.5) / 48) ** 1.5
# ASSUME: pitch, noise and response as a whole scatter by about as much from an instrument's day to day as from take to
# take, rarely by more than twice that; what lies between the notes of a take, or between soft and loud, by less than
# half of that (scale of a half Student t of 4 df; no source). Simulated in docs/comparability.md, docs/decisions.md.
WHOLE_DAYS, OTHER_DAYS = 0.7, 0.3
ONE_DAY = np.zeros(1), np.ones(1)


class Repeatability(NamedTuple):
    """Of one criterion, pooled over a study: `s_r` between takes of one cell, `df` its degrees of freedom.

    `ratios` (K,): standard deviation of an instrument's own days over s_r, `shares` (K,) their probabilities; given
    each, `variances` (K,) of a take with `freedom` degrees of freedom. `day_df`: those that tell of the days.
    """

    s_r: float
    df: int
    ratios: Floats
    shares: Floats
    variances: Floats
    freedom: float
    day_df: int

    def scale(self, takes: ArrayLike, days: ArrayLike, known: ArrayLike = 0.0) -> Floats:
        """Standard errors (N, K) of what holds `takes` (N,) of a take's variance, `days` (N,) of a day's and the
        variance `known` (N,) besides."""
        of_takes, of_days, besides = (np.asarray(part, float)[..., None] for part in (takes, days, known))
        variances: Floats = self.variances * (of_takes + self.ratios**2 * of_days) + besides
        return np.sqrt(variances)


def day_scale(criteria: Iterable[str]) -> float:
    """Scale of the prior of an instrument's own days, of these criteria together."""
    return WHOLE_DAYS if any(CRITERIA[name].daily for name in set(criteria)) else OTHER_DAYS


UNKNOWN_REPEATABILITY = Repeatability(np.nan, 0, *ONE_DAY, np.full(1, np.nan), 0, 0)


@dataclass(frozen=True)
class Cells:
    """Takes (T) by cells (C): `of_take` (T,) the cell of each take; `owner`, `session`, `size` (C,) of each cell, as
    numbers into `owners` (instrument, state) and `sessions` (names), and its number of takes."""

    of_take: Ints
    owner: Ints
    session: Ints
    size: Floats
    owners: pd.MultiIndex
    sessions: NDArray[np.object_]

    def means(self, values: Floats) -> Floats:
        """Mean of the takes' `values` (T,) in each cell (C,)."""
        return np.bincount(self.of_take, values, self.size.size) / self.size

    def several_sessions(self) -> Bools:
        """Whether each cell's owner was recorded in other sessions too (C,)."""
        return np.bincount(self.owner)[self.owner] > 1

    def joined(self) -> Bools:
        """Whether a shared instrument joins each cell's session to another (C,)."""
        shared = self.several_sessions()
        return np.isin(self.session, self.session[shared])

    def effects(self, keep: Bools, additive: bool) -> Floats:
        """Design matrix of owners and, if `additive`, sessions for the cells that `keep` (C,) marks."""
        columns = [self.owner, self.session] if additive else [self.owner]
        return np.hstack([_dummies(column[keep]) for column in columns])


def ratio_prior(scale: float) -> Floats:
    """Probability (K,) of each of RATIOS beforehand, times a constant; the grid's spacing goes with the cube root."""
    return stats.t.pdf(RATIOS / scale, 4) * RATIOS ** (1 / 3)


def cells_of(takes: pd.DataFrame) -> Cells:
    """The cells of `takes` (columns TAKE_CELL), in the order of their keys."""
    (instrument, state, session), names = zip(*(pd.factorize(takes[key], sort=True) for key in TAKE_CELL), strict=True)
    owner, of_take = np.unique(instrument * len(names[1]) + state, return_inverse=True)
    owners = pd.MultiIndex.from_arrays([names[0][owner // len(names[1])], names[1][owner % len(names[1])]], names=OWNER)
    cell, of_take, size = np.unique(of_take * len(names[2]) + session, return_inverse=True, return_counts=True)
    sessions = np.asarray(names[2])
    return Cells(of_take, cell // len(sessions), cell % len(sessions), size.astype(float), owners, sessions)


def manner_effects(takes: pd.DataFrame) -> tuple[pd.Series, int]:
    """Effect of the manner of playing on each take's value (same index), and how many effects were fitted.

    `takes`: columns TAKE_CELL, value, and of MANNER those that there are. Manners are compared within cells only, one
    additive effect for the whole study; the effects of a column average zero over what it holds. A manner that no
    cell shares with another has no known effect and gets 0.
    """
    manners = [pd.factorize(takes[column], sort=True)[0] for column in MANNER if column in takes]
    dummies = np.hstack([_dummies(manner) for manner in manners])
    cells = cells_of(takes)
    whole = np.column_stack([dummies, takes["value"].to_numpy(float)])
    within = whole - np.apply_along_axis(cells.means, 0, whole)[cells.of_take]
    # the least-norm solution averages zero over the manners joined within cells
    effects, _, rank, _ = np.linalg.lstsq(within[:, :-1], within[:, -1], rcond=1e-9)
    return pd.Series(dummies @ effects, index=takes.index), int(rank)


def session_weights(cells: Cells) -> Floats:
    """How what each session adds (rows) is made of the means of the `cells` (columns).

    Least squares of take = instrument in its state + session. What sessions add averages zero over those joined by
    shared instruments and is 0 for a session that nothing joins.
    """
    session, owner = _dummies(cells.session), _dummies(cells.owner)
    within = session - owner @ (_mean_weights(cells) @ session)
    weighted = within.T * cells.size
    return np.linalg.pinv(weighted @ within, rcond=1e-9, hermitian=True) @ weighted


def session_offsets(takes: pd.DataFrame) -> pd.Series:
    """What each session adds to every value, from instruments recorded in several; see `session_weights`.

    `takes`: columns TAKE_CELL and value.
    """
    cells = cells_of(takes)
    return pd.Series(session_weights(cells) @ cells.means(takes["value"].to_numpy(float)), index=cells.sessions)


def error_parts(takes: pd.DataFrame, additive: bool) -> tuple[pd.MultiIndex, Floats, Floats]:
    """Owners (instrument, state) and the covariances (I, I) of their values' errors, as parts of the variance of a take
    and of the variance of a day: covariance = s_r² (takes + ratio² days).

    A value is the mean over takes; `additive`: less what each session adds.
    """
    cells = cells_of(takes)
    weights = _mean_weights(cells)
    if additive:
        weights = weights - (weights @ _dummies(cells.session)) @ session_weights(cells)
    return cells.owners, (weights / cells.size) @ weights.T, (weights * cells.joined()) @ weights.T


def repeatability(takes: pd.DataFrame, additive: bool = False, day_scale: float = WHOLE_DAYS) -> Repeatability:
    """Pooled repeatability of one criterion from `takes` (see `manner_effects`; no NaN).

    `additive`: what each session adds to all instruments does not count as scatter of the days. `day_scale`: of the
    days' prior, WHOLE_DAYS or OTHER_DAYS.
    """
    effects, n_effects = manner_effects(takes)
    cells = cells_of(takes)
    values = (takes["value"] - effects).to_numpy(float)
    means = cells.means(values)
    df = len(values) - len(means) - n_effects
    if df <= 0:
        return UNKNOWN_REPEATABILITY
    squares = float(((values - means[cells.of_take]) ** 2).sum())
    s_r = (squares / df) ** 0.5
    if not cells.joined().any():
        return Repeatability(s_r, df, *ONE_DAY, np.full(1, s_r**2), df, 0)
    shares, variances, day_df = _days(cells, means, squares, df, additive, ratio_prior(day_scale))
    return Repeatability(s_r, df, RATIOS, shares, variances, df + day_df, day_df)


def _days(
    cells: Cells, means: Floats, squares: float, df: int, additive: bool, prior: Floats
) -> tuple[Floats, Floats, int]:
    """Posterior shares of RATIOS, the variance of a take given each, and the degrees of freedom that told.

    `means` (C,) of the cells; `squares`: sum of squares of the takes within cells, on `df`.
    """
    keep = cells.several_sessions()  # the others tell nothing
    contrasts = null_space(cells.effects(keep, additive).T)
    free = contrasts.shape[1]
    seen = contrasts.T @ means[keep]
    takes, turn = np.linalg.eigh((contrasts.T / cells.size[keep]) @ contrasts)
    variance = takes + RATIOS[:, None] ** 2
    total = squares + ((seen @ turn) ** 2 / variance).sum(axis=1)
    total = np.maximum(total, np.finfo(float).tiny)  # takes that agree to the last digit
    log = np.log(prior) - 0.5 * np.log(variance).sum(axis=1) - 0.5 * (df + free) * np.log(total)
    shares = np.exp(log - log.max())
    return shares / shares.sum(), total / (df + free), free


def _mean_weights(cells: Cells) -> Floats:
    """How the mean over all takes of each owner (rows) is made of the means of its cells (columns)."""
    share = _dummies(cells.owner).T * cells.size
    whole: Floats = share.sum(axis=1, keepdims=True)
    return share / whole


def _dummies(codes: Ints) -> Floats:
    """One column for each value that occurs among `codes` (N,), 1.0 where it does."""
    occurs: Bools = codes[:, None] == np.unique(codes)
    return occurs.astype(float)
