"""Student's t with a scale that is itself uncertain: a mixture over a grid of scales.

`scale` (N, K): the scales of N quantities at K grid points; `shares` (K,): their probabilities, summing to one; `df`:
degrees of freedom, of all or of each (N,). NaN scales give NaN; a scale of zero and a distance of zero, probability 1.
"""

import numpy as np
from scipy import special

from evenbore.facts.arrays import Floats

CONFIDENCE = 0.90  # of every interval that the results tell


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
    if mixed.size:
        from scipy.optimize.elementwise import find_root  # here, because it costs a third of a second

        def excess(distance: Floats, row: Floats) -> Floats:
            here = row.astype(int)
            return two_sided(distance, scale[here], freedom[here], shares) - (1 - confidence)

        half[mixed] = find_root(excess, (low[mixed], half[mixed]), args=(mixed.astype(float),)).x
    return half
