"""The types of arrays, as annotations name them; their shapes stand in the docstrings."""

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Floats32: TypeAlias = NDArray[np.float32]  # of sound, and what needs no more digits
Spectra: TypeAlias = NDArray[np.complex64]
Ints: TypeAlias = NDArray[np.integer[Any]]
Bools: TypeAlias = NDArray[np.bool_]
Numbers: TypeAlias = NDArray[np.floating[Any] | np.integer[Any]]
