"""Looks after what evenbore depends on: python .ci/locks.py update [--upgrade] | licences | audit.

update: renews both lock files from the .in files (--upgrade: to newer versions), then what is made of them: the conda
environment and docs/licences.md. Needs `uv`.
licences: writes docs/licences.md from what the installed packages say of themselves. Run it with .venv's Python.
audit: asks a public database for known vulnerabilities of the locked versions. Needs `uv` and the network.
"""

import importlib.metadata
import re
import shutil
import subprocess
import sys
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]
ENVIRONMENT = REPO / "workflow" / "envs" / "analysis.yaml"
PAGE = REPO / "docs" / "licences.md"
COMPILE = "--universal --generate-hashes --python-version 3.11 --fork-strategy fewest --no-header"
# Locked for Windows alone, so that it cannot be asked everywhere; from its metadata in the package index.
ELSEWHERE = {"pyreadline3": "BSD"}
# Where the metadata names several; docutils: the GPL covers an editor mode of its source archive (its COPYING.rst).
PLAIN = {"docutils": "Public domain, BSD-2-Clause, Python"}


def update(upgrade: list[str]) -> None:
    """Renew the locks."""
    for name in ("requirements", "requirements-test"):
        command = ["uv", "pip", "compile", f"{name}.in", *COMPILE.split(), *upgrade, "-o", f"{name}.lock"]
        subprocess.run(command, cwd=REPO, check=True)
    conda()
    licences()


def conda() -> None:
    """Write the environment for conda: a file that names the lock would not find it, for Snakemake moves the file."""
    pins = re.findall(
        r"^[a-z0-9][^\\\n]*[^\\\s]", (REPO / "requirements.lock").read_text(encoding="utf-8"), re.MULTILINE
    )
    lines = ["# Made of requirements.lock by .ci/locks.py: its versions, without its hashes.", "channels:",
             "  - conda-forge", "dependencies:", "  - python>=3.11", "  - pip", "  - pip:",
             *(f'      - "{pin}"' for pin in pins)]  # fmt: skip
    ENVIRONMENT.write_text("\n".join([*lines, ""]), encoding="utf-8", newline="\n")


def licences() -> None:
    """Write the packages of each licence into their place in the page."""
    of: dict[str, list[str]] = {}
    for name in locked():
        of.setdefault(licence(name), []).append(name)
    rows = [f"- {words}: {', '.join(names)}" for words, names in sorted(of.items())]
    text = PAGE.read_text(encoding="utf-8")
    head, tail = text.split("<!-- licences -->\n")[0], text.split("<!-- end of licences -->\n")[1]
    page = head + "\n".join(["<!-- licences -->", "", *rows, "", "<!-- end of licences -->", tail])
    PAGE.write_text(page, encoding="utf-8", newline="\n")


def audit() -> int:
    """Ask for known vulnerabilities; the exit code is 1 when there are any, or nobody knows."""
    command = ["uvx", "pip-audit", "--requirement", "requirements.lock", "--require-hashes", "--disable-pip"]
    # strict: a mirror of the index that knows nothing of vulnerabilities must not look like a clean bill
    return subprocess.run([*command, "--strict"], cwd=REPO).returncode


def locked() -> list[str]:
    """Names of the packages that users get, as the lock spells them."""
    return re.findall(r"^([a-z0-9][\w.-]*)==", (REPO / "requirements.lock").read_text(encoding="utf-8"), re.MULTILINE)


def licence(package: str) -> str:
    """What a package says of its licence."""
    if package in PLAIN:
        return PLAIN[package]
    try:
        about = importlib.metadata.metadata(package)
    except importlib.metadata.PackageNotFoundError:
        return ELSEWHERE[package]
    if stated := about.get("License-Expression"):
        return stated
    classified = [one.rsplit(" :: ", 1)[-1] for one in about.get_all("Classifier", []) if one.startswith("License ::")]
    # a licence field may hold the whole text
    return ", ".join(classified) or (about.get("License") or "").strip().split("\n")[0] or _licence_file(package)


def _licence_file(package: str) -> str:
    """The first line of the licence that a package brings along."""
    found = [path for path in importlib.metadata.files(package) or [] if path.name.startswith("LICENSE")]
    return found[0].read_text(encoding="utf-8").strip().splitlines()[0]


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["update" | "audit", *_] if shutil.which("uv") is None:
            sys.exit("This needs uv: python -m pip install uv")
        case ["update", *upgrade]:
            update(upgrade)
        case ["licences"]:
            licences()
        case ["audit"]:
            sys.exit(audit())
        case _:
            sys.exit(__doc__)
