"""Which instrument comes first for whom: probabilities of every rank under named priorities.

Stochastic multicriteria acceptability analysis (Lahdelma & Salminen 2001, SMAA-2, Operations Research 49, 444): true
values and weights are drawn many times, the instruments are ranked in every draw, and the share of draws is the
probability of a rank.

Conventions
- True values: a normal hierarchical model per criterion. The instruments of a study spread around a common mean by
  tau, which is drawn too, so a value is drawn towards the mean the more, the less sure it is. Without this the best
  of many uncertain values would be believed too much (Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., 5.4).
- Criteria that read the same notes err together: what is drawn beside their means is correlated as their takes are
  (`Assessment.correlation`).
- An instrument of which nothing but its cost is known is not ranked.
- A missing value is drawn from the worse half of the study's spread, taken at least one step wide: it widens the rank
  and is on average a loss. Of a matter of taste it is drawn from all of it, and of what a room can hide: that says
  nothing against the instrument. A criterion that nobody has a value for does not count.
- A step is the just-noticeable difference of the criterion, see `steps`. The utility of a value x steps better than
  the study's median is SATURATION tanh(x / SATURATION): near the median a step counts as one, far away it counts
  less, because ten steps in one thing do not make up for everything else.
- Weights sum to one and are drawn from a Dirichlet distribution around the given ones. Of a matter of taste, which
  counts for nothing unless it is given a weight, more is better; with a weight below zero less is.
- Who fails a must-pass ranks behind all who pass; the utility itself is not changed.
- Only instruments of one family are ranked together; chain-dependent criteria within a comparability group only,
  priorities without any over all groups.
- Scatter that the study does not show is assumed, wide: UNREPEATED between takes, UNLINKED between sessions (steps).
  By as much all instruments together may lie nearer to a target or further off in a take as a whole: nothing tells
  whether they are sharp or the day is.
- Arrays: (D, I, C) = draw, instrument, criterion. Ranks count from 1, the best.
"""

import math
import zipfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd
from scipy.special import gammaincinv

from evenbore.compare.pairs import in_state
from evenbore.facts.arrays import Bools, Floats, Floats32, Ints
from evenbore.facts.columns import names as column_names
from evenbore.facts.criteria import CRITERIA, EXACT
from evenbore.judge.repeatability import Assessment, Errors

SATURATION = 5.0
# ASSUME: standard deviations in steps (common practice, no source): of a take where nobody repeated one, and of a
# session that no shared instrument links to the others (a few degrees of room temperature are 5 to 10 cents)
UNREPEATED = 2.0
UNLINKED = 1.0
# ASSUME: half-Cauchy prior of the spread between instruments, as a multiple of their errors; a narrower one takes what
# differs by chance for no difference, and loses more than plain means do (docs/decisions.md)
TAU_SCALE = 2.0
WEIGHT_CONCENTRATION = 40.0  # ASSUME: a weight of 0.3 is meant to within an SD of 0.07
MOST_RANKS = 200  # in rank_probabilities: the first, of more
STRATA = 500  # of a drawn weight's distribution
WEIGHT_CHANGES = (-0.2, -0.1, 0.0, 0.1, 0.2)


@dataclass(frozen=True)
class Pool:
    """Instruments ranked together: of one `family`, `group` (None: all groups); drawn utilities (D, I, C) in steps."""

    family: str
    group: int | None
    instruments: list[str]
    criteria: list[str]
    utilities: Floats32


def steps(criteria: pd.DataFrame, median_cost: float) -> pd.Series:
    """Size of one step per criterion, in its unit: the just-noticeable difference, else the criterion's own step."""
    entries = [CRITERIA[name] for name in criteria["criterion"]]
    # one of the two is given
    own_steps = [cast(float, c.step or c.just_noticeable) * (median_cost if c.name in EXACT else 1.0) for c in entries]
    noticed = criteria["just_noticeable"].astype(float).to_numpy()
    return pd.Series(np.where(noticed > 0, noticed, own_steps), index=criteria["criterion"])


def draw_true(
    value: Floats, covariance: Floats, df: float, tau_scale: float, rng: np.random.Generator, deviates: Floats
) -> Floats:
    """Draws (D, I) of the true values behind `value` (I,) with error `covariance` (I, I) on `df`, by `deviates` (D, I),
    standard normal.

    tau has a half-Cauchy prior of `tau_scale`, the common mean a flat one. The covariance is rotated to be diagonal;
    given tau all is normal and independent there. Each draw scales the covariance by df / chi-square(df), because it
    is itself estimated.
    """
    noise, rotation = np.linalg.eigh(covariance)
    noise = np.maximum(noise, 0)
    y, ones, draws = value @ rotation, rotation.sum(axis=0), len(deviates)
    grid, mass = tau_posterior(y, ones, noise, tau_scale)
    tau2 = rng.choice(grid, size=(draws, 1), p=mass) ** 2
    noise = noise * (df / rng.chisquare(df, (draws, 1)) if np.isfinite(df) else 1.0)
    weight = 1 / (noise + tau2)
    precision = (weight * ones**2).sum(axis=1, keepdims=True)
    mean = (weight * ones * y).sum(axis=1, keepdims=True) / precision
    mean = mean + rng.standard_normal((draws, 1)) / np.sqrt(precision)
    pull = noise * weight
    true = y + pull * (mean * ones - y) + np.sqrt(pull * tau2) * (deviates @ rotation)
    turned_back: Floats = true @ rotation.T
    return turned_back


def tau_posterior(value: Floats, ones: Floats, noise: Floats, scale: float, points: int = 400) -> tuple[Floats, Floats]:
    """Grid of tau and its posterior probabilities, the common mean integrated out (Gelman et al. 2013, eq. 5.21).

    `value`, `ones` (the mean's coefficients) and `noise` (variances), all (I,), in the basis where errors are
    independent.
    """
    u = (np.arange(points) + 0.5) / points
    tau = scale * (u / (1 - u)) ** 2  # dense near zero
    prior = u / (1 - u) ** 3 / (1 + (tau / scale) ** 2)
    weight = 1 / (noise + tau[:, None] ** 2)
    precision = (weight * ones**2).sum(axis=1)
    mean = (weight * ones * value).sum(axis=1) / precision
    misfit = (weight * (value - mean[:, None] * ones) ** 2).sum(axis=1)
    log = np.log(prior) + 0.5 * (np.log(weight).sum(axis=1) - np.log(precision) - misfit)
    mass = np.exp(log - log.max())
    return tau, mass / mass.sum()


def utilities(better_by: Floats, median: float, rng: np.random.Generator, neutral: bool = False) -> Floats:
    """Utility in steps of drawn values (D, I), given in steps with more = better; NaN columns are missing values, which
    are a loss unless they are `neutral`.
    """
    x = better_by - median
    missing = np.isnan(x).all(axis=0)
    known = x[:, ~missing]
    spread = np.maximum(known.std(axis=1, keepdims=True), 1.0)
    worse = rng.standard_normal((len(x), int(missing.sum())))
    x[:, missing] = np.median(known, axis=1, keepdims=True) - spread * (worse if neutral else np.abs(worse))
    return SATURATION * np.tanh(x / SATURATION)


def oriented(values: Floats, better: str) -> Floats:
    """Values turned so that more is better; `better` as in facts.criteria: of a matter of taste all are as good.

    >>> [oriented(np.array([-2.0, 1.0]), better).tolist() for better in ("higher", "lower", "target")]
    [[-2.0, 1.0], [2.0, -1.0], [-2.0, -1.0]]
    """
    turns: dict[str, Callable[[Floats], Floats]] = {
        "higher": np.positive,
        "lower": np.negative,
        "target": lambda v: -np.abs(v),
        "taste": lambda v: 0 * v,
    }
    return turns[better](values)


def better_of(first: float, second: float, better: str) -> int:
    """1 where the first of two values is better, -1 where the second is, 0 where neither is or one is not known.

    >>> [better_of(-2.0, 1.0, way) for way in ("higher", "lower", "target", "taste")]
    [-1, 1, -1, 0]
    """
    a, b = (oriented(np.asarray(value), better) for value in (first, second))
    return int(a > b) - int(a < b)


def weight_strata(draws: int, criteria: int, rng: np.random.Generator) -> Ints:
    """Which of STRATA equally likely strata each drawn weight (D, C) is taken from: the same for any weights."""
    strata: Ints = rng.permuted(np.tile(np.arange(draws)[:, None] * STRATA // draws, criteria), axis=0)
    return strata


def draw_weights(weights: Floats, strata: Ints) -> Floats:
    """Drawn weights (D, C) around `weights` (C,), whose sizes sum to one; a weight of 0 stays 0, a sign as it is.

    Shares of independent gamma variables have the Dirichlet distribution. The gamma variables are taken at the middle
    of their `strata` (D, C), so that two sets of weights differ by nothing but the weights.
    """
    drawn = np.zeros(strata.shape)
    used = weights != 0
    middles = (np.arange(STRATA)[:, None] + 0.5) / STRATA
    drawn[:, used] = np.take_along_axis(
        gammaincinv(WEIGHT_CONCENTRATION * np.abs(weights[used]), middles), strata[:, used], axis=0
    )
    shares: Floats = np.sign(weights) * drawn / drawn.sum(axis=1, keepdims=True)
    return shares


def ranks(score: Floats, failed: Bools, lot: Floats) -> Ints:
    """Ranks (D, I) by falling `score` (D, I), those who `failed` (I,) behind all others; equal scores by rising `lot`
    (D, I)."""
    order = np.lexsort((lot, -score, np.broadcast_to(failed, score.shape)), axis=1)
    return order.argsort(axis=1) + 1


def first_places(score: Floats, failed: Bools, lot: Floats) -> Floats:
    """Share (I,) of the draws in which each has rank 1 of `ranks`, without the other ranks."""
    running = score if failed.all() else np.where(failed, -np.inf, score)
    best = np.fmax.reduce(running, axis=1)[:, None]
    first = np.where(running == best, lot, np.inf).argmin(axis=1)
    return np.bincount(first, minlength=len(failed)) / len(score)


def draw_pools(
    assessed: Assessment, criteria: pd.DataFrame, states: Mapping[str, str], families: Mapping[str, str], seed: int,
    draws: int,
) -> list[Pool]:  # fmt: skip
    """One pool per family and comparability group and, where a family has several groups, one over all (group None).

    `criteria`: the results table; `states`: state compared per instrument; `families`: family key per instrument.
    """
    rows = in_state(assessed.instruments, states)
    heard = rows[rows["value"].notna() & ~rows["criterion"].isin(EXACT)]
    group = heard.groupby("instrument")["group"].first()
    wide = rows.pivot(index="instrument", columns="criterion", values="value")
    pools = []
    for family, members in group.groupby(group.index.map(families)):
        together: list[tuple[int | None, list[str]]] = [
            (int(number), sorted(part.index)) for number, part in members.groupby(members)
        ]
        if len(together) > 1:
            together.append((None, sorted(members.index)))
        for number, names in together:
            values = wide.reindex(names).astype(float)
            pools.append(_draw_pool(assessed, criteria, states, values, family, number, seed, draws))
    return pools


def _draw_pool(
    assessed: Assessment, criteria: pd.DataFrame, states: Mapping[str, str], values: pd.DataFrame, family: str,
    group: int | None, seed: int, draws: int,
) -> Pool:  # fmt: skip
    """Draw the utilities of the instruments of `values`, criteria in columns."""
    rng = np.random.default_rng(seed)
    names = list(values.index)
    costs, told = values.get("total_cost", pd.Series(dtype=float)), set(values.columns[values.notna().any()])
    size = steps(criteria, costs.median() or costs.mean())
    # where nobody costs anything, the cost decides nothing
    used = criteria[[c in told and size[c] > 0 for c in criteria["criterion"]]]
    columns = (used[name] for name in ("criterion", "better", "chain_dependent"))
    # of a large study too large to hold twice: utilities take the place of the deviates that they are drawn by
    stacked = _deviates(assessed.correlation(used["criterion"]), (draws, len(names)), rng)
    for number, (criterion, better, chain_dependent) in enumerate(zip(*columns, strict=True)):
        value, step = values[criterion].to_numpy(), size[criterion]
        known = np.isfinite(value)
        drawn = np.full((draws, value.size), np.nan)
        if criterion in EXACT:
            drawn[:, known] = value[known]
        else:
            plan = assessed.errors(criterion, [(name, states[name]) for name in np.array(names)[known]])
            assert plan is not None  # a value comes from takes
            drawn[:, known] = draw_values(value[known], plan, step, rng, stacked[:, known, number].astype(float))
            of_whole_takes = CRITERIA[criterion].kind == "take" and CRITERIA[criterion].day_kind == "whole"
            if better == "target" and of_whole_takes and np.unique(plan.group).size == 1:
                drawn += UNLINKED * step * rng.standard_normal((draws, 1))
        turned = "higher" if better == "taste" else better
        median = np.median(oriented(value[known], turned)) / step
        neutral = better == "taste" or chain_dependent == "yes"
        stacked[:, :, number] = utilities(oriented(drawn, turned) / step, median, rng, neutral)
    return Pool(family, group, names, list(used["criterion"]), stacked)


def _deviates(correlation: Floats, shape: tuple[int, int], rng: np.random.Generator) -> Floats32:
    """Standard normal deviates (D, I, C) with this `correlation` (C, C); `shape`: D, I."""
    size, rotation = np.linalg.eigh(correlation)
    root = rotation * np.sqrt(np.maximum(size, 0))  # pair by pair correlations may contradict one another a little
    root /= np.linalg.norm(root, axis=1, keepdims=True)
    deviates = np.empty((*shape, len(root)), np.float32)
    for of_draw in deviates:
        of_draw[:] = rng.standard_normal(of_draw.shape) @ root.T
    return deviates


def draw_values(value: Floats, plan: Errors, step: float, rng: np.random.Generator, deviates: Floats) -> Floats:
    """Draws (D, I) of the true values by `deviates` (D, I), each with the error of one of the ratios of own days, by
    their shares."""
    shares, covariances, df = _covariances(plan, step)
    ratio = rng.choice(shares.size, len(deviates), p=shares)
    drawn = np.empty(deviates.shape)
    for number, covariance in enumerate(covariances):
        own = ratio == number
        if own.any():
            error = np.sqrt(np.trace(covariance) / len(covariance))
            drawn[own] = draw_true(value, covariance, df, max(TAU_SCALE * error, 1e-6 * step), rng, deviates[own])
    return drawn


def _covariances(plan: Errors, step: float) -> tuple[Floats, Iterable[Floats], float]:
    """Probabilities (K,) of the error covariances, these (I, I) one by one, and their df: as measured, else as
    assumed."""
    besides = plan.setups
    if np.unique(plan.group).size > 1:  # what instruments joined by links share does not count between them
        besides = besides + (UNLINKED * step) ** 2 * (plan.group[:, None] == plan.group)
    if not plan.df:
        return np.ones(1), [np.diag((UNREPEATED * step) ** 2 / plan.n) + besides], np.inf
    freedom = float(np.mean(plan._replace(setups=besides).of_values()[1]))
    covariances = (plan.takes + (ratio * plan.s_r) ** 2 * plan.days + besides for ratio in plan.ratios)
    return plan.shares, covariances, freedom


def save_pools(pools: list[Pool], path: str | Path) -> None:
    """Keep the draws: arrays family, group, instruments, criteria, utilities (D, I, C) per pool, suffixed _0, _1, …

    The group of a pool over all groups is -1.
    """
    arrays = {}
    for number, pool in enumerate(pools):
        arrays[f"family_{number}"] = np.array(pool.family)
        arrays[f"group_{number}"] = np.array(-1 if pool.group is None else pool.group)
        arrays[f"instruments_{number}"] = np.array(pool.instruments, dtype=str)
        arrays[f"criteria_{number}"] = np.array(pool.criteria, dtype=str)
        arrays[f"utilities_{number}"] = pool.utilities
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(path, **arrays)  # type: ignore[arg-type]  # any name but allow_pickle is an array's


def utilities_a_draw(path: str | Path) -> int:
    """How many utilities a draw has, in all pools that `save_pools` kept."""
    with np.load(path, allow_pickle=False) as kept:
        return sum(kept[f"instruments_{number}"].size * kept[f"criteria_{number}"].size for number in _numbers(kept))


def load_pools(path: str | Path, draws: int | None = None) -> list[Pool]:
    """What `save_pools` kept: all draws, or the first of them; the others are not read."""
    with np.load(path, allow_pickle=False) as kept, zipfile.ZipFile(path) as members:
        return [
            Pool(
                str(kept[f"family_{number}"]),
                None if kept[f"group_{number}"] < 0 else int(kept[f"group_{number}"]),
                kept[f"instruments_{number}"].tolist(),
                kept[f"criteria_{number}"].tolist(),
                _first_draws(members, f"utilities_{number}.npy", draws),
            )
            for number in _numbers(kept)
        ]


def _numbers(kept: Iterable[str]) -> range:
    return range(sum(key.startswith("family_") for key in kept))


def _first_draws(members: zipfile.ZipFile, name: str, draws: int | None) -> Floats32:
    with members.open(name) as file:
        np.lib.format.read_magic(file)
        (kept, *one_draw), fortran, dtype = np.lib.format.read_array_header_1_0(file)
        assert not fortran, "the draws must come one after the other"
        shape = (kept if draws is None else min(draws, kept), *one_draw)
        return np.frombuffer(file.read(math.prod(shape) * dtype.itemsize), dtype).reshape(shape)


def pools_for(priorities: Mapping[str, float], pools: list[Pool], criteria: pd.DataFrame) -> list[Pool]:
    """The pools that a set of weights is ranked in: each group, or a family's all when no criterion needs the chain."""
    chain = set(criteria.loc[criteria["chain_dependent"] == "yes", "criterion"])
    weighed = {criterion for criterion, weight in priorities.items() if weight}
    several = {pool.family for pool in pools if pool.group is None}
    return [pool for pool in pools if pool.family not in several or (pool.group is not None) == bool(weighed & chain)]


def weights_of(priorities: Mapping[str, float], pool: Pool) -> Floats:
    """Weights (C,) over the pool's criteria, their sizes summing to one; all zero when the pool has none of them."""
    weights = np.array([float(priorities.get(criterion, 0)) for criterion in pool.criteria])
    return weights / np.abs(weights).sum() if weights.any() else weights


def rank_tables(
    pools: list[Pool], priorities: Mapping[str, Mapping[str, float]], criteria: pd.DataFrame, gates: Mapping[str, str],
    failed: set[str], states: Mapping[str, str], seed: int,
) -> dict[str, pd.DataFrame]:  # fmt: skip
    """The tables ranking, rank_probabilities and sensitivity, by name.

    `gates`: text of the gate column per instrument; `failed`: the instruments that failed a must-pass.
    """
    ranking, probabilities, sensitivity = [], [], []
    for name, given in priorities.items():
        for pool in pools_for(given, pools, criteria):
            weights = weights_of(given, pool)
            if not weights.any():
                continue
            out = np.array([instrument in failed for instrument in pool.instruments])
            strata, lot = _chances(len(pool.utilities), weights.size, len(out), seed)
            score = _scores(pool, weights, strata)
            rank = ranks(score, out, lot)
            # those who pass before those who failed, each by falling utility
            best = score[:, ~out if not out.all() else out].max(axis=1, keepdims=True)
            utility, of_pool = score.mean(axis=0), {"priorities": name, "group": pool.group}
            low, high = np.quantile(rank, [0.05, 0.95], axis=0, method="inverted_cdf")
            table = pd.DataFrame(of_pool | {
                "state": [states[i] for i in pool.instruments], "instrument": pool.instruments,
                "gate": [gates[i] for i in pool.instruments], "rank_median": np.median(rank, axis=0),
                "rank_low": low, "rank_high": high, "p_first": (rank == 1).mean(axis=0), "utility": utility,
                "given_up": np.maximum(best - score, 0).mean(axis=0),
            })  # fmt: skip
            ranking.append(table.iloc[np.lexsort((-utility, out))])
            each = np.arange(1, min(len(out), MOST_RANKS) + 1)
            probabilities.append(pd.DataFrame(of_pool | {
                "instrument": np.repeat(pool.instruments, each.size), "rank": np.tile(each, len(out)),
                "probability": np.stack([(rank == r).mean(axis=0) for r in each], axis=1).ravel(),
            }))  # fmt: skip
            sensitivity.append(_sensitivity(name, pool, weights, out, seed))
    parts_of = {"ranking": ranking, "rank_probabilities": probabilities, "sensitivity": sensitivity}
    return {
        table: pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=column_names(table))
        for table, parts in parts_of.items()
    }


@lru_cache(maxsize=4)
def _chances(draws: int, criteria: int, instruments: int, seed: int) -> tuple[Ints, Floats]:
    """Strata (D, C) of the weights and lots (D, I), the same for any weights."""
    rng = np.random.default_rng(seed)
    return weight_strata(draws, criteria, rng), rng.random((draws, instruments))


def _scores(pool: Pool, weights: Floats, strata: Ints) -> Floats:
    """Utilities (D, I) weighted by drawn weights."""
    scores: Floats = np.einsum("dic,dc->di", pool.utilities, draw_weights(weights, strata))
    return scores


def _sensitivity(name: str, pool: Pool, weights: Floats, failed: Bools, seed: int) -> pd.DataFrame:
    """First-place probabilities with one weight changed, also to nothing, the others keeping their proportions."""
    tables = []
    size = np.abs(weights)
    strata, lot = _chances(len(pool.utilities), weights.size, len(failed), seed)
    for c in np.flatnonzero((size > 0) & (size < 1)):
        for weight in sorted({0.0, *(float(np.clip(size[c] + change, 0, 1)) for change in WEIGHT_CHANGES)}):
            changed = weights * (1 - weight) / (1 - size[c])
            changed[c] = np.sign(weights[c]) * weight
            tables.append(pd.DataFrame({
                "priorities": name, "instrument": pool.instruments, "criterion": pool.criteria[c],
                "weight_change": weight - size[c], "p_first": first_places(_scores(pool, changed, strata), failed, lot),
            }))  # fmt: skip
    return pd.concat(tables) if tables else pd.DataFrame(columns=column_names("sensitivity"))
