"""Student's t with a scale that is itself uncertain: a mixture over a grid of scales.

`scale` (N, K): the scales of N quantities at K grid points; `shares` (K,): their probabilities, summing to one; `df`:
degrees of freedom, of all or of each (N,). NaN scales give NaN; a scale of zero and a distance of zero, probability 1.
"""

import numpy as np
from scipy import special

from evenbore.facts.arrays import Floats

CONFIDENCE = 0.90  # of every interval that the results tell
Z_HALF = float(special.ndtri((1 + CONFIDENCE) / 2))  # half of it in standard errors, where those are known
_MOST_STEPS = 60


def two_sided(distance: Floats, scale: Floats, df: float | Floats, shares: Floats) -> Floats:
    """Probability (N,) of lying further than `distance` (N,) from the centre, on either side.

    With one degree of freedom P(|t| > 1) = 1/2 and P(|t| > √3) = 1/3, here with the same shares:

    >>> scale = np.array([[1.0, 3**-0.5]])
    >>> two_sided(np.array([1.0]), scale, 1, np.array([0.5, 0.5])).round(6)  # (1/2 + 1/3) / 2
    array([0.416667])
    """
    distance = np.abs(distance)[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where((scale == 0) & (distance == 0), 0.0, distance / scale)
    # shares may sum to a rounding error more than one
    return np.minimum(2 * special.stdtr(np.reshape(df, (-1, 1)), -ratio) @ shares, 1.0)


def half_width(scale: Floats, df: float | Floats, shares: Floats, confidence: float) -> Floats:
    """Half (N,) of the central interval that holds `confidence`.

    >>> half_width(np.array([[2.0]]), 1, np.array([1.0]), 0.5).round(6)  # P(|t| > 1) = 1/2
    array([2.])
    """
    freedom: Floats = np.broadcast_to(np.asarray(df, float), len(scale))
    bound: Floats = special.stdtrit(freedom, (1 + confidence) / 2)[:, None] * scale
    half: Floats = bound.max(axis=1)
    low: Floats = bound.min(axis=1)
    mixed = np.flatnonzero(half - low > 1e-9 * half)
    # what lies outside falls ever more slowly from `low` on, so Newton's steps never go too far
    distance, of_row, of_freedom = np.maximum(low[mixed], 1e-6 * half[mixed]), scale[mixed], freedom[mixed]
    finite = np.minimum(of_freedom, 1e6)[:, None]  # as good as normal
    for _ in range(_MOST_STEPS if mixed.size else 0):
        outside = two_sided(distance, of_row, of_freedom, shares) - (1 - confidence)
        with np.errstate(divide="ignore", invalid="ignore"):
            density = np.exp(log_density(distance[:, None] / of_row, finite)) / of_row
        step = outside / (2 * np.nan_to_num(density) @ shares)
        distance = distance + step
        if (np.abs(step) <= 1e-9 * distance).all():
            break
    half[mixed] = distance
    return half


def log_density(t: Floats, df: float | Floats) -> Floats:
    """Logarithm of the density of Student's t.

    >>> log_density(np.array([1.0]), 1.0).round(6)  # of one degree of freedom 1 / π(1 + t²): log of 1 / 2π
    array([-1.837877])
    """
    norm = special.gammaln((df + 1) / 2) - special.gammaln(df / 2) - np.log(np.pi * df) / 2
    density: Floats = norm - (df + 1) / 2 * np.log1p(t**2 / df)
    return density
