"""How well the same thing measured again agrees, and how the errors of the values come about.

One model for intervals, pairs, ranking, before and after, and plans. Of one criterion, in its unit:

    take = instrument in its state [+ block] + the instrument's own day + scatter of the take

- A block is what takes were recorded in together: a session, of one player where several played. What it adds to all
  instruments alike is taken out for criteria where it is `additive`.
- Takes scatter by s_r, the repeatability standard deviation of ISO 5725-2:1994, pooled over the study (a cell is one
  instrument in one state and block, a test result is a take). Takes at other dynamics tell of it as well (BESIDE),
  unless they scatter otherwise. Some instruments scatter more than others: the variance of each is its own, drawn to
  the pooled one as if that had been seen in PRIOR_DF takes more (moderated variances: Smyth 2004, Stat. Appl. Genet.
  Mol. Biol. 3, 3, from memory). One whose takes scatter more in all criteria together is drawn to a variance so many
  times the pooled one instead (SCATTER_RATIO): two bad takes may agree by chance in one criterion, hardly in all.
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
from scipy import special
from scipy.linalg import null_space
from scipy.sparse import coo_array

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.days import DAY_KINDS
from evenbore.files.tables import read_parquet
from evenbore.statistics.grouped import by_criterion, combined, joined_parts

OWNER = ["instrument", "state"]
SCATTER_RATIO = "scatter_ratio"
BESIDE = ["beside_squares", "beside_df"]
MANNER = ["direction", "articulation"]
Owner: TypeAlias = tuple[str, str]
"""Instrument and state."""
# ASSUME: instruments' standard deviations differ by a third or so (a chi-square of 6 df); no source, tuned by trial
# (tests/decisions, its development series)
PRIOR_DF = 6
# ASSUME: in cents, dB or ms; nobody plays alike to this, so takes that do are copies of one (louder, say)
COPIES_SD = 1e-3
# ASSUME: takes at other dynamics scatter as those at the base dynamic, unless an F test tells otherwise at this level
UNLIKE = 0.05
RATIOS = 8.0 * ((np.arange(24) + 0.5) / 24) ** 2
# ASSUME: own choice, no source: three neighbouring notes tell of a day's change as much as one that stands alone
NOTES_TOLD_TOGETHER = 3.0


@dataclass(frozen=True)
class Cells:
    """Takes (T) by cells (C): `of_take` (T,) the cell of each take; `owner`, `block`, `session`, `day`, `size` (C,) of
    each cell, as numbers into `owners` (instrument, state), of the blocks, sessions and instruments' days, and its
    number of takes; `manners` (T, M): dummies of the manners of playing that takes of one column differ in."""

    of_take: Ints
    owner: Ints
    block: Ints
    session: Ints
    day: Ints
    size: Floats
    owners: list[Owner]
    manners: Floats

    def means(self, values: Floats) -> Floats:
        """Mean of the takes' `values` (T, ...) in each cell (C, ...)."""
        sums = np.zeros((self.size.size, *values.shape[1:]))
        np.add.at(sums, self.of_take, values)
        means: Floats = sums / self.size.reshape(-1, *[1] * (values.ndim - 1))
        return means

    def away(self, values: Floats) -> Floats:
        """The takes' `values` (T, ...) less the mean of their cell."""
        away: Floats = values - self.means(values)[self.of_take]
        return away

    def several_blocks(self) -> Bools:
        """Whether each cell's owner was recorded in other blocks too (C,)."""
        return np.bincount(self.owner)[self.owner] > 1

    def joined(self) -> Bools:
        """Whether a shared instrument joins each cell's block to another (C,)."""
        return np.isin(self.block, self.block[self.several_blocks()])

    def groups(self) -> tuple[Ints, Bools]:
        """Number of the blocks joined by shared instruments that each owner (I,) belongs to, and whether all of these
        are of one session (I,)."""
        group = joined_parts(self.owner, self.block)
        sessions = np.unique(np.column_stack([group[self.owner], self.session]), axis=0)
        return group, np.bincount(sessions[:, 0])[group] == 1

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


class Days(NamedTuple):
    """How much an instrument's own days scatter: `shares` (K,) the probabilities of `ratios` (K,), standard deviation
    of the days over s_r; `witnesses`: degrees of freedom that told."""

    ratios: Floats
    shares: Floats
    witnesses: float


class Errors(NamedTuple):
    """How the values of the instruments (I) err in one criterion; NaN for one without takes.

    `owners` (instrument, state); `n` (I,) takes; `takes` (I, I) covariance by the scatter of takes; `own` (I,) what
    each one's own takes add to its variance there, on `own_df` (I,); `days` (I, I) covariance by own days as parts of
    a day's variance; `setups` (I, I) covariance by the error of the set-ups; `group` (I,) number of the blocks joined;
    `one_room` (I,) 1 where all of these are of one session; `s_r` on `df`; `ratios` and `shares` (K,) as in Days, told
    by `witnesses`.
    """

    owners: Sequence[Owner]
    n: Floats
    takes: Floats
    own: Floats
    own_df: Floats
    days: Floats
    setups: Floats
    group: Floats
    one_room: Floats
    s_r: float
    df: float
    ratios: Floats
    shares: Floats
    witnesses: float

    def of(self, owners: Sequence[Owner]) -> "Errors":
        """The same of these `owners` in their order."""
        places = {owner: place for place, owner in enumerate(self.owners)}
        place = np.array([places.get(owner, -1) for owner in owners], int)
        picked = {
            name: np.pad(part, (0, 1), constant_values=np.nan)[np.ix_(*[place] * part.ndim)]
            for name in ("n", "takes", "own", "own_df", "days", "setups", "group", "one_room")
            for part in [getattr(self, name)]
        }
        return self._replace(owners=owners, **picked)

    def linked(self, a: Ints, b: Ints) -> Bools:
        """Whether the blocks of `a` and `b` (indices (P,)) are joined (P,)."""
        return np.asarray(self.group[a] == self.group[b])

    def of_values(self) -> tuple[Floats, Floats]:
        """Standard errors (I, K) of the values, one for each ratio, and their degrees of freedom (I,)."""
        takes, days, setups = (np.diag(part) for part in (self.takes, self.days, self.setups))
        return self._scale(takes + setups, days), self._freedom(takes, days, [self.own], [self.own_df])

    def of_differences(self, a: Ints, b: Ints, fewer: float | Floats = 1.0) -> tuple[Floats, Floats]:
        """Standard errors (P, K) of the differences between `a` and `b` (indices (P,)) and their degrees of freedom
        (P,); `fewer` (P,): the part of the takes' variance that more takes leave."""
        takes, days = contrast(self.takes, a, b) * fewer, contrast(self.days, a, b)
        own, own_df = [self.own[a] * fewer, self.own[b] * fewer], [self.own_df[a], self.own_df[b]]
        return self._scale(takes + contrast(self.setups, a, b), days), self._freedom(takes, days, own, own_df)

    def _scale(self, variance: Floats, days: Floats) -> Floats:
        return np.sqrt(variance[:, None] + (self.ratios * self.s_r) ** 2 * days[:, None])

    def _freedom(self, takes: Floats, days: Floats, own: list[Floats], own_df: list[Floats]) -> Floats:
        """After Satterthwaite: own parts on their own degrees of freedom, links and days on the pooled ones."""
        whole = takes + days * self.s_r**2 * (self.ratios**2 @ self.shares)
        with np.errstate(invalid="ignore", divide="ignore"):
            uncertain = sum(part**2 / df for part, df in zip(own, own_df, strict=True))
            uncertain = uncertain + np.maximum(whole - sum(own), 0.0) ** 2 / self.df
            # values without any scatter are as sure as the pool
            return np.where(whole > 0, np.minimum(whole**2 / uncertain, self.df), self.df)


@dataclass(frozen=True)
class Assessment:
    """What is known of the instruments.

    `instruments`: the table of that name. `takes`: one value per criterion and take (instrument state session
    recording direction articulation criterion value session_offset, which is taken out of the value; BESIDE;
    SCATTER_RATIO; what has no value is left out). `shifts`: instrument state criterion component shift, the change of
    a value along each independent direction of the error of the set-ups (one standard error each). `days`: how much
    instruments' own days scatter, per kind.
    """

    instruments: pd.DataFrame
    takes: pd.DataFrame
    shifts: pd.DataFrame
    days: Mapping[str, Days]

    @cached_property
    def takes_of(self) -> dict[str, pd.DataFrame]:
        """The takes by criterion."""
        return by_criterion(self.takes)

    @cached_property
    def _away(self) -> pd.DataFrame:
        """How far each take lies from the mean of its cell, by recording and criterion; 0 where it does not tell."""
        away_of = {}
        for criterion, takes in self.takes.groupby("criterion"):
            cells, values, _ = played_alike(takes)
            away_of[criterion] = pd.Series(cells.away(values), takes["recording"])
        return pd.DataFrame(away_of).fillna(0.0)

    @cached_property
    def _shifts_of(self) -> dict[str, pd.DataFrame]:
        return by_criterion(self.shifts)

    def errors(self, criterion: str, owners: Sequence[Owner]) -> Errors | None:
        """How the values of these `owners` err in a criterion; None where nobody has takes of it.

        The repeatability is pooled over every state: it is the player's, not the state's.
        """
        takes, entry = self.takes_of[criterion], CRITERIA[criterion]
        if takes.empty:
            return None
        return errors_of(takes, entry.additive, self.days[entry.day_kind], self._shifts_of[criterion]).of(owners)

    def correlation(self, criteria: Iterable[str]) -> Floats:
        """Correlation (C, C) of how these criteria scatter from take to take within cells; 0 of those that read no
        measure of a note in common, or are told by other takes."""
        names = list(criteria)
        away = self._away.reindex(columns=names, fill_value=0.0).to_numpy(float)
        size = np.linalg.norm(away, axis=0)
        told = np.divide(away, size, out=np.zeros_like(away), where=size > 0)
        common = [[bool({*CRITERIA[a].reads} & {*CRITERIA[b].reads}) for b in names] for a in names]
        correlation: Floats = told.T @ told * common
        np.fill_diagonal(correlation, 1.0)
        return correlation


def contrast(covariance: Floats, a: Ints, b: Ints) -> Floats:
    """Variance (P,) of the differences between `a` and `b` (indices (P,)); 0 at least, against rounding."""
    variance: Floats = np.maximum(covariance[a, a] + covariance[b, b] - 2 * covariance[a, b], 0)
    return variance


def cells_of(takes: pd.DataFrame | Mapping[str, list[str]]) -> Cells:
    """The cells of `takes` (columns OWNER, session, and player and MANNER if there are), in the order of their keys."""
    columns = (*OWNER, "session", "player", *MANNER)
    return _cells(*(tuple(np.asarray(takes[column], object)) if column in takes else () for column in columns))


@lru_cache(maxsize=64)  # most criteria have values of the same takes
def _cells(*keys: tuple[str, ...]) -> Cells:
    """See `cells_of`; `keys`: the columns, empty where there is none."""
    (instrument, names), (state, states), (session, _) = (_numbered(key) for key in keys[:3])
    owner, of_take = np.unique(instrument * len(states) + state, return_inverse=True)
    owners = list(zip(names[owner // len(states)], states[owner % len(states)], strict=True))
    block = combined(session, *(_numbered(key)[0] for key in keys[3:4] if key))
    blocks = block.max() + 1
    cell, first, of_take, size = np.unique(
        of_take * blocks + block, return_index=True, return_inverse=True, return_counts=True
    )
    # two states of an instrument in one block are of one day
    day = owner[cell // blocks] // len(states) * blocks + cell % blocks
    manners = [_dummies(_numbered(key)[0]) for key in keys[4:] if len(set(key)) > 1]
    return Cells(
        of_take, cell // blocks, cell % blocks, session[first], day, size.astype(float), owners,
        np.hstack([np.empty((session.size, 0)), *manners]),
    )  # fmt: skip


def played_alike(takes: pd.DataFrame) -> tuple[Cells, Floats, int]:
    """The cells, the takes' values (T,) less the effects of the manner of playing, and how many effects were fitted.

    `takes`: columns as for `cells_of`, and value. Manners are compared within cells only, one additive effect for the
    whole study; the effects of a column average zero over what it holds. A manner that no cell shares with another has
    no known effect.
    """
    cells, values = cells_of(takes), takes["value"].to_numpy(float)
    if cells.manners.shape[1] < 2:
        return cells, values, 0
    whole = np.column_stack([cells.manners, values])
    within = cells.away(whole)
    # the least-norm solution averages zero over the manners joined within cells
    effects, _, rank, _ = np.linalg.lstsq(within[:, :-1], within[:, -1], rcond=1e-9)
    return cells, values - cells.manners @ effects, int(rank)


def block_offsets(takes: pd.DataFrame) -> Floats:
    """What the block adds to each take (T,), all manners played alike, see `Cells.block_weights`."""
    cells, values, _ = played_alike(takes)
    offsets = cells.block_weights @ cells.means(values)
    return offsets[cells.block[cells.of_take]]


def _scatter_within(takes: pd.DataFrame) -> tuple[Cells, Floats, Floats, float]:
    """Cells of the takes of one criterion; of each owner (I,) the sum of squares of its takes within cells and its
    degrees of freedom; those of all together, less what the manners of playing took."""
    cells, values, n_effects = played_alike(takes)
    squares, df = _within(cells, values[:, None])
    whole_df = max(df.sum() - n_effects, 0.0)
    if BESIDE[0] in takes:
        beside = np.zeros((2, df.size))
        beside[:, cells.owner[cells.of_take]] = takes[BESIDE].to_numpy(float).T
        if _alike(squares.sum(), whole_df, *beside.sum(axis=1)):
            return cells, squares + beside[0], df + beside[1], whole_df + beside[1].sum()
    return cells, squares, df, whole_df


def _alike(squares: float, df: float, others: float, others_df: float) -> bool:
    """Whether an F test finds no difference between the variances of two sums of squares."""
    if not min(squares, df, others, others_df) > 0:
        return False
    ratio = squares / df / (others / others_df)
    return bool(2 * min(special.fdtr(df, others_df, ratio), special.fdtrc(df, others_df, ratio)) >= UNLIKE)


def with_takes_beside(takes: pd.DataFrame, beside: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """`takes` with BESIDE: sum of squares within cells, and its degrees of freedom, of what the same instrument in its
    state played at other dynamics; `beside`: the takes of each of these (both: columns as for `own_days`)."""
    told: dict[tuple[str, Owner], Floats] = {}
    for table in beside:
        for name, rows in table.groupby("criterion"):
            cells, squares, df, whole_df = _scatter_within(rows)
            df = df * whole_df / max(df.sum(), 1.0)
            for owner, seen in zip(cells.owners, np.column_stack([squares, df]), strict=True):
                told[str(name), owner] = told.get((str(name), owner), 0.0) + seen
    keys = zip(takes["criterion"], zip(*(takes[key] for key in OWNER), strict=True), strict=True)
    found = np.array([told.get(key, (0.0, 0.0)) for key in keys]).reshape(-1, 2)
    return takes.assign(**dict(zip(BESIDE, found.T, strict=True)))


def errors_of(takes: pd.DataFrame, additive: bool, days: Days, shifts: pd.DataFrame | None = None) -> Errors:
    """How the values of one criterion err, from `takes` (see `played_alike`; no NaN); `days`: see `own_days`;
    `shifts`: see Assessment.

    Takes that do not scatter at all are no repeats.
    """
    cells, squares, df, whole_df = _scatter_within(takes)
    s_r2 = squares.sum() / whole_df if whole_df > 0 else np.nan
    if s_r2 < COPIES_SD**2:
        s_r2, whole_df = np.nan, 0.0
    ratio = np.ones(len(cells.owners))
    if SCATTER_RATIO in takes:
        ratio[cells.owner[cells.of_take]] = takes[SCATTER_RATIO]
    errors = _errors(cells, s_r2, ratio, squares, df, whole_df, additive, days)
    return errors if shifts is None or shifts.empty else errors._replace(setups=_setup_covariance(shifts, cells.owners))


def _setup_covariance(shifts: pd.DataFrame, owners: Sequence[Owner]) -> Floats:
    """Covariance (I, I) of the owners' values by the error of the set-ups: the products of their shifts."""
    place = pd.MultiIndex.from_tuples(owners).get_indexer(pd.MultiIndex.from_frame(shifts[OWNER]))
    known, component = place >= 0, pd.factorize(shifts["component"])[0]
    moved = coo_array(
        (shifts["shift"].to_numpy(float)[known], (place[known], component[known])),
        shape=(len(owners), component.max() + 1),
    ).tocsr()
    covariance: Floats = (moved @ moved.T).toarray()
    return covariance


def with_scatter_ratios(takes: pd.DataFrame) -> pd.DataFrame:
    """`takes` of all criteria (columns as for `own_days`) with SCATTER_RATIO: how many times the usual variance those
    of an instrument in its state scatter, all criteria together; 1 at least.

    Criteria that read the same measure of a note share one vote; as if PRIOR_DF takes more had scattered as usual.
    """
    told: dict[Owner, Floats] = {}
    for name, rows in takes.groupby("criterion"):
        cells, squares, df, whole_df = _scatter_within(rows)
        usual = squares.sum() / max(whole_df, 1)
        if usual >= COPIES_SD**2:
            for owner, seen in zip(cells.owners, np.column_stack([squares / usual, df]), strict=True):
                told[owner] = told.get(owner, 0.0) + seen / _voting_together(str(name))
    ratio = {owner: max((seen + PRIOR_DF) / (df + PRIOR_DF), 1.0) for owner, (seen, df) in told.items()}
    owners = zip(*(takes[key] for key in OWNER), strict=True)
    return takes.assign(**{SCATTER_RATIO: [ratio.get(owner, 1.0) for owner in owners]})


def planned_errors(
    takes: pd.DataFrame | Mapping[str, list[str]], s_r: float, additive: bool, days: Days, dynamics: int = 1
) -> Errors:
    """How the values of one criterion will err in planned `takes` (columns as for `cells_of`) that scatter by `s_r`,
    which as many at each of several `dynamics` will tell."""
    cells = cells_of(takes)
    df = dynamics * np.bincount(cells.owner, cells.size - 1).astype(float)
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
    group, one_room = (part.astype(float) for part in cells.groups())
    ratios, shares = (days.ratios, days.shares) if joined.any() else (np.zeros(1), np.ones(1))
    takes = (weights * (moderated[cells.owner] / cells.size)) @ weights.T
    return Errors(
        cells.owners, n, takes, moderated / n, np.minimum(df + PRIOR_DF, whole_df), by_day @ by_day.T,
        np.zeros(takes.shape), group, one_room, float(np.sqrt(s_r2)), float(max(whole_df, 0)), ratios, shares,
        days.witnesses,
    )  # fmt: skip


def own_days(
    takes: pd.DataFrame, curves: Iterable[tuple[pd.DataFrame, Floats]], prior: Mapping[str, float]
) -> dict[str, Days]:
    """How much own days scatter, for each of DAY_KINDS: one question, whose witnesses are all criteria of the kind.

    The posterior of the ratio is the prior (the positive half of Student's t of 4 df with the scale `prior`) times the
    likelihood of the cells' means without the fixed effects (REML: Patterson & Thompson 1971, Biometrika 58, 545) of
    every criterion; those that read the same measure of a note share one vote. For what lies between notes the notes
    themselves are witnesses. With nothing to tell by it is the prior.

    `takes`: of all criteria, columns as for `played_alike` and criterion; `curves`: notes (T, N) of takes, each from
    its take's mean, with the takes' keys.
    """
    votes: dict[str, list[tuple[Floats, float]]] = {kind: [(np.zeros(RATIOS.size), 0.0)] for kind in DAY_KINDS}
    for name, rows in takes.groupby("criterion"):
        criterion, weight = CRITERIA[str(name)], 1 / _voting_together(str(name))
        cells, values, _ = played_alike(rows)
        vote = _vote(cells, values[:, None], criterion.additive, weight)
        votes[criterion.day_kind].append(vote)
    for keys, notes in curves:
        votes["between_notes"].append(_vote(cells_of(keys), notes, True, 1 / NOTES_TOLD_TOGETHER))
    days = {}
    for kind, told in votes.items():
        # Student's t with 4 degrees of freedom; the grid's spacing goes with the square root
        log = np.log((1 + (RATIOS / prior[kind]) ** 2 / 4) ** (-5 / 2) * RATIOS ** (1 / 2))
        log = log + np.sum([log_likelihood for log_likelihood, _ in told], axis=0)
        shares = np.exp(log - log.max())
        days[kind] = Days(RATIOS, shares / shares.sum(), sum(df for _, df in told))
    return days


def _voting_together(criterion: str) -> int:
    """How many criteria have one vote together: those that read the same measure of a note, days alike."""
    one = CRITERIA[criterion]
    return sum((c.reads, c.day_kind) == (one.reads, one.day_kind) for c in CRITERIA.values())


def assumed_days(prior: Mapping[str, float]) -> dict[str, Days]:
    """What is assumed of own days with nothing to tell by."""
    return own_days(pd.DataFrame({"criterion": []}), (), prior)


def days_frame(days: Mapping[str, Days]) -> pd.DataFrame:
    """What `days_of_frame` reads: one row per kind and ratio."""
    return pd.concat([pd.DataFrame({"kind": kind, **own._asdict()}) for kind, own in days.items()], ignore_index=True)


def days_of_frame(frame: pd.DataFrame) -> dict[str, Days]:
    """The days that `days_frame` made `frame` of."""
    return {
        str(kind): Days(rows["ratios"].to_numpy(), rows["shares"].to_numpy(), float(rows["witnesses"].iloc[0]))
        for kind, rows in frame.groupby("kind")
    }


def read_assessment(values: pd.DataFrame, path_to_takes: str, path_to_shifts: str, path_to_days: str) -> Assessment:
    """The assessment whose values are the table `instruments`, with the rest as it was written."""
    takes, shifts, days = (read_parquet(path) for path in (path_to_takes, path_to_shifts, path_to_days))
    return Assessment(values, takes, shifts, days_of_frame(days))


def _vote(cells: Cells, values: Floats, additive: bool, weight: float) -> tuple[Floats, float]:
    """Logarithm of the likelihood of RATIOS from takes' `values` (T, N), and the degrees of freedom that told."""
    nothing = np.zeros(RATIOS.size), 0.0
    keep = cells.several_blocks()  # the others tell nothing
    if not keep.any():
        return nothing
    effects = [_dummies(column[keep]) for column in (cells.owner, cells.block)[: 1 + additive]]
    contrasts = null_space(np.hstack(effects).T)
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
    squares = np.bincount(cells.owner[cells.of_take], np.square(cells.away(values)).sum(axis=1)).astype(float)
    return squares, np.bincount(cells.owner, values.shape[1] * (cells.size - 1)).astype(float)


def _numbered(column: Sequence[str]) -> tuple[Ints, NDArray[np.object_]]:
    """Numbers (T,) of a column's values in their order, and the values."""
    numbers, values = pd.factorize(np.array(column, object), sort=True)
    return numbers, values


def _dummies(codes: Ints) -> Floats:
    """One column for each value that occurs among `codes` (N,), 1.0 where it does."""
    occurs: Bools = codes[:, None] == np.unique(codes)
    return occurs.astype(float)
