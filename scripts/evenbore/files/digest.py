"""The SHA-256 of a file: tells a copy from a recording of its own, and a result's inputs from others."""

import hashlib
import os
from pathlib import Path


def sha256(path: str | Path) -> str | None:
    """SHA-256 of a file, read in blocks; None when it cannot be read or is none (a pipe could keep us for ever)."""
    try:
        if not os.path.isfile(path):
            return None
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None
