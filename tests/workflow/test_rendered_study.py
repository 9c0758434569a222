"""The workflow as far as the report on real instruments' sounds: three sampled families, one take each."""

import csv
import subprocess
import sys

import pytest

from consistency.outputs import read_study
from consistency.rules import contradictions
from rendering.study import SOUNDFONT, Plan, write_study

PLANS = (
    Plan("clarinet", "clarinet_b_flat", "slurred", "up"),
    Plan("alto", "saxophone_alto", "tongued", "up"),
    Plan("bassoon", "bassoon", "slurred", "up"),
)


@pytest.fixture(scope="module")
def finished(tmp_path_factory, repo, require_program, require_file):
    """The study's folder after the run, and its true notes."""
    require_program("fluidsynth")
    soundfont = require_file("fluid-soundfont-gm", f"/usr/share/sounds/sf2/{SOUNDFONT}")
    folder = tmp_path_factory.mktemp("study")
    truth = write_study(folder, PLANS, soundfont)
    command = [sys.executable, "-m", "snakemake", "--cores", "2", "--directory", folder]
    command += ["--configfile", folder / "config" / "config.yaml", "-s", repo / "Snakefile", "results/report.html"]
    run = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", errors="replace")
    assert run.returncode == 0, run.stderr[-4000:]
    return folder, truth


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter="\t"))


@pytest.mark.slow
def test_every_recording_is_used(finished):
    folder, truth = finished
    recordings = {row["recording"]: row for row in rows(folder / "results" / "tables" / "recordings.tsv")}
    assert set(recordings) == set(truth)
    for recording, row in recordings.items():
        assert row["status"] == "ok", row["reason"]
        assert int(row["notes_expected"]) == len(truth[recording])


@pytest.mark.slow
def test_notes_table_holds_the_notes_that_were_played(finished):
    folder, truth = finished
    found = {(row["recording"], int(row["step"])): row for row in rows(folder / "results" / "tables" / "notes.tsv")}
    played = {(recording, note.step): note for recording, notes in truth.items() for note in notes}
    assert set(found) <= set(played)
    right = [
        key
        for key, row in found.items()
        if int(row["midi"]) == played[key].midi and abs(float(row["onset_s"]) - played[key].onset_s) <= 0.05
    ]
    assert len(right) >= 0.98 * len(played)


@pytest.mark.slow
def test_report_is_there(finished):
    folder, _ = finished
    assert "Sampled" in (folder / "results" / "report.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_no_two_outputs_contradict_each_other(finished):
    folder, _ = finished
    assert [f"{one.kind}: {one.why} ({one.first.source})" for one in contradictions(read_study(folder))] == []
