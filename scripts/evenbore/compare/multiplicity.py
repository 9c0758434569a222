"""Many questions at once: p values adjusted for how many were asked.

Within a family of questions (the pairs of a criterion, the notes of a measure) the false discovery rate is kept by
Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289. Several families are asked together, so chance has as many tries
as there are families: adjusted p values are multiplied by the number of families over the number of those in which
something is found (Benjamini & Bogomolov 2014, J. R. Stat. Soc. B 76, 297, from memory). Where nothing differs,
something is told in 5 % of the studies, over all families; where all families tell of something, nothing is multiplied.
"""

import math
from collections.abc import Sequence

import numpy as np
from scipy import special

from evenbore.compare.verdict import ALPHA
from evenbore.facts.arrays import Floats

POWER = 0.80
# ASSUME: tried on drawn normal takes of twelve instruments; with all of them (1) a promise of 80 % is kept in 71 %
TOLD_TOGETHER = 0.5


def adjusted(p: Floats) -> Floats:
    """Adjusted p values of one family (P,); NaN are no questions.

    >>> adjusted(np.array([0.01, np.nan, 0.04, 0.03])).tolist()
    [0.03, nan, 0.04, 0.04]
    """
    out = np.full(len(p), np.nan)
    order = np.argsort(p, kind="stable")[: np.isfinite(p).sum()]  # NaN come last; scipy.stats takes a second to load
    stepped = p[order] * (order.size / np.arange(1, order.size + 1))
    out[order] = np.minimum(np.minimum.accumulate(stepped[::-1])[::-1], 1.0)
    return out


def over_families(families: Sequence[Floats]) -> float:
    """What the adjusted p values of every family are multiplied with, from these `families` of them.

    Of four families two have something to tell at 5 %:

    >>> over_families([np.array(p) for p in ([0.001, 0.3], [0.02], [0.4], [0.9])])
    2.0
    """
    least = np.array([np.nanmin(p) for p in families if np.isfinite(p).any()])
    if not least.size:
        return 1.0
    told = int((adjusted(least) <= ALPHA).sum())
    return float(least.size / max(told, 1))


def first_threshold(families: int, questions: int, true: float) -> float:
    """The p value at which the `true` of a family's `questions`, all found at once and nothing else, are told, where
    `families` are asked together: what a plan has to reckon with."""
    return ALPHA / families * true / questions


def threshold_of_pairs(families: int, instruments: int) -> float:
    """`first_threshold` of an instrument that differs from all others in one criterion. Its pairs share its error and
    help each other past the adjustment, so that mostly all are told or none: reckoned with are TOLD_TOGETHER of them.
    """
    return first_threshold(families, math.comb(instruments, 2), TOLD_TOGETHER * (instruments - 1))


def detectable(error: float, df: float, threshold: float) -> float:
    """Smallest true difference with this standard `error` on `df` that is told with the probability POWER, where p must
    be `threshold`; NaN without degrees of freedom."""
    return float((special.stdtrit(df, POWER) - special.stdtrit(df, threshold / 2)) * error) if df > 0 else float("nan")
