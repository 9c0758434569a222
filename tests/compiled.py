"""librosa, which compiles for half a minute when it is first loaded: by one process at a time, kept for all others.

Two processes that write what they compiled to one place at once spoil it.
"""

import os
import time
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np

from start import try_lock

KEPT = Path(__file__).resolve().parents[1] / "build" / "compiled"


@cache
def librosa() -> ModuleType:
    """The library, with what the tests use of it loaded."""
    os.environ.setdefault("NUMBA_CACHE_DIR", str(KEPT))
    KEPT.mkdir(parents=True, exist_ok=True)
    with (KEPT / "lock").open("a") as handle:
        while not try_lock(handle):
            time.sleep(0.1)
        import librosa as library

        library.yin(np.ones(4096), fmin=100, fmax=200, sr=8000)
        library.feature.spectral_rolloff(S=np.ones((3, 1)), freq=np.arange(3.0))
    return library
