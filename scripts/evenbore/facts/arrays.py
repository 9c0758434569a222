"""The types of arrays, as annotations name them; their shapes stand in the docstrings. The median of what is known."""

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Floats32: TypeAlias = NDArray[np.float32]  # of sound, and what needs no more digits
Spectra: TypeAlias = NDArray[np.complex64]
Ints: TypeAlias = NDArray[np.integer[Any]]
Bools: TypeAlias = NDArray[np.bool_]
Numbers: TypeAlias = NDArray[np.floating[Any] | np.integer[Any]]


def known_median(values: Floats | list[float]) -> float:
    """Median of the values that are not NaN; NaN where there is none.

    >>> known_median([1.0, float("nan"), 4.0])
    2.5
    """
    known = np.asarray(values, float)
    known = known[~np.isnan(known)]
    return float(np.median(known)) if known.size else float("nan")
