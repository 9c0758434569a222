"""What a result was made from: versions, settings, the SHA-256 of every input, how long each step took."""

import csv
import hashlib
import importlib.metadata
import platform
from collections.abc import Iterable
from pathlib import Path

import evenbore
from evenbore.dependencies import SCRIPTS
from evenbore.digest import sha256

CODE = (".py", ".smk", ".yaml", ".html", ".css", ".js", ".rst")

PACKAGES = (
    "numpy", "scipy", "soundfile", "av", "soxr", "pandas", "pyarrow", "statsmodels", "scikit-learn", "networkx",
    "matplotlib", "seaborn", "jinja2", "fpdf2", "uharfbuzz", "xlsxwriter", "pyyaml", "jsonschema", "snakemake",
)  # fmt: skip


def provenance(config: dict, sheets: list[str], recordings: Iterable[dict], benchmarks: list[str]) -> dict:
    """The record as a dict ready for JSON.

    `recordings` are rows of the sheet with `recording`, `file` and `path` (the file as found); `benchmarks` are
    tables of running times, whose first row gives the seconds (`s`) of a step.
    """
    return {
        "evenbore": evenbore.__version__,
        "code": _code(),
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        "packages": {name: importlib.metadata.version(name) for name in PACKAGES},
        "config": config,
        "sheets": {path: sha256(path) for path in sheets},
        "recordings": {row["recording"]: {"file": row["file"], "sha256": sha256(row["path"])} for row in recordings},
        "seconds": {Path(path).stem: _seconds(path) for path in sorted(benchmarks)},
    }


def _code() -> str:
    """SHA-256 over everything that computes: the program and its workflow, names and contents."""
    files = [path for folder in (SCRIPTS, SCRIPTS.parent / "workflow") for path in folder.rglob("*")]
    kept = sorted(path for path in files if path.suffix in CODE and path.is_file())
    parts = [f"{path.relative_to(SCRIPTS.parent).as_posix()} {sha256(path)}" for path in kept]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _seconds(path: str) -> float:
    with open(path, encoding="utf-8", newline="") as file:
        return float(next(csv.DictReader(file, delimiter="\t"))["s"])
