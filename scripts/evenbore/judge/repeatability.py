"""How well the same thing measured again agrees, and how the errors of the values come about.

One model for intervals, pairs, ranking, before and after, and plans. Of one criterion, in its unit:

    take = instrument in its state [+ block] + the instrument's own day + scatter of the take

- A block is what takes were recorded in together: a session, of one player where several played. What it adds to all
  instruments alike is taken out for criteria where it is `additive`.
- Takes scatter by s_r, the repeatability standard deviation of ISO 5725-2:1994, pooled over the study (a cell is one
  instrument in one state and block, a test result is a take). Some instruments scatter more than others: the variance
  of each is its own, drawn to the pooled one as if that had been seen in PRIOR_DF takes more (moderated variances:
  Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3, 3, from memory). One whose takes scatter more in all criteria together
  is drawn to a variance so many times the pooled one instead (SCATTER_RATIO): two bad takes may agree by chance in one
  criterion, hardly in all.
- An instrument's own day in a block scatters by `ratio` times s_r. See `own_days` for how large that is. Where no
  instrument leads from one block to another, days cannot be told from instruments and are left out: what is said then
  holds for that day.

The value of an instrument is the mean over its takes, [less what the blocks add]. Its errors are those of Student's t,
mixed over the ratios, with degrees of freedom after Satterthwaite 1946, Biometrics Bull. 2, 110. NaN = not known.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import null_space
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.days import DAY_KINDS
from evenbore.statistics.grouped import combined

OWNER = ["instrument", "state"]
SCATTER_RATIO = "scatter_ratio"
MANNER = ["direction", "articulation"]
Owner: TypeAlias = tuple[str, str]
"""Instrument and state."""
# ASSUME: instruments' standard deviations differ by a third or so (a chi-square of 6 df); no source, tuned by trial
# (tests/decisions, its development series)
PRIOR_DF = 6
# ASSUME: in cents, dB or ms; nobody plays alike to this, so takes that do are copies of one (louder, say)
COPIES_SD = 1e-3
RATIOS = 8.0 * ((np.arange(24) + 0.5) / 24) ** 2
# ASSUME: own choice, no source: three neighbouring notes tell of a day's change as much as one that stands alone
NOTES_TOLD_TOGETHER = 3.0


@dataclass(frozen=True)
class Cells:
    """Takes (T) by cells (C): `of_take` (T,) the cell of each take; `owner`, `block`, `day`, `size` (C,) of each cell,
    as numbers into `owners` (instrument, state), of the blocks and of the instruments' days, and its number of takes.
    """

    of_take: Ints
    owner: Ints
    block: Ints
    day: Ints
    size: Floats
    owners: list[Owner]

    def means(self, values: Floats) -> Floats:
        """Mean of the takes' `values` (T, ...) in each cell (C, ...)."""
        sums = np.zeros((self.size.size, *values.shape[1:]))
        np.add.at(sums, self.of_take, values)
        means: Floats = sums / self.size.reshape(-1, *[1] * (values.ndim - 1))
        return means

    def several_blocks(self) -> Bools:
        """Whether each cell's owner was recorded in other blocks too (C,)."""
        return np.bincount(self.owner)[self.owner] > 1

    def joined(self) -> Bools:
        """Whether a shared instrument joins each cell's block to another (C,)."""
        return np.isin(self.block, self.block[self.several_blocks()])

    def groups(self) -> Ints:
        """Number of the blocks joined by shared instruments that each owner (I,) belongs to."""
        count = len(self.owners)
        number = count + self.block.max() + 1
        edges = coo_array((np.ones(self.owner.size), (self.owner, count + self.block)), shape=(number, number))
        return np.asarray(connected_components(edges, directed=False)[1][:count])

    @cached_property
    def mean_weights(self) -> Floats:
        """How the mean over all takes of each owner (rows) is made of the means of its cells (columns)."""
        share = _dummies(self.owner).T * self.size
        whole: Floats = share.sum(axis=1, keepdims=True)
        return share / whole

    @cached_property
    def block_weights(self) -> Floats:
        """How what each block adds (rows) is made of the means of the cells (columns).

        Least squares of take = instrument in its state + block. What blocks add averages zero over those joined by
        shared instruments and is 0 for a block that nothing joins.
        """
        block, owner = _dummies(self.block), _dummies(self.owner)
        within = block - owner @ (self.mean_weights @ block)
        weighted = within.T * self.size
        return np.linalg.pinv(weighted @ within, rcond=1e-9, hermitian=True) @ weighted

    def effects(self, keep: Bools, additive: bool) -> Floats:
        """Design matrix of owners and, if `additive`, blocks for the cells that `keep` (C,) marks."""
        columns = [self.owner, self.block] if additive else [self.owner]
        return np.hstack([_dummies(column[keep]) for column in columns])


class Days(NamedTuple):
    """How much an instrument's own days scatter: `shares` (K,) the probabilities of `ratios` (K,), standard deviation
    of the days over s_r; `witnesses`: degrees of freedom that told."""

    ratios: Floats
    shares: Floats
    witnesses: float


class Errors(NamedTuple):
    """How the values of the instruments (I) err in one criterion.

    `owners` (instrument, state); `n` (I,) takes; `takes` (I, I) covariance by the scatter of takes; `own` (I,) what
    each one's own takes add to its variance there, on `own_df` (I,); `days` (I, I) covariance by own days as parts of
    a day's variance; `group` (I,) number of the blocks joined; `s_r` on `df`; `ratios` and `shares` (K,) as in Days,
    told by `witnesses`.
    """

    owners: Sequence[Owner]
    n: Floats
    takes: Floats
    own: Floats
    own_df: Floats
    days: Floats
    group: Floats
    s_r: float
    df: float
    ratios: Floats
    shares: Floats
    witnesses: float

    def of(self, owners: Sequence[Owner]) -> "Errors":
        """The same of these `owners` in their order; NaN for one without takes."""
        places = {owner: place for place, owner in enumerate(self.owners)}
        place = np.array([places.get(owner, -1) for owner in owners], int)
        known = place >= 0

        def picked(part: Floats) -> Floats:
            out = np.full((place.size,) * part.ndim, np.nan)
            out[np.ix_(*[known] * part.ndim)] = part[np.ix_(*[place[known]] * part.ndim)]
            return out

        return self._replace(
            owners=owners,
            n=picked(self.n),
            takes=picked(self.takes),
            own=picked(self.own),
            own_df=picked(self.own_df),
            days=picked(self.days),
            group=picked(self.group),
        )

    def of_values(self, moved: Floats) -> tuple[Floats, Floats]:
        """Standard errors (I, K) of the values and their degrees of freedom (I,); `moved` (I,): variance besides."""
        takes, days = np.diag(self.takes), np.diag(self.days)
        return self._scale(takes, days, moved), self._freedom(takes, days, [self.own], [self.own_df])

    def of_differences(self, a: Ints, b: Ints, moved: Floats, fewer: float | Floats = 1.0) -> tuple[Floats, Floats]:
        """Standard errors (P, K) of the differences between `a` and `b` (indices (P,)) and their degrees of freedom
        (P,); `moved` (P,): variance besides; `fewer` (P,): the part of the takes' variance that more takes leave."""
        takes, days = contrast(self.takes, a, b) * fewer, contrast(self.days, a, b)
        own, own_df = [self.own[a] * fewer, self.own[b] * fewer], [self.own_df[a], self.own_df[b]]
        return self._scale(takes, days, moved), self._freedom(takes, days, own, own_df)

    def _scale(self, takes: Floats, days: Floats, moved: Floats) -> Floats:
        return np.sqrt((takes + moved)[:, None] + (self.ratios * self.s_r) ** 2 * days[:, None])

    def _freedom(self, takes: Floats, days: Floats, own: list[Floats], own_df: list[Floats]) -> Floats:
        """After Satterthwaite: own parts on their own degrees of freedom, links and days on the pooled ones."""
        whole = takes + days * self.s_r**2 * (self.ratios**2 @ self.shares)
        with np.errstate(invalid="ignore", divide="ignore"):
            uncertain = sum(part**2 / df for part, df in zip(own, own_df, strict=True))
            uncertain = uncertain + np.maximum(whole - sum(own), 0.0) ** 2 / self.df
            # values without any scatter are as sure as the pool
            return np.where(whole > 0, np.minimum(whole**2 / uncertain, self.df), self.df)


def contrast(covariance: Floats, a: Ints, b: Ints) -> Floats:
    """Variance (P,) of the differences between `a` and `b` (indices (P,)); 0 at least, against rounding."""
    variance: Floats = np.maximum(covariance[a, a] + covariance[b, b] - 2 * covariance[a, b], 0)
    return variance


def cells_of(takes: pd.DataFrame) -> Cells:
    """The cells of `takes` (columns OWNER, session and, if several played, player), in the order of their keys."""
    return _cells(*_keys(takes, ("instrument", "state", "session", "player")))


def _keys(takes: pd.DataFrame, columns: Iterable[str]) -> list[tuple[str, ...]]:
    """The texts of these columns; empty for one that is not there."""
    return [tuple(takes[column]) if column in takes else () for column in columns]


@lru_cache(maxsize=64)  # most criteria have values of the same takes
def _cells(*keys: tuple[str, ...]) -> Cells:
    """See `cells_of`; `keys`: instrument, state, session, player."""
    (instrument, names), (state, states) = (_numbered(key) for key in keys[:2])
    owner, of_take = np.unique(instrument * len(states) + state, return_inverse=True)
    owners = list(zip(names[owner // len(states)], states[owner % len(states)], strict=True))
    block = _blocks(*keys[2:])
    blocks = block.max() + 1
    cell, of_take, size = np.unique(of_take * blocks + block, return_inverse=True, return_counts=True)
    # two states of an instrument in one block are of one day
    day = owner[cell // blocks] // len(states) * blocks + cell % blocks
    return Cells(of_take, cell // blocks, cell % blocks, day, size.astype(float), owners)


def block_numbers(takes: pd.DataFrame) -> Ints:
    """Number of each take's block (T,), in the order of sessions and players."""
    return _blocks(*_keys(takes, ("session", "player")))


@lru_cache(maxsize=64)
def _blocks(*keys: tuple[str, ...]) -> Ints:
    return combined(*(_numbered(key)[0] for key in keys if key))


def manner_effects(takes: pd.DataFrame) -> tuple[pd.Series, int]:
    """Effect of the manner of playing on each take's value (same index), and how many effects were fitted.

    `takes`: columns as for `cells_of`, value, and of MANNER those that there are. Manners are compared within cells
    only, one additive effect for the whole study; the effects of a column average zero over what it holds. A manner
    that no cell shares with another has no known effect and gets 0.
    """
    dummies = _manners(*_keys(takes, MANNER))
    if dummies.shape[1] < 2:
        return pd.Series(0.0, index=takes.index), 0
    cells = cells_of(takes)
    whole = np.column_stack([dummies, takes["value"].to_numpy(float)])
    within = whole - cells.means(whole)[cells.of_take]
    # the least-norm solution averages zero over the manners joined within cells
    effects, _, rank, _ = np.linalg.lstsq(within[:, :-1], within[:, -1], rcond=1e-9)
    return pd.Series(dummies @ effects, index=takes.index), int(rank)


@lru_cache(maxsize=64)
def _manners(*keys: tuple[str, ...]) -> Floats:
    """Dummies (T, M) of the manners that takes of one column differ in."""
    columns = [_dummies(_numbered(key)[0]) for key in keys if len(set(key)) > 1]
    return np.hstack([np.empty((len(keys[0]), 0)), *columns])


def block_offsets(takes: pd.DataFrame) -> Floats:
    """What the block adds to each take's value (T,), see `Cells.block_weights`."""
    cells = cells_of(takes)
    offsets = cells.block_weights @ cells.means(takes["value"].to_numpy(float))
    return offsets[block_numbers(takes)]


def errors_of(takes: pd.DataFrame, additive: bool, days: Days) -> Errors:
    """How the values of one criterion err, from `takes` (see `manner_effects`; no NaN); `days`: see `own_days`.

    Takes that do not scatter at all are no repeats.
    """
    effects, n_effects = manner_effects(takes)
    cells = cells_of(takes)
    values = (takes["value"] - effects).to_numpy(float)
    squares, df = _within(cells, values[:, None])
    whole_df = df.sum() - n_effects
    s_r2 = squares.sum() / whole_df if whole_df > 0 else np.nan
    if s_r2 < COPIES_SD**2:
        s_r2, whole_df = np.nan, 0.0
    ratio = np.ones(len(cells.owners))
    if SCATTER_RATIO in takes:
        ratio[cells.owner[cells.of_take]] = takes[SCATTER_RATIO]
    return _errors(cells, s_r2, ratio, squares, df, whole_df, additive, days)


def with_scatter_ratios(takes: pd.DataFrame) -> pd.DataFrame:
    """`takes` of all criteria (columns as for `own_days`) with SCATTER_RATIO: how many times the usual variance those
    of an instrument in its state scatter, all criteria together; 1 at least.

    Criteria that read the same measure of a note share one vote; as if PRIOR_DF takes more had scattered as usual.
    """
    told: dict[Owner, Floats] = {}
    for name, rows in takes.groupby("criterion"):
        cells = cells_of(rows)
        effects, n_effects = manner_effects(rows)
        squares, df = _within(cells, (rows["value"] - effects).to_numpy(float)[:, None])
        usual = squares.sum() / max(df.sum() - n_effects, 1)
        if usual >= COPIES_SD**2:
            for owner, seen in zip(cells.owners, np.column_stack([squares / usual, df]), strict=True):
                told[owner] = told.get(owner, 0.0) + seen / len(_votes_shared(str(name)))
    ratio = {owner: max((seen + PRIOR_DF) / (df + PRIOR_DF), 1.0) for owner, (seen, df) in told.items()}
    owners = zip(*(takes[key] for key in OWNER), strict=True)
    return takes.assign(**{SCATTER_RATIO: [ratio.get(owner, 1.0) for owner in owners]})


def planned_errors(takes: pd.DataFrame, s_r: float, additive: bool, days: Days) -> Errors:
    """How the values of one criterion will err in planned `takes` (columns as for `cells_of`) that scatter by `s_r`."""
    cells = cells_of(takes)
    df = np.bincount(cells.owner, cells.size - 1).astype(float)
    return _errors(cells, s_r**2, np.ones(df.size), s_r**2 * df, df, df.sum(), additive, days)


def _errors(
    cells: Cells, s_r2: float, ratio: Floats, squares: Floats, df: Floats, whole_df: float, additive: bool, days: Days
) -> Errors:
    """`s_r2`: variance of takes on `whole_df`; `ratio`, `squares`, `df` (I,): of each owner SCATTER_RATIO, the sum of
    squares of its takes within cells, and their degrees of freedom."""
    moderated = (squares + PRIOR_DF * ratio * s_r2) / (df + PRIOR_DF)
    weights = cells.mean_weights
    if additive:
        weights = weights - (weights @ _dummies(cells.block)) @ cells.block_weights
    n = np.bincount(cells.owner, cells.size).astype(float)
    joined = cells.joined()
    by_day = (weights * joined) @ _dummies(cells.day)
    return Errors(
        cells.owners,
        n,
        (weights * (moderated[cells.owner] / cells.size)) @ weights.T,
        moderated / n,
        np.minimum(df + PRIOR_DF, whole_df),
        by_day @ by_day.T,
        cells.groups().astype(float),
        float(np.sqrt(s_r2)),
        float(max(whole_df, 0)),
        *((days.ratios, days.shares) if joined.any() else (np.zeros(1), np.ones(1))),
        days.witnesses,
    )


def own_days(
    takes: pd.DataFrame, curves: Iterable[tuple[pd.DataFrame, Floats]], prior: Mapping[str, float]
) -> dict[str, Days]:
    """How much own days scatter, for each of DAY_KINDS: one question, whose witnesses are all criteria of the kind.

    The posterior of the ratio is the prior (the positive half of Student's t of 4 df with the scale `prior`) times the
    likelihood of the cells' means without the fixed effects (REML: Patterson & Thompson 1971, Biometrika 58, 545) of
    every criterion; those that read the same measure of a note share one vote. For what lies between notes the notes
    themselves are witnesses. With nothing to tell by it is the prior.

    `takes`: of all criteria, columns as for `manner_effects` and criterion; `curves`: notes (T, N) of takes, each from
    its take's mean, with the takes' keys.
    """
    votes: dict[str, list[tuple[Floats, float]]] = {kind: [(np.zeros(RATIOS.size), 0.0)] for kind in DAY_KINDS}
    for name, rows in takes.groupby("criterion"):
        criterion, alike = CRITERIA[str(name)], _votes_shared(str(name))
        values = (rows["value"] - manner_effects(rows)[0]).to_numpy(float)
        votes[criterion.day_kind].append(_vote(cells_of(rows), values[:, None], criterion.additive, 1 / len(alike)))
    for keys, notes in curves:
        votes["between_notes"].append(_vote(cells_of(keys), notes, True, 1 / NOTES_TOLD_TOGETHER))
    return {
        kind: _posterior(prior[kind], np.sum([log for log, _ in told], axis=0), sum(df for _, df in told))
        for kind, told in votes.items()
    }


def _votes_shared(criterion: str) -> list[str]:
    """The criteria that have one vote together: which read the same measure of a note, days alike."""
    one = CRITERIA[criterion]
    return [c.name for c in CRITERIA.values() if (c.reads, c.day_kind) == (one.reads, one.day_kind)]


def assumed_days(prior: Mapping[str, float]) -> dict[str, Days]:
    """What is assumed of own days with nothing to tell by."""
    return {kind: _posterior(prior[kind], np.zeros(RATIOS.size), 0.0) for kind in DAY_KINDS}


def _posterior(prior: float, log_likelihood: Floats, witnesses: float) -> Days:
    # Student's t with 4 degrees of freedom; the grid's spacing goes with the square root
    log = np.log((1 + (RATIOS / prior) ** 2 / 4) ** (-5 / 2) * RATIOS ** (1 / 2)) + log_likelihood
    shares = np.exp(log - log.max())
    return Days(RATIOS, shares / shares.sum(), witnesses)


def days_frame(days: Mapping[str, Days]) -> pd.DataFrame:
    """What `days_of_frame` reads: one row per kind and ratio."""
    return pd.concat([pd.DataFrame({"kind": kind, **own._asdict()}) for kind, own in days.items()], ignore_index=True)


def days_of_frame(frame: pd.DataFrame) -> dict[str, Days]:
    """The days that `days_frame` made `frame` of."""
    return {
        str(kind): Days(rows["ratios"].to_numpy(), rows["shares"].to_numpy(), float(rows["witnesses"].iloc[0]))
        for kind, rows in frame.groupby("kind")
    }


def _vote(cells: Cells, values: Floats, additive: bool, weight: float) -> tuple[Floats, float]:
    """Logarithm of the likelihood of RATIOS from takes' `values` (T, N), and the degrees of freedom that told."""
    nothing = np.zeros(RATIOS.size), 0.0
    keep = cells.several_blocks()  # the others tell nothing
    if not keep.any():
        return nothing
    contrasts = null_space(cells.effects(keep, additive).T)
    squares, df = _within(cells, values)
    if not contrasts.size or not df.sum():
        return nothing
    seen = contrasts.T @ cells.means(values)[keep]
    takes, turn = np.linalg.eigh((contrasts.T / cells.size[keep]) @ contrasts)
    variance = takes + RATIOS[:, None] ** 2
    freedom = values.shape[1] * contrasts.shape[1]
    total = squares.sum() + (np.square(turn.T @ seen).sum(axis=1) / variance).sum(axis=1)
    total = np.maximum(total, np.finfo(float).tiny)  # takes that agree to the last digit
    log = -0.5 * values.shape[1] * np.log(variance).sum(axis=1) - 0.5 * (df.sum() + freedom) * np.log(total)
    return weight * log, weight * freedom


def _within(cells: Cells, values: Floats) -> tuple[Floats, Floats]:
    """Sum of squares of the takes' `values` (T, N) within cells and its degrees of freedom, of each owner (I,)."""
    away = values - cells.means(values)[cells.of_take]
    squares = np.bincount(cells.owner[cells.of_take], np.square(away).sum(axis=1)).astype(float)
    return squares, np.bincount(cells.owner, values.shape[1] * (cells.size - 1)).astype(float)


def _numbered(column: Sequence[str]) -> tuple[Ints, NDArray[np.object_]]:
    """Numbers (T,) of a column's values in their order, and the values."""
    numbers, values = pd.factorize(np.array(column, object), sort=True)
    return numbers, values


def _dummies(codes: Ints) -> Floats:
    """One column for each value that occurs among `codes` (N,), 1.0 where it does."""
    occurs: Bools = codes[:, None] == np.unique(codes)
    return occurs.astype(float)
