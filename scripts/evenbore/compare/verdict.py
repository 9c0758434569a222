"""The one verdict on a difference: of pairs of instruments, of groups of them, of before and after."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

ALPHA = 0.05


def verdicts(
    low: ArrayLike, high: ArrayLike, p_adjusted: ArrayLike, just_noticeable: ArrayLike | None
) -> NDArray[np.str_]:
    """Verdicts (P,) of differences with the 90 % intervals `low` to `high` (P,), in the unit of `just_noticeable`.

    In this order: no_audible_difference when the interval lies inside ± just_noticeable (never when that is NaN or
    None), even where it excludes zero; differs when p_adjusted <= ALPHA; else undecided. An unknown interval (NaN) is
    undecided, unless p is known.

    >>> verdicts([-0.5, 0.2, 2.0, -3.0], [0.5, 1.0, 4.0, 3.0], [0.9, 0.01, 0.01, 0.9], 1.0).tolist()
    ['no_audible_difference', 'no_audible_difference', 'differs', 'undecided']
    """
    limit = np.asarray(just_noticeable, float)
    inaudible = (np.asarray(low, float) >= -limit) & (np.asarray(high, float) <= limit)
    differs = np.asarray(p_adjusted, float) <= ALPHA
    return np.where(inaudible, "no_audible_difference", np.where(differs, "differs", "undecided"))
