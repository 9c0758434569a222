"""The package that pip installs: it holds what the workflow needs, and its command works without the checkout."""

import os
import shutil
import subprocess
import sys
import zipfile
from email import message_from_bytes
from pathlib import Path

import pytest
import soundfile as sf
import yaml
from packaging.requirements import Requirement

import evenbore
from evenbore.run.dependencies import all_files
from evenbore.run.provenance import _code
from smallstudy import RATE, jobs, play

# What a build reads of the checkout; setuptools itself is among the tests' requirements, so that no network is needed.
SOURCES = ("pyproject.toml", "requirements.in", "README.md", "LICENSE", "Snakefile", "config", "scripts", "workflow")
BUILD = "import sys; from setuptools import build_meta; getattr(build_meta, 'build_' + sys.argv[1])(sys.argv[2])"
NOT_SHIPPED = {"start.py"}


def build(kind: str, source: Path, into: Path) -> Path:
    """A `wheel` or `sdist` of the folder `source`."""
    into.mkdir()
    done = subprocess.run([sys.executable, "-c", BUILD, kind, into], cwd=source, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = into.iterdir()
    return built


def contents(wheel: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(wheel) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture(scope="module")
def source(repo, tmp_path_factory):
    """A copy of the checkout without git, for building leaves files behind."""
    folder = tmp_path_factory.mktemp("package") / "source"
    folder.mkdir()
    for name in SOURCES:
        if (repo / name).is_dir():
            kept_out = shutil.ignore_patterns("__pycache__", "*.egg-info")
            shutil.copytree(repo / name, folder / name, ignore=kept_out)
        else:
            shutil.copy(repo / name, folder)
    return folder


@pytest.fixture(scope="module")
def wheel(source):
    return build("wheel", source, source.parent / "wheel")


@pytest.fixture(scope="module")
def installed(wheel):
    """Function: run a command in a folder; the installed package is on the import path, the checkout is not."""
    target = wheel.parent / "installed"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-compile", "--no-deps", "--no-index"]
    subprocess.run([*pip, "--target", target, wheel], check=True)

    def run(folder: Path, program: str, *arguments: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            [shutil.which(program, path=target / "bin") or program, *arguments],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(target)},
            capture_output=True,
            text=True,
            encoding="utf-8",
        )

    return run


def test_wheel_holds_all_that_a_run_reads(repo, wheel):
    """The library with its data, the steps, rules, schemas, captions and settings, each as the checkout has it."""
    held = contents(wheel)
    library = [path for path in (repo / "scripts").glob("*/**/*") if path.is_file()]
    steps = [path for path in (repo / "scripts").glob("*.py") if path.name not in NOT_SHIPPED]
    workflow = [path for path in (repo / "workflow").rglob("*") if path.is_file()]
    others = [repo / name for name in ("Snakefile", "config/config.yaml", "config/README.md")]
    wanted = {path.relative_to(repo / "scripts").as_posix(): path for path in library}
    wanted |= {f"evenbore_repo/{path.relative_to(repo).as_posix()}": path for path in (*steps, *workflow, *others)}
    wanted = {name: path for name, path in wanted.items() if "__pycache__" not in name and ".egg-info" not in name}
    assert {Path(file) for file in all_files()} <= set(wanted.values())
    assert "snakemake_logger_plugin_evenbore/__init__.py" in wanted
    shipped = {name: content for name, content in held.items() if ".dist-info/" not in name}
    assert shipped == {name: path.read_bytes() for name, path in wanted.items()}


def test_metadata_come_from_where_the_facts_stand(repo, wheel):
    held = contents(wheel)
    folder = f"evenbore-{evenbore.__version__}.dist-info"
    about = message_from_bytes(held[f"{folder}/METADATA"])
    assert about["Version"] == evenbore.__version__
    assert about["License-Expression"] == "MIT"
    assert held[f"{folder}/licenses/LICENSE"] == (repo / "LICENSE").read_bytes()
    lines = (repo / "requirements.in").read_text(encoding="utf-8").splitlines()
    wanted = {Requirement(line) for line in lines if not line.startswith("#")}
    assert {Requirement(line) for line in about.get_all("Requires-Dist")} == wanted


def test_source_archive_builds_the_same_wheel(source, wheel, tmp_path):
    archive = build("sdist", source, tmp_path / "sdist")
    shutil.unpack_archive(archive, tmp_path, filter="data")
    again = build("wheel", tmp_path / f"evenbore-{evenbore.__version__}", tmp_path / "wheel")
    assert contents(again) == contents(wheel)


def test_installed_command_makes_checks_and_plans_a_study(installed, tmp_path):
    (tmp_path / "recordings").mkdir()
    sf.write(tmp_path / "recordings" / "yew_mf_1.wav", play("clar_a", "s1", 1)[0], RATE)
    told = installed(tmp_path, "evenbore", "--help")
    assert told.returncode == 0 and told.stdout.startswith("usage: evenbore"), told.stderr
    new = ("new", "my study", "--audio", "recordings", "--family", "clarinet_b_flat")
    made = installed(tmp_path, "evenbore", *new)
    assert made.returncode == 0, made.stderr
    checked = installed(tmp_path, "evenbore", "check", "my study")
    assert checked.returncode == 0 and checked.stdout.startswith("All in order."), checked.stdout + checked.stderr
    planned = installed(tmp_path, "evenbore", "run", "my study", "--", "--dry-run")
    assert {"measure": 1, "page": 1}.items() <= jobs(planned).items()


def test_provenance_calls_the_code_the_same_installed(installed, tmp_path):
    """So that a result of an installed copy can be held against one of a checkout."""
    told = installed(tmp_path, sys.executable, "-c", "from evenbore.run.provenance import _code; print(_code())")
    assert told.stdout.strip() == _code(), told.stderr


def test_workflow_catalogue_is_told_what_is_true(repo):
    """Conda: every rule names its environment; no rule names a container; figures are marked for Snakemake's report."""
    usage = yaml.safe_load((repo / ".snakemake-workflow-catalog.yml").read_text(encoding="utf-8"))["usage"]
    assert set(usage) == {"mandatory-flags", "software-stack-deployment", "report"}
    assert set(usage["mandatory-flags"]) == {"desc", "flags"}
    rules = "".join(path.read_text(encoding="utf-8") for path in (repo / "workflow" / "rules").glob("*.smk"))
    assert usage["software-stack-deployment"] == {
        "conda": rules.count("\nrule ") == rules.count("\n    conda:") > 0,
        "apptainer": "container:" in rules,
        "apptainer+conda": "container:" in rules,
    }
    assert usage["report"] is ("report(" in rules)
