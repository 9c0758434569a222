"""The steps normalise and assess on a study's tables: every output is there and has its columns."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

from assess import assess_study
from evenbore.facts.columns import names
from evenbore.files.tables import conform, read_table, write_parquet, write_table
from normalise import normalise_study
from simulate import study_tables

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def study(tmp_path):
    """A study folder with its sheets, and the tables that measuring would give."""
    tables = study_tables({"s1": ["ref", "a"], "s2": ["ref", "b"], "s3": ["c"]}, takes=2, prices={"a": 500.0})
    config = tmp_path / "config"
    config.mkdir()
    shutil.copy(ROOT / "config" / "config.yaml", config)
    recordings = tables["recordings"]
    sheet = recordings[["recording", "instrument", "session", "take"]].assign(file=recordings["recording"] + ".wav")
    sheet.to_csv(config / "recordings.tsv", sep="\t", index=False)
    tables["instruments"].to_csv(config / "instruments.tsv", sep="\t", index=False)
    tables["sessions"].to_csv(config / "sessions.tsv", sep="\t", index=False)
    table = conform(recordings.reindex(columns=names("recordings")), "recordings")
    write_table(table, "recordings", tmp_path / "recordings.tsv")
    for name in ("notes", "harmonics", "bands"):
        write_parquet(conform(tables[name], name), tmp_path / f"{name}.parquet")
    no_music = conform(pd.DataFrame(columns=names("passage_notes")), "passage_notes")
    write_parquet(no_music, tmp_path / "passage_notes.parquet")
    return tmp_path


def test_steps_write_every_table(study):
    out = study / "results"
    normalise_study(
        path_to_study=study,
        path_to_config=study / "config" / "config.yaml",
        path_to_recordings=study / "recordings.tsv",
        path_to_notes=study / "notes.parquet",
        path_to_harmonics=study / "harmonics.parquet",
        path_to_bands=study / "bands.parquet",
        path_to_setups=out / "setups.tsv",
        path_to_comparability=out / "comparability.tsv",
        path_to_note_profiles=out / "note_profiles.tsv",
        path_to_band_profiles=out / "band_profiles.tsv",
        path_to_harmonic_profiles=out / "harmonic_profiles.tsv",
        path_to_notes_normalised=out / "notes.parquet",
        path_to_setup_errors=out / "setup_errors.npz",
        path_to_tone=out / "tone.parquet",
    )
    assess_study(
        path_to_study=study,
        path_to_config=study / "config" / "config.yaml",
        path_to_recordings=study / "recordings.tsv",
        path_to_notes_normalised=out / "notes.parquet",
        path_to_passage_notes=study / "passage_notes.parquet",
        path_to_setup_errors=out / "setup_errors.npz",
        path_to_passages=out / "passages.tsv",
        path_to_criteria=out / "criteria.tsv",
        path_to_instruments=out / "instruments.tsv",
        path_to_tuning_advice=out / "tuning_advice.tsv",
        path_to_takes=out / "takes.parquet",
        path_to_shifts=out / "shifts.parquet",
        path_to_days=out / "days.parquet",
    )
    tables = ("setups", "comparability", "note_profiles", "band_profiles", "criteria", "instruments", "tuning_advice")
    for table in tables:
        assert len(read_table(out / f"{table}.tsv", table)), table
    instruments = read_table(out / "instruments.tsv", "instruments").set_index(["criterion", "instrument"])
    assert instruments.loc[("total_cost", "a"), "value"] == 500
    assert instruments.loc[("timbre_evenness", "a"), "group"] == 1
    assert instruments.loc[("timbre_evenness", "c"), "group"] == 2
    assert set(pd.read_parquet(out / "takes.parquet")["instrument"]) == {"ref", "a", "b", "c"}
