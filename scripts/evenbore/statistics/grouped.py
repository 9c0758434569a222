"""Groups of rows, and means over them of what is known."""

from collections import defaultdict
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from evenbore.facts.arrays import Floats, Floats32, Ints

if TYPE_CHECKING:
    from pandas import DataFrame
    from pandas.api.typing import DataFrameGroupBy


def grouped_means(values: Floats | Floats32, group: Ints, groups: int) -> tuple[Floats, Floats]:
    """Mean, NaN where there is none, and number of the known values (N,) or (N, H) of each of `groups` groups (N,)."""
    known = np.isfinite(values)
    count, total = np.zeros((2, groups, *values.shape[1:]))
    np.add.at(count, group, known)
    np.add.at(total, group, np.where(known, values, 0.0))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), count


def row_groups(groups: "DataFrameGroupBy[Any, Any]") -> Iterable[Ints]:
    """The row numbers of each group, in the order of their keys."""
    return cast(Iterable[Ints], groups.indices.values())


def by_criterion(table: "DataFrame") -> "dict[str, DataFrame]":
    """The rows of each criterion, in their order; of one that has none an empty table."""
    return defaultdict(lambda: table[:0], {str(name): rows for name, rows in table.groupby("criterion")})


def joined_parts(left: Ints, right: Ints) -> Ints:
    """Number of the connected part that each of the lefts (0, 1, ...) belongs to; `left` and `right` (N,) are joined.

    >>> joined_parts(np.array([0, 1, 1, 2]), np.array([7, 7, 5, 9])).tolist()
    [0, 0, 1]
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = int(left.max(initial=-1)) + 1
    size = count + int(right.max(initial=-1)) + 1
    edges = coo_array((np.ones(left.size), (left, count + right)), shape=(size, size))
    return np.asarray(connected_components(edges, directed=False)[1][:count])


def combined(*numbers: Ints) -> Ints:
    """One number (N,), from 0 without gaps, for every combination of these `numbers` (N,) that occurs.

    >>> combined(np.array([5, 5, 7]), np.array([1, 2, 1])).tolist()
    [0, 1, 2]
    """
    whole = np.zeros(numbers[0].size, int)
    for one in numbers:
        values, place = np.unique(one, return_inverse=True)
        whole = np.unique(whole * values.size + place, return_inverse=True)[1]
    return whole
