"""What a study brings along leads nowhere."""

import os
import subprocess
import sys

import pytest

from evenbore.files.errors import EvenboreError
from evenbore.run import cli
from evenbore.run.stranger import plain_environment, refuse_links
from sheetstudies import write_study

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need a privilege there")


@pytest.mark.parametrize("name", ["results", "results/tables", "results/tables/pairs.tsv", "results/logs/run.log",
                                  ".snakemake", ".snakemake/locks/0.input.lock"])  # fmt: skip
def test_a_link_where_a_run_writes_is_refused(tmp_path, name, capsys):
    study, home = write_study(tmp_path / "study"), tmp_path / "home"
    home.write_text("mine")
    (study / name).parent.mkdir(parents=True, exist_ok=True)
    (study / name).symlink_to(home)
    with pytest.raises(EvenboreError, match=f"^{name}: a link stands where the run writes"):
        refuse_links(study)
    assert cli.main(["run", str(study)]) == 1
    assert "a link stands where the run writes" in capsys.readouterr().err
    assert home.read_text() == "mine"


def test_links_to_recordings_and_in_environments_are_nobodys_business(tmp_path):
    (tmp_path / "audio").mkdir()
    (tmp_path / "audio/take.wav").symlink_to("/elsewhere/take.wav")
    (tmp_path / ".snakemake/conda").mkdir(parents=True)
    (tmp_path / ".snakemake/conda/python").symlink_to(sys.executable)
    refuse_links(tmp_path)


def test_no_module_and_no_drawing_backend_is_taken_from_a_study(tmp_path, monkeypatch):
    """Steps are scripts that lie within it."""
    (tmp_path / "matplotlibrc").write_text("backend: module://evil\n")
    (tmp_path / "numpy.py").write_text("raise SystemExit('taken from the study')\n")
    (tmp_path / "step.py").write_text("import matplotlib; print(matplotlib.get_backend().lower())\n")
    monkeypatch.setenv("MPLBACKEND", "")
    monkeypatch.setenv("PYTHONSAFEPATH", "")

    def told():
        step = [sys.executable, tmp_path / "step.py"]
        return subprocess.run(step, cwd=tmp_path, capture_output=True, text=True)

    assert "taken from the study" in told().stderr, "the trap works"
    plain_environment()
    assert told().stdout == "agg\n"
