"""The bootstrap: what it needs, when it sets up anew, and what it says when it cannot."""

import ast
import hashlib
import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "scripts" / "start.py"
sys.path.insert(0, str(SCRIPT.parent))
import start  # noqa: E402

PATIENCE_S = 600.0  # before a hang is called one, however busy the machine is

posix_only = pytest.mark.skipif(os.name == "nt", reason="uses a shell script in place of Python")


def test_parses_on_python_3_8_and_needs_the_standard_library_alone():
    tree = ast.parse(SCRIPT.read_text(encoding="utf-8"), feature_version=(3, 8))
    imported = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            imported |= {name.name.split(".")[0] for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add(node.module.split(".")[0])
    assert imported <= sys.stdlib_module_names


def test_old_python_is_told_so(monkeypatch, capsys):
    monkeypatch.setattr(sys, "version_info", (3, 10, 4))
    assert start.main(["demo"]) == 2
    assert "needs Python 3.11 or newer; this is Python 3.10.4" in capsys.readouterr().err


def test_help_needs_no_set_up(monkeypatch, capsys):
    monkeypatch.setattr(start, "prepare", lambda *_: pytest.fail("set up for --help"))
    assert start.main(["--help"]) == 0
    assert "demo" in capsys.readouterr().out
    assert start.main([]) == 2


@pytest.mark.parametrize(
    ("arguments", "lock", "command"),
    [
        (["demo"], "requirements.lock", ["-P", "-m", "evenbore.run.cli", "run", str(SCRIPT.parents[1])]),
        (["test", "-n", "0"], "requirements-test.lock", ["-m", "pytest", *start.ON_ALL_CORES, "-n", "0"]),
        (
            ["run", "my study", "--", "-n"],
            "requirements.lock",
            ["-P", "-m", "evenbore.run.cli", "run", "my study", "--", "-n"],
        ),
    ],
)
def test_commands_are_handed_on(monkeypatch, arguments, lock, command):
    seen = {}
    monkeypatch.setenv("EVENBORE_COMMAND", "not yet known")
    for name in start.FOREIGN:
        monkeypatch.setenv(name, "a stranger's")
    monkeypatch.setattr(sys, "argv", ["my tools/start.py", *arguments])
    monkeypatch.setattr(start, "prepare", lambda venv, lock: seen.update(lock=lock.name) or Path("python"))
    monkeypatch.setattr(start, "run", lambda command, cwd=None: seen.update(command=command[1:]) or 7)
    assert start.main(arguments) == 7
    # what tests print must not depend on how they were started
    called = ("py" if os.name == "nt" else "python3") + ' "my tools/start.py"'
    assert os.environ["EVENBORE_COMMAND"] == ("not yet known" if arguments[0] == "test" else called)
    assert seen == {"lock": lock, "command": command}
    assert not set(start.FOREIGN) & set(os.environ)


def a_finished_environment(folder: Path, lock: Path) -> tuple[Path, Path]:
    venv = folder / ".venv"
    python = venv / start.BIN / "python"
    python.parent.mkdir(parents=True)
    python.touch()
    stamp = {"folder": str(venv), "locks": {lock.name: start.digest(lock)}}
    start.stamp_path(venv).write_text(json.dumps(stamp), encoding="utf-8")
    return venv, python


def test_ready_only_in_its_place_and_with_this_lock(tmp_path):
    lock = tmp_path / "requirements.lock"
    lock.write_bytes(b"numpy==2.0\n")
    venv, python = a_finished_environment(tmp_path, lock)
    assert start.is_ready(venv, python, lock)

    lock.write_bytes(b"numpy==2.0\r\n")
    assert start.is_ready(venv, python, lock), "a Windows checkout's line ends change nothing"
    lock.write_bytes(b"numpy==2.1\n")
    assert not start.is_ready(venv, python, lock)

    lock.write_bytes(b"numpy==2.0\n")
    moved = tmp_path / "moved"
    shutil.move(venv, moved)
    assert not start.is_ready(moved, moved / start.BIN / "python", lock)


@posix_only
def test_another_python_or_a_missing_package_means_not_ready(tmp_path):
    """As when the system's Python went up a version under the environment's feet."""
    lock = tmp_path / "requirements.lock"
    lock.touch()
    venv, python = a_finished_environment(tmp_path, lock)
    stamp = json.loads(start.stamp_path(venv).read_text(encoding="utf-8"))

    def ready(version, **noted):
        python.write_text(f"#!/bin/sh\ncase $3 in *sysconfig*) echo \"'{tmp_path}'\";; *) echo {version};; esac\n")
        python.chmod(0o755)
        start.stamp_path(venv).write_text(json.dumps(stamp | noted), encoding="utf-8")
        return start.is_ready(venv, python, lock)

    assert ready("3.12", python="3.12", holds=["requirements.lock"])
    assert not ready("3.13", python="3.12", holds=["requirements.lock"])
    assert not ready("3.12", python="3.12", holds=["numpy"])


@pytest.mark.parametrize("text", ["", "{", "[]", '{"folder": 3}'])
def test_a_damaged_stamp_means_not_ready(tmp_path, text):
    lock = tmp_path / "requirements.lock"
    lock.touch()
    venv, python = a_finished_environment(tmp_path, lock)
    start.stamp_path(venv).write_text(text, encoding="utf-8")
    assert not start.is_ready(venv, python, lock)


def test_python_without_venv_names_the_debian_package(monkeypatch, tmp_path):
    real = start.importlib.util.find_spec
    monkeypatch.setattr(start.importlib.util, "find_spec", lambda name: None if name == "ensurepip" else real(name))
    version = f"{sys.version_info[0]}.{sys.version_info[1]}"
    with pytest.raises(start.SetupError, match=f"ensurepip.*\n.*apt install python{version}-venv"):
        start.make_venv(tmp_path / ".venv")


def test_unwritable_folder(tmp_path):
    lock = tmp_path / "requirements.lock"
    lock.touch()
    blocked = tmp_path / "a file"
    blocked.touch()
    with pytest.raises(start.SetupError, match=r"cannot write in .*a file"):
        start.prepare(blocked / ".venv", lock)


@posix_only
@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("Failed to establish a new connection: Temporary failure in name resolution", "no network"),
        ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device", "the disk is full"),
        ("ERROR: THESE PACKAGES DO NOT MATCH THE HASHES FROM THE REQUIREMENTS FILE", "not the one pinned"),
        ("something never seen before", "pip stopped"),
    ],
)
def test_failed_install_says_why(tmp_path, said, told):
    python = tmp_path / "python"
    python.write_text(f"#!/bin/sh\necho '{said}'\nexit 1\n", encoding="utf-8")
    python.chmod(0o755)
    with pytest.raises(start.SetupError, match=told) as error:
        start.install(python, tmp_path / "requirements.lock")
    assert said in str(error.value)


def tiny_wheel(folder: Path, version: str) -> str:
    """Write a package of one line into `folder`; returns its line for a lock file."""
    path = folder / f"tinypart-{version}-py3-none-any.whl"
    info = f"tinypart-{version}.dist-info"
    with zipfile.ZipFile(path, "w") as wheel:
        wheel.writestr("tinypart.py", f"version = '{version}'\n")
        wheel.writestr(f"{info}/METADATA", f"Metadata-Version: 2.1\nName: tinypart\nVersion: {version}\n")
        wheel.writestr(f"{info}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
        wheel.writestr(f"{info}/RECORD", f"tinypart.py,,\n{info}/METADATA,,\n{info}/WHEEL,,\n{info}/RECORD,,\n")
    return f"tinypart=={version} --hash=sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}\n"


class Copy:
    """A repository of start.py, a lock of one tiny package and a library that says what it was asked."""

    def __init__(self, root: Path, wheels: Path):
        self.root = root
        self.wheels = wheels
        run = root / "scripts" / "evenbore" / "run"
        run.mkdir(parents=True)
        shutil.copy(SCRIPT, root / "scripts")
        (run / "cli.py").write_text(
            "import sys, tinypart\nprint('asked', tinypart.version, sys.argv[1:])\n", encoding="utf-8"
        )
        self.pin(tiny_wheel(wheels, "1.0"))

    def pin(self, text: str) -> None:
        for name in ("requirements.lock", "requirements-test.lock"):
            (self.root / name).write_text(text, encoding="utf-8")

    def popen(self, *arguments: str, **environment: str) -> subprocess.Popen:
        clean = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "PIP_"))}
        offline = {"PIP_CONFIG_FILE": os.devnull, "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": self.wheels.as_uri()}
        return subprocess.Popen(
            [sys.executable, str(self.root / "scripts" / "start.py"), *arguments],
            env=clean | offline | {"PYTHONIOENCODING": "utf-8"} | environment,
            cwd=self.wheels,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
        )

    def start(self, *arguments: str, **environment: str) -> tuple[int, str]:
        process = self.popen(*arguments, **environment)
        output, _ = process.communicate(timeout=PATIENCE_S)
        return process.returncode, output


@pytest.mark.slow
def test_a_real_environment_from_first_start_to_moved_folder(tmp_path):
    wheels = tmp_path / "wheels"
    wheels.mkdir()
    copy = Copy(tmp_path / "a folder, ünusual", wheels)

    # Two first starts at once: one sets up, the other waits for it, both go on.
    both = [copy.popen("one"), copy.popen("two")]
    outputs = [process.communicate(timeout=PATIENCE_S)[0] for process in both]
    assert [process.returncode for process in both] == [0, 0], outputs
    assert sum("Setting up" in output for output in outputs) == 1
    assert "asked 1.0 ['one']" in outputs[0]
    assert "asked 1.0 ['two']" in outputs[1]

    code, output = copy.start("check", "my study")
    assert (code, output) == (0, "asked 1.0 ['check', 'my study']\n"), "re-used in silence"
    launcher = copy.root / ".venv" / start.BIN / ("evenbore.cmd" if os.name == "nt" else "evenbore")
    said = subprocess.run([str(launcher), "a b"], capture_output=True, encoding="utf-8", check=True).stdout
    assert said == "asked 1.0 ['a b']\n"

    # What lies on PYTHONPATH comes before nothing of ours.
    (wheels / "tinypart.py").write_text("version = 'a stranger's'\n", encoding="utf-8")
    foreign = {"PYTHONPATH": str(wheels)}
    assert copy.start("check", **foreign) == (0, "asked 1.0 ['check']\n")
    said = subprocess.run([str(launcher)], env=os.environ | foreign, capture_output=True, encoding="utf-8").stdout
    assert said == "asked 1.0 []\n"

    # A package that is gone, though pip's notes of it are there, is brought back.
    next((copy.root / ".venv").rglob("site-packages/tinypart.py")).unlink()
    code, output = copy.start("check")
    assert code == 0, output
    assert output.startswith("Setting up")

    # A new lock updates; a hash that does not agree stops and leaves nothing that looks finished.
    good = tiny_wheel(wheels, "1.1")
    copy.pin(good[:-9] + "00000000\n")
    code, output = copy.start("check")
    assert code == 1
    assert "not the one pinned" in output
    assert not start.stamp_path(copy.root / ".venv").exists()
    copy.pin(good)
    code, output = copy.start("check")
    assert code == 0, output
    assert output.endswith("asked 1.1 ['check']\n")

    # Moved, and its pip does not run: made anew.
    for pip in (copy.root / ".venv").rglob("site-packages/pip/__main__.py"):
        pip.write_text("raise SystemExit(3)\n", encoding="utf-8")
    moved = tmp_path / "moved"
    copy.root.rename(moved)
    copy.root = moved
    code, output = copy.start("check")
    assert code == 0, output
    assert output.startswith("Setting up")
