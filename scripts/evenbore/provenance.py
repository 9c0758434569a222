"""What a result was made from: versions, settings, the SHA-256 of every input, how long each step took."""

import csv
import hashlib
import importlib.metadata
import platform
from pathlib import Path

import evenbore

PACKAGES = (
    "numpy", "scipy", "soundfile", "av", "soxr", "pandas", "pyarrow", "statsmodels", "scikit-learn", "networkx",
    "matplotlib", "seaborn", "jinja2", "xlsxwriter", "snakemake",
)  # fmt: skip
_BLOCK = 1 << 20


def sha256(path: str | Path) -> str | None:
    """SHA-256 of a file, read in blocks; None when it cannot be read."""
    digest = hashlib.sha256()
    try:
        with open(path, "rb") as file:
            while block := file.read(_BLOCK):
                digest.update(block)
    except OSError:
        return None
    return digest.hexdigest()


def provenance(config: dict, sheets: list[str], recordings: dict[str, str], benchmarks: list[str]) -> dict:
    """The record as a dict ready for JSON.

    `recordings` maps each recording's id to its path; `benchmarks` are Snakemake benchmark files, whose
    first row gives the seconds of a step.
    """
    return {
        "evenbore": evenbore.__version__,
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        "packages": {name: importlib.metadata.version(name) for name in PACKAGES},
        "config": config,
        "sheets": {path: sha256(path) for path in sheets},
        "recordings": {
            recording: {"file": path, "sha256": sha256(path)} for recording, path in sorted(recordings.items())
        },
        "seconds": {Path(path).stem: _seconds(path) for path in sorted(benchmarks)},
    }


def _seconds(path: str) -> float:
    with open(path, encoding="utf-8", newline="") as file:
        return float(next(csv.DictReader(file, delimiter="\t"))["s"])
