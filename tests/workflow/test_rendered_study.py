"""All steps as far as the report on real instruments' sounds: three sampled families, one take each; and on a study
without a note.

The steps run in this process one after the other; that Snakemake does the same `test_workflow.py` tells.
"""

import csv
import json

import pytest

import report_sample
from clips import clips
from collect import collect_chunks
from consistency.outputs import read_study
from consistency.rules import contradictions
from diagnose import diagnose_study
from evenbore.figures import draw
from evenbore.files.digest import sha256
from evenbore.study.sheets import chunks, load_study
from measure import measure
from provenance import note_provenance
from rendering.study import SOUNDFONT, Plan, write_study
from smallstudy import SmallStudy

PLANS = (
    Plan("clarinet", "clarinet_b_flat", "slurred", "up"),
    Plan("alto", "saxophone_alto", "tongued", "up"),
    Plan("bassoon", "bassoon", "slurred", "up"),
)


@pytest.fixture(scope="module")
def finished(tmp_path_factory, copied_worker, require_program, require_file):
    """The study's folder after the run, and its true notes."""
    require_program("fluidsynth")
    soundfont = require_file("fluid-soundfont-gm", f"/usr/share/sounds/sf2/{SOUNDFONT}")
    folder = tmp_path_factory.mktemp("study")
    truth = write_study(folder, PLANS, soundfont)
    run_all_steps(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(draw, "PUBLISHED_FIGURES", ())  # as pictures too: the sample study
        report_sample.make_report(folder)
    return folder, truth


def run_all_steps(folder):
    """What `rule all` asks for, but for report, figures and what is published of each instrument."""
    measure_and_collect(folder)
    report_sample.run_steps(folder)
    paths = {"path_to_study": folder, "path_to_config": folder / "config/config.yaml"}
    results = folder / "results"
    diagnose_study(
        **paths, path_to_recordings=results / "tables/recordings.tsv",
        path_to_notes_normalised=results / "work/notes.parquet",
        path_to_findings=results / "tables/findings.tsv",
    )  # fmt: skip
    report_sample.vet_sample(folder)
    sheets = [str(path) for path in load_study(folder).files.values()]
    measured = sorted(map(str, (results / "work/chunks").glob("*.npz")))
    note_provenance(
        **paths, paths_to_sheets=sheets, paths_to_chunks=measured, paths_to_benchmarks=[],
        path_to_output=results / "provenance.json",
    )  # fmt: skip
    clips(
        **paths, path_to_tables=results / "tables",
        paths_to_measured=[str(results / f"work/chunks/{chunk}.npz") for chunk in chunks(load_study(folder))],
        paths_to_code=[], path_to_output=results / "work/clips.npz",
    )  # fmt: skip


def measure_and_collect(folder):
    """The tables of recordings, notes, harmonics and bands."""
    study, work, tables = load_study(folder), folder / "results/work", folder / "results/tables"
    measured = []
    for chunk, members in chunks(study).items():
        measured.append(work / f"chunks/{chunk}.npz")
        members = [row | {"sha256": sha256(row["path"])} for row in members]
        measure(json.dumps(members), chunk, measured[-1], rows_before="[]")
    collect_chunks(
        measured, [row["recording"] for row in study.recordings], {}, "set_aside",
        path_to_recordings=tables / "recordings.tsv", path_to_notes=tables / "notes.tsv",
        path_to_passage_notes=tables / "passage_notes.tsv",
        path_to_passage_notes_parquet=tables / "passage_notes.parquet",
        path_to_notes_parquet=tables / "notes.parquet", path_to_harmonics=tables / "harmonics.parquet",
        path_to_bands=tables / "bands.parquet",
    )  # fmt: skip


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


@pytest.mark.slow
def test_a_study_without_a_single_note_still_ends_in_a_report(tmp_path, small_study):
    whole = small_study(tmp_path / "poor")
    some = [row for row in whole.rows if row["recording"] in ("passage", "empty", "silent")]
    SmallStudy(whole.folder, some).write_recordings()
    run_all_steps(whole.folder)
    report_sample.write_report(whole.folder)  # figures of empty tables: unit/figures
    results = whole.folder / "results"
    recordings = {row["recording"]: row["status"] for row in rows(results / "tables" / "recordings.tsv")}
    assert recordings == {"passage": "ok", "empty": "set_aside", "silent": "set_aside"}
    assert (results / "report.html").exists()
