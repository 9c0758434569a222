"""Where memory is short a process says so and ends; it does not wait."""

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from evenbore.files.tables import read_parquet, write_parquet

SCRIPTS = Path(__file__).resolve().parents[3] / "scripts"
# A limit on what is mapped already, and as much more as is named.
STEP = """
import resource, sys
from evenbore.process.steplog import step_log
from evenbore.files.tables import read_parquet
import scipy.linalg
with open("/proc/self/statm") as file:
    mapped = int(file.read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (mapped + (int(sys.argv[1]) << 20),) * 2)
with step_log(sys.argv[2]):
    read_parquet(sys.argv[3])
    scipy.linalg.svd(scipy.linalg.hilbert(100))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="needs a limit on the address space")
@pytest.mark.parametrize("spare_mb", [1, 40, 140, 800])
def test_a_step_ends_whatever_memory_is_left(tmp_path, spare_mb):
    """OpenBLAS and pyarrow would wait for ever here."""
    write_parquet(pd.DataFrame({"a": ["x", "y"] * 100, "b": range(200)}), tmp_path / "table.parquet")
    done = subprocess.run(
        [sys.executable, "-c", STEP, str(spare_mb), tmp_path / "log", tmp_path / "table.parquet"],
        env={"PYTHONPATH": str(SCRIPTS), "OPENBLAS_NUM_THREADS": "1"},
        timeout=600,
    )
    told = (tmp_path / "log").read_text(encoding="utf-8")
    assert (done.returncode, told) in [(0, ""), (1, "Not enough memory: close other programs, or let fewer jobs run at "
                                                    "once.\n")]  # fmt: skip
    assert spare_mb not in (1, 40) or done.returncode == 1
    assert spare_mb < 800 or done.returncode == 0


def test_tables_come_back_as_they_were(tmp_path):
    frame = pd.DataFrame({"text": ["♭", None, ""], "whole": [1, 2, 3], "half": [0.5, float("nan"), -0.0]})
    write_parquet(frame, tmp_path / "table.parquet")
    pd.testing.assert_frame_equal(read_parquet(tmp_path / "table.parquet"), pd.read_parquet(tmp_path / "table.parquet"))
