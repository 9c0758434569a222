"""The types of arrays, as annotations name them; their shapes stand in the docstrings. Quantiles, of what is known;
runs of numbers."""

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
    return float(quantile(known, 0.5)) if known.size else float("nan")


def quantile(values: Floats | Floats32, share: float) -> Any:
    """Value, along the first axis, below which this share of numbers lies (as `numpy.quantile`, linear).

    Of few numbers the library's own takes ten times as long, for it allows for much more; so does its median.

    >>> float(quantile(np.array([4.0, 1.0, 2.0, 8.0]), 0.5))
    3.0
    """
    ordered = np.sort(values, axis=0)
    place = share * (len(ordered) - 1)
    low = int(place)
    return ordered[low] + (place - low) * (ordered[min(low + 1, len(ordered) - 1)] - ordered[low])


def runs_of(numbers: Ints) -> list[Ints]:
    """The runs of ascending numbers (N,) of which each is one more than the one before; none of none.

    >>> [run.tolist() for run in runs_of(np.array([3, 4, 5, 9]))]
    [[3, 4, 5], [9]]
    """
    return np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1) if numbers.size else []
