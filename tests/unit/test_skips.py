"""The shared conftest: tests skipped for a missing outside program fail where everything is required."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).resolve().parents[1] / "conftest.py"

TESTS = """
import pytest

def test_program(require_program):
    require_program("no-such-program-anywhere")

def test_file(require_file):
    require_file("a soundfont", "/no/such/file.sf2")

@pytest.mark.skipif(True, reason="needs another thing")
def test_mark():
    pass

@pytest.mark.skipif(True, reason="Windows only")
def test_other_reason():
    pass
"""


@pytest.mark.parametrize(("required", "summary"), [("", "4 skipped"), ("1", "2 failed, 1 skipped, 1 error")])
def test_missing_programs(tmp_path, required, summary):
    shutil.copy(CONFTEST, tmp_path)
    (tmp_path / "test_it.py").write_text(TESTS, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", str(tmp_path)],
        cwd=tmp_path,
        env={**os.environ, "EVENBORE_REQUIRE_ALL": required, "PYTHONPATH": str(CONFTEST.parent)},
        capture_output=True,
        encoding="utf-8",
    )
    assert summary in done.stdout  # a mark is weighed while the test is set up, hence error, not failed
    assert "needs no-such-program-anywhere" in done.stdout if required else done.returncode == 0
