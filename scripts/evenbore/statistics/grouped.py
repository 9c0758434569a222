"""Means over groups of rows of what is known in them."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from evenbore.facts.arrays import Floats, Floats32, Ints

if TYPE_CHECKING:
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
