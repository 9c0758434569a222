"""The project's own style, checked by the tools that the developers use; types are checked by `.ci/run`."""

import subprocess
import sys

import pytest


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["ruff", "check", "."], id="ruff check"),
        pytest.param(["ruff", "format", "--check", "."], id="ruff format"),
        pytest.param(["snakefmt", "--check", "Snakefile", "workflow"], id="snakefmt"),
        pytest.param(["snakemake", "--lint"], id="snakemake lint"),
    ],
)
def test_style(command, repo):
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=repo, capture_output=True, text=True, encoding="utf-8", timeout=600
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_shell_scripts_parse(repo, require_program):
    done = subprocess.run([require_program("bash"), "-n", ".ci/run"], cwd=repo, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
