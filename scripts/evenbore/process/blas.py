"""Working memory for the linear algebra library (OpenBLAS) that NumPy and SciPy each bring along.

It fetches this memory, 32 MB, when first used, and where the system has none to give it asks again without end
(`blas_memory_alloc` in its memory.c; seen with the versions in the lock). So a process that computes lets it fetch the
memory at its start, once it is seen to be there. One thread needs it once.
"""

import sys

ROOM_BYTES = 64 << 20


def reserve() -> None:
    """Let each copy of the library that is loaded fetch its memory; raises MemoryError where there is too little."""
    numpy, lapack = sys.modules.get("numpy"), sys.modules.get("scipy.linalg.lapack")
    if numpy is None:
        return
    for solve in [numpy.linalg.det, *([lapack.dgetrf] if lapack is not None else [])]:
        numpy.empty(ROOM_BYTES, numpy.uint8)  # a MemoryError of Python's own
        solve(numpy.eye(2))  # the smallest task that makes the library fetch it
