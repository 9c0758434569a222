"""Which library files a step script depends on, directly or through other modules."""

import re
from functools import cache
from pathlib import Path

_SCRIPTS = Path(__file__).resolve().parents[1]
_IMPORT = re.compile(r"^\s*(?:from\s+(evenbore[\w.]*)\s+import\s+([^#\n(]+|\([^)]*\))|import\s+(evenbore[\w.]*))", re.M)


def library_files(script: str) -> list[str]:
    """Paths of all evenbore modules that `scripts/<script>.py` imports, sorted, forward slashes."""
    return sorted(path.as_posix() for path in _closure(_SCRIPTS / f"{script}.py"))


def _closure(start: Path) -> set[Path]:
    found, to_do = set(), [start]
    while to_do:
        for path in _imported(to_do.pop()) - found:
            found.add(path)
            to_do.append(path)
    return found


@cache
def _imported(path: Path) -> frozenset[Path]:
    files = set()
    for package, names, module in _IMPORT.findall(path.read_text(encoding="utf-8")):
        parts = (package or module).split(".")
        candidates = [parts[: n + 1] for n in range(len(parts))]
        candidates += [[*parts, name.split(" as ")[0].strip()] for name in names.strip("()").split(",")]
        for candidate in candidates:
            base = _SCRIPTS.joinpath(*candidate)
            files |= {file for file in (base.with_suffix(".py"), base / "__init__.py") if file.is_file()}
    return frozenset(files)
