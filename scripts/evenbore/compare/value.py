"""What quality costs: every instrument's quality against its total cost, and the front of best value.

Quality is the weighted utility without cost, in just-noticeable steps (see `rank`), with the mean of all named sets of
weights: the front belongs to no one buyer. On the front: passes the must-passes, and no other that does is at least as
good and at least as cheap and better in one of the two. The next step up is the next dearer one on the front.
"""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import pandas as pd

from evenbore.compare.rank import Pool, pools_for, weights_of
from evenbore.facts.arrays import Bools, Numbers
from evenbore.facts.criteria import EXACT

STEP_UP = ["next_up", "next_cost", "next_gain", "next_better"]


def on_front(cost: Numbers, quality: Numbers, allowed: Bools) -> Bools:
    """Whether each instrument (I,) is on the front of low cost and high quality; NaN and not `allowed` never are.

    >>> cost, quality = np.array([1.0, 2.0, 2.0]), np.array([0.0, 1.0, -1.0])
    >>> on_front(cost, quality, np.ones(3, bool)).tolist()  # the third is dearer than the first, and worse
    [True, True, False]
    """
    usable = allowed & np.isfinite(cost) & np.isfinite(quality)
    as_good = (quality[None, :] >= quality[:, None]) & (cost[None, :] <= cost[:, None])
    better = (quality[None, :] > quality[:, None]) | (cost[None, :] < cost[:, None])
    beaten: Bools = np.any(as_good & better & usable[None, :], axis=1)
    return usable & ~beaten


def steps_up(
    instruments: list[str], cost: Numbers, quality: Numbers, front: Bools
) -> dict[str, tuple[str, float, float, float]]:
    """For the instruments on the `front` (I,) but the dearest: STEP_UP to the next dearer there.

    `cost` (I,), `quality` drawn (D, I). Instruments of the same cost on the front are equally good: no step.
    """
    places = sorted(np.flatnonzero(front), key=lambda i: cost[i])
    steps = {}
    for place, other in pairwise(places):
        gain = quality[:, other] - quality[:, place]
        if cost[other] > cost[place]:
            step = float(cost[other] - cost[place]), float(np.median(gain)), float((gain > 0).mean())
            steps[instruments[place]] = (instruments[other], *step)
    return steps


def mean_weights(priorities: Mapping[str, Mapping[str, float]]) -> dict[str, float]:
    """Mean over all sets of weights, the sizes of each summing to one, of the weights other than exact (cost) ones.

    >>> mean_weights({"one": {"noise": 1}, "other": {"noise": 1, "response": 3}})  # of noise (1 + 1/4) / 2
    {'noise': 0.625, 'response': 0.375}
    """
    criteria = sorted({c for weights in priorities.values() for c in weights if c not in EXACT})
    shares = [np.array([float(weights.get(c, 0)) for c in criteria]) for weights in priorities.values()]
    mean = np.mean([share / np.abs(share).sum() for share in shares if share.any()], axis=0)
    return dict(zip(criteria, mean.tolist(), strict=True))


def value_table(
    pools: list[Pool], priorities: Mapping[str, Mapping[str, float]], criteria: pd.DataFrame, cost: pd.Series,
    failed: set[str],
) -> pd.DataFrame:  # fmt: skip
    """The value table of the instruments in `cost` (total cost, NaN where not known).

    Quality is the median over the draws with its 90 % interval, NaN where nothing weighed was measured. Where quality
    depends on the chain, the front is that of each comparability group. Without cost or quality on_front is blank. For
    each on the front but the best, next_up names the next one, with what it costs more, how much better it is and how
    probably it is better at all.
    """
    weights = mean_weights(priorities)
    table = pd.DataFrame({"total_cost": cost.astype(float), "quality": np.nan, "low": np.nan, "high": np.nan})
    table["on_front"] = "no"
    steps: dict[str, tuple[str, float, float, float]] = {}
    for pool in pools_for(weights, pools, criteria):
        shares = weights_of(weights, pool)
        if not shares.any():
            continue
        quality = np.array([draw @ shares for draw in pool.utilities])  # at once they would be taken as float64
        table.loc[pool.instruments, ["low", "quality", "high"]] = np.quantile(quality, [0.05, 0.5, 0.95], axis=0).T
        members = table.loc[pool.instruments]
        allowed = np.array([instrument not in failed for instrument in pool.instruments])
        front = on_front(members["total_cost"].to_numpy(), members["quality"].to_numpy(), allowed)
        table.loc[pool.instruments, "on_front"] = np.where(front, "yes", "no")
        steps |= steps_up(pool.instruments, members["total_cost"].to_numpy(), quality, front)
    table.loc[table[["total_cost", "quality"]].isna().any(axis=1), "on_front"] = ""
    table = table.join(pd.DataFrame.from_dict(steps, orient="index", columns=STEP_UP))
    return table.rename_axis("instrument").reset_index()
