"""Which files of the library a step script depends on: the modules it imports, directly or not, and their data."""

import re
from functools import cache
from pathlib import Path

from evenbore.files.paths import IMPORTED_FROM, repo_root

SCRIPTS = repo_root() / "scripts"
SCHEMAS = repo_root() / "workflow" / "schemas"
_NO_CODE = re.compile(r'"{3}.*?"{3}|\'{3}.*?\'{3}|#[^\n]*', re.DOTALL)  # long strings and comments
_IMPORT = re.compile(  # of the library's own modules; parsing 200 files would take a second
    r"^[ \t]*(?:from[ ]+(evenbore[\w.]*)[ ]+import[ ]+(\([^)]*\)|[^\n]*)|import[ ]+(evenbore[\w.]+))", re.MULTILINE
)


def library_files(script: str) -> list[str]:
    """Paths of `scripts/<script>.py` and what it depends on, sorted, forward slashes.

    Beside a module lie its data: files that are not Python, also in folders that are no package, hidden ones
    left out. What `study.config` reads lies with the workflow.
    """
    modules = _closure(SCRIPTS / f"{script}.py")
    files = (
        modules
        | {SCRIPTS / f"{script}.py"}
        | {file for folder in {module.parent for module in modules} for file in _data(folder)}
    )
    if IMPORTED_FROM / "evenbore" / "study" / "config.py" in modules:
        files |= set(SCHEMAS.glob("*.yaml"))
    return sorted(path.as_posix() for path in files)


def all_files() -> list[str]:
    """Paths of all step scripts and of all that they depend on: everything that computes."""
    steps = [path for path in SCRIPTS.glob("*.py") if path.name != "start.py"]
    return sorted({file for path in steps for file in library_files(path.stem)})


def _closure(start: Path) -> set[Path]:
    modules: set[Path] = set()
    to_do = [start]
    while to_do:
        for path in _imported(to_do.pop()) - modules:
            modules.add(path)
            to_do.append(path)
    return modules


@cache
def _imported(path: Path) -> frozenset[Path]:
    modules, found = _modules(IMPORTED_FROM), set()
    for module, imported, alone in _IMPORT.findall(_NO_CODE.sub("", path.read_text("utf-8"))):
        names = [f"{module}.{name}" for name in re.findall(r"\w+", imported)] if module else [alone]
        found |= {
            ".".join(parts[:n]) for parts in (name.split(".") for name in names) for n in range(1, len(parts) + 1)
        }
    return frozenset(modules[name] for name in found if name in modules)


@cache
def _modules(folder: Path) -> dict[str, Path]:
    """Path of every module of the library by its full name, of a package that of its `__init__.py`."""
    files = (folder / "evenbore").rglob("*.py")
    return {".".join(path.relative_to(folder).with_suffix("").parts).removesuffix(".__init__"): path for path in files}


@cache
def _data(folder: Path) -> frozenset[Path]:
    files = set()
    for path in folder.iterdir():
        if path.name == "__pycache__" or path.name.startswith("."):
            continue
        if path.is_file() and path.suffix != ".py":
            files.add(path)
        elif path.is_dir() and not (path / "__init__.py").exists():
            files |= _data(path)
    return frozenset(files)
