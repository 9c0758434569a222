"""What a result was made from: versions, settings, the SHA-256 of every input, how long each step took."""

import csv
import hashlib
import importlib.metadata
import platform
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import evenbore
from evenbore.facts.rows import PART, Row
from evenbore.files.digest import sha256
from evenbore.files.paths import IMPORTED_FROM, repo_root
from evenbore.run.dependencies import all_files

PACKAGES = (
    "numpy", "scipy", "soundfile", "av", "soxr", "pandas", "pyarrow", "scikit-learn", "networkx", "partitura",
    "matplotlib", "jinja2", "fpdf2", "uharfbuzz", "xlsxwriter", "openpyxl", "pyyaml", "jsonschema", "psutil",
    "snakemake",
)  # fmt: skip


def provenance(
    config: dict[str, Any], sheets: Iterable[str | Path], recordings: Iterable[Row],
    digests: Mapping[str, str | None], benchmarks: list[str],
) -> dict[str, Any]:  # fmt: skip
    """The record as a dict ready for JSON.

    `recordings` are rows of the sheet with `recording` and `file`; `digests`: recording -> SHA-256 of the sound that
    was measured, None where there was none to read; `benchmarks` are tables of running times, whose first row gives the
    seconds (`s`) of a step.
    """
    return {
        "evenbore": evenbore.__version__,
        "code": _code(),
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        "packages": {name: importlib.metadata.version(name) for name in PACKAGES},
        "config": config,
        "sheets": {path: sha256(path) for path in sheets},
        "recordings": {
            row["recording"]: {"file": row["file"], "sha256": digests[row["recording"]]}
            | {key: row[key] for key in PART[1:] if row.get(key) is not None}
            for row in recordings
        },
        "seconds": {Path(path).stem: _seconds(path) for path in sorted(benchmarks)},
    }


def _code() -> str:
    """SHA-256 over everything that computes, names and contents; the same in a checkout and installed."""
    parts = sorted(f"{_name(Path(file))} {sha256(file)}" for file in all_files())
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _name(file: Path) -> str:
    """What a file of ours is called in a checkout."""
    root = repo_root()
    path = file.relative_to(root) if file.is_relative_to(root) else "scripts" / file.relative_to(IMPORTED_FROM)
    return path.as_posix()


def _seconds(path: str) -> float:
    with open(path, encoding="utf-8", newline="") as file:
        return float(next(csv.DictReader(file, delimiter="\t"))["s"])
