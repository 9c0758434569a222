"""The step diagnose on a study's tables: findings are written, planted dull notes and sharp ones among them."""

import shutil
from pathlib import Path

import pandas as pd

from diagnose import diagnose_study
from evenbore.facts.columns import names
from evenbore.files.tables import conform, read_table, write_parquet, write_table
from evenbore.setups.normalise import normalise
from simulate import study_tables

ROOT = Path(__file__).resolve().parents[2]


def run(folder, tables) -> pd.DataFrame:
    config = folder / "config"
    config.mkdir(exist_ok=True)
    shutil.copy(ROOT / "config" / "config.yaml", config)
    recordings = tables["recordings"]
    sheet = recordings[["recording", "instrument", "session", "take"]].assign(file=recordings["recording"] + ".wav")
    sheet.to_csv(config / "recordings.tsv", sep="\t", index=False)
    tables["instruments"].to_csv(config / "instruments.tsv", sep="\t", index=False)
    tables["sessions"].to_csv(config / "sessions.tsv", sep="\t", index=False)
    notes = normalise(recordings, tables["notes"], [tables["harmonics"]]).notes
    write_parquet(notes, folder / "notes.parquet")
    table = conform(recordings.reindex(columns=names("recordings")), "recordings")
    write_table(table, "recordings", folder / "recordings.tsv")
    diagnose_study(
        path_to_study=folder,
        path_to_config=config / "config.yaml",
        path_to_recordings=folder / "recordings.tsv",
        path_to_notes_normalised=folder / "notes.parquet",
        path_to_findings=folder / "findings.tsv",
    )
    return read_table(folder / "findings.tsv", "findings")


def test_planted_faults_are_in_the_table(tmp_path):
    layout = {"s1": ["ref", "a", "b", "c", "d"], "s2": ["ref", "e", "f", "g"]}
    dull = {("a", note): -6.0 for note in range(62, 70)}
    sharp = {("f", 65): 60.0}
    found = run(tmp_path, study_tables(layout, takes=2, extra_tilt_db=dull, extra_cents=sharp, seed=4))
    assert list(found.columns) == names("findings")
    run_of_a = found[(found["instrument"] == "a") & (found["kind"] == "stuffy_run")]
    assert run_of_a[["first_note", "last_note"]].to_numpy().tolist() == [["D4", "A4"]]
    assert ((found["instrument"] == "f") & (found["first_note"] == "F4") & (found["unit"] == "cents")).any()


def test_notes_that_crack_and_notes_never_found_are_in_the_table(tmp_path):
    tables = study_tables({"s1": ["a", "b", "c", "d"]}, takes=3, seed=4)
    notes = tables["notes"]
    cracks = (notes["instrument"] == "a") & (notes["written_note"] == "D5")
    notes.loc[cracks, "flags"] = "slurred cracked"
    tables["notes"] = notes[~((notes["instrument"] == "b") & (notes["written_note"] == "G4"))]
    found = run(tmp_path, tables).set_index("kind")
    assert found.loc["cracking", ["instrument", "first_note", "size", "unit"]].tolist() == ["a", "D5", 100, "%"]
    assert found.loc["note_far_off", ["instrument", "first_note"]].tolist() == ["b", "G4"]
    assert pd.isna(found.loc["note_far_off", "size"])


def test_nothing_found_is_a_table_with_a_header_alone(tmp_path):
    found = run(tmp_path, study_tables({"s1": ["a"]}, takes=1, instrument_sd={"scale_cents": 0.5}))
    assert found.empty
    assert (tmp_path / "findings.tsv").read_text(encoding="utf-8") == "\t".join(names("findings")) + "\n"
