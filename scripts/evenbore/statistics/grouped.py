"""Means over groups of rows of what is known in them."""

import numpy as np


def grouped_means(values: np.ndarray, group: np.ndarray, groups: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean, NaN where there is none, and number of the known values (N,) or (N, H) of each of `groups` groups (N,)."""
    known = np.isfinite(values)
    count, total = np.zeros((2, groups, *values.shape[1:]))
    np.add.at(count, group, known)
    np.add.at(total, group, np.where(known, values, 0.0))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), count
