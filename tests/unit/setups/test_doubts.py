"""Measures in doubt are left out: of normalised notes, of the set-ups, and of the criteria, which say so."""

import numpy as np
import pandas as pd
import pytest

from evenbore.facts.days import DAY_KINDS
from evenbore.judge.assess import assess
from evenbore.setups.doubts import doubted, left_out, without_doubted
from evenbore.setups.normalise import normalise
from evenbore.trade.families import load_family
from simulate import study_tables

LOUDER_DB = 12.0
NOTES = [57, 62, 69]  # sounding; none of them veiled
FAMILIES = {"saxophone_alto": load_family("saxophone_alto")}
CONFIG = {"base_dynamic": "mf", "currency": "EUR", "states": ["as_found"], "own_days": DAY_KINDS}


def spoilt(flags="", louder_db=0.0):
    """A linked study in which NOTES of every take of `a` in the first session are louder than they were."""
    tables = study_tables({"s1": ["ref", "a", "b"], "s2": ["ref", "c"]}, takes=3, seed=11)
    notes, harmonics = tables["notes"], tables["harmonics"]
    chosen = (notes["instrument"] == "a") & notes["midi"].isin(NOTES)
    notes.loc[chosen, "level_dbfs"] += louder_db
    notes.loc[chosen, "flags"] = flags
    keys = ["recording", "step"]
    hit = pd.MultiIndex.from_frame(harmonics[keys]).isin(pd.MultiIndex.from_frame(notes.loc[chosen, keys]))
    harmonics.loc[hit, "level_db"] += louder_db
    return tables


def judged(tables, criterion, instrument="a"):
    normalised = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])
    sheet = {row["instrument"]: row for row in tables["instruments"].to_dict("records")}
    table = assess(
        normalised.notes, normalised.errors, tables["recordings"], sheet, (), FAMILIES, CONFIG
    ).instruments.set_index(["instrument", "criterion"])  # fmt: skip
    return table.loc[(instrument, criterion)]


def test_a_wrong_level_moves_the_evenness_unless_it_is_flagged():
    true = judged(spoilt(), "level_evenness")["value"]
    wrong = judged(spoilt(louder_db=LOUDER_DB), "level_evenness")["value"]
    kept = judged(spoilt("gain_moved", LOUDER_DB), "level_evenness")
    assert wrong > true + 2
    # whatever the wrong level is, nothing of it is left; three notes of 32 less change the value by little
    assert kept["value"] == pytest.approx(judged(spoilt("gain_moved"), "level_evenness")["value"], abs=1e-6)
    assert kept["value"] == pytest.approx(true, abs=0.2)
    assert kept["reason"] == "9 of 96 notes left out, in doubt: gain moved"


def test_only_what_is_in_doubt_is_left_out():
    for criterion in ("timbre_evenness", "intonation_spread"):
        kept, clean = (judged(tables, criterion) for tables in (spoilt("gain_moved", LOUDER_DB), spoilt()))
        assert "left out" not in kept["reason"]
        assert kept["value"] == pytest.approx(clean["value"], abs=0.02), criterion


def test_with_too_few_notes_left_there_is_no_value_but_a_reason():
    tables = spoilt()
    tables["notes"].loc[tables["notes"]["instrument"] == "a", "flags"] = "codec_limited:noise_high_db"
    row = judged(tables, "noise")
    assert np.isnan(row["value"])
    assert row["reason"].endswith("96 of 96 notes left out, in doubt: codec limited")
    assert np.isfinite(judged(tables, "noise", "b")["value"])


def test_an_unsure_note_tells_nothing():
    notes = without_doubted(spoilt("unsure")["notes"])
    gone = notes["flags"] == "unsure"
    assert gone.sum() == 9
    assert notes.loc[gone, ["cents", "level_dbfs", "brightness_db", "hnr_db", "attack_ms"]].isna().all(axis=None)
    assert notes.loc[~gone, "cents"].notna().all()


def test_flags_of_no_notes_doubt_nothing():
    assert doubted(pd.Series([], dtype=str)).shape[0] == 0
    assert not doubted(pd.Series(["", None, "slurred late"])).any()


def test_why_a_note_is_left_out_is_told_by_the_flag():
    flags = pd.Series(["slurred gain_moved", "cracked", "noise_limited:brightness_db", "noise_limited:hnr_db", None])
    assert left_out(flags, ("level_dbfs",)).fillna("").tolist() == ["gain moved", "", "", "", ""]
    assert left_out(flags, ("brightness_db",)).fillna("").tolist() == ["", "", "noise limited", "", ""]
    assert left_out(flags, ("attack_ms",)).fillna("").tolist() == ["gain moved", "cracked", "", "", ""]
