"""The SHA-256 of a file: tells a copy from a recording of its own, and a result's inputs from others."""

import hashlib
import os
from pathlib import Path

MOST_BYTES = 16 << 30  # more than six hours of two channels at the highest usual rate


def sha256(path: str | Path) -> str | None:
    """SHA-256 of a file, read in blocks.

    None when it cannot be read, is none (a pipe could keep us for ever) or has more than MOST_BYTES (a file with holes
    may say that it has any number of them).
    """
    try:
        if not os.path.isfile(path) or os.path.getsize(path) > MOST_BYTES:
            return None
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None
