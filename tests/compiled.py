"""librosa, which compiles for long when it is first used: by one process at a time, kept for all others.

Processes that read and write what they compiled in one place spoil it for each other, and a later run with it. So each
works on a copy of its own, and what is kept is never written to again.
"""

import atexit
import hashlib
import os
import shutil
import tempfile
import time
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from unittest import mock

import numpy as np
from llvmlite.binding import get_host_cpu_features, get_host_cpu_name

from start import try_lock

KEPT = Path(__file__).resolve().parents[1] / "build" / "compiled"
USED = ("_localmin", "_pi_wrapper")  # by yin and pyin, of all the functions that it would compile at once


@cache
def librosa() -> ModuleType:
    """The library, with what the tests use of it loaded."""
    own = tempfile.mkdtemp(prefix="evenbore-compiled-")
    atexit.register(shutil.rmtree, own, ignore_errors=True)
    os.environ["NUMBA_CACHE_DIR"] = own
    KEPT.mkdir(parents=True, exist_ok=True)
    installed = Path(find_spec("librosa").origin)  # numba compiles anew what was installed anew, or elsewhere
    # and some of it for another processor: what is mixed of two crashes
    made_of = f"{installed} {installed.stat().st_mtime_ns} {get_host_cpu_name()} {get_host_cpu_features().flatten()}"
    place = hashlib.sha256(made_of.encode()).hexdigest()[:8]
    whole = KEPT / f"librosa-{version('librosa')}-numba-{version('numba')}-{place}"
    with (KEPT / "lock").open("a") as handle:
        while not try_lock(handle):
            time.sleep(0.1)
        if whole.is_dir():
            shutil.copytree(whole, own, dirs_exist_ok=True)
        import numba

        compiled = numba.guvectorize

        def used_alone(*options, **more):
            return lambda function: compiled(*options, **more)(function) if function.__name__ in USED else function

        with mock.patch("numba.guvectorize", used_alone):
            import librosa as library

            library.yin(np.ones(4096), fmin=100, fmax=200, sr=8000)
            library.feature.spectral_rolloff(S=np.ones((3, 1)), freq=np.arange(3.0))
        if not whole.is_dir():
            for outdated in KEPT.glob("librosa-*"):
                shutil.rmtree(outdated)
            half = shutil.copytree(own, tempfile.mkdtemp(dir=KEPT), dirs_exist_ok=True)
            Path(half).rename(whole)
    return library
