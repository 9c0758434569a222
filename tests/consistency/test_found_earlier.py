"""Contradictions that readers of earlier reports found, each on a study or table that holds its cause."""

import re

import pandas as pd
import pytest

import sheetstudies
from evenbore.facts.columns import names
from evenbore.findings.vet import decisions, vetting_table
from evenbore.recording.quality import advice
from evenbore.study.sheets import load_study

from . import studies


def of(found, *kinds, instruments=None):
    return [
        f"{one.first.source}: {one.why}"
        for one in found
        if one.kind in kinds and (instruments is None or one.first.instrument in instruments)
    ]


@pytest.mark.parametrize("instrument", ["c", "d"])
def test_an_instrument_with_a_note_beyond_its_tolerance_is_not_accepted(statements, found, instrument):
    assert any(one.subject == "decision" and one.instrument == instrument for one in statements)
    kinds = ("accepted with a finding", "nothing found, and a finding")
    assert of(found, *kinds, instruments=[instrument]) == []


def test_the_reasons_name_every_finding_beyond_its_tolerance(statements, found):
    assert any(one.subject == "decision" and (one.instrument, one.claim) == ("e", "bench") for one in statements)
    assert of(found, "finding missing from a list", instruments=["e"]) == []


def test_cards_have_the_order_of_the_ranking_table(statements, found):
    cards = [one for one in statements if one.subject == "order" and one.source.startswith("report.html, answer")]
    assert any({"c", "d"} <= set(one.claim) for one in cards)
    assert of(found, "order differs") == []


def test_a_first_place_far_more_likely_than_the_others_is_no_tie(statements, found):
    firsts = [one for one in statements if one.subject == "first" and one.source.startswith("report.html, answer")]
    assert {one.instrument for one in firsts} >= {"ref"}
    assert of(found, "tied, and far apart") == []


def test_takes_that_would_decide_are_not_said_not_to(statements, found):
    takes = [one.claim for one in statements if one.subject == "takes_needed" and one.claim[0] is not None]
    assert any("another day" in remark for _, remark in takes)
    assert of(found, "takes that would not decide") == []


def test_the_rest_is_not_in_tune_where_a_note_lies_far_out(statements, found):
    assert any(one.subject == "tuning" and one.instrument == "c" and one.key == "advice" for one in statements)
    assert of(found, "the rest in tune, and a finding", "the rest in tune, and a note far out") == []


def test_what_is_left_where_it_was_is_told_why(statements, found):
    left = [one.claim for one in statements if one.subject == "tuning" and one.claim.words.startswith("Leave")]
    assert any(advised.offset and abs(sum(advised.offset)) >= 2 for advised in left)
    assert of(found, "left although off", "moved the wrong way", "tuning against its numbers") == []


@pytest.mark.parametrize("dynamic", ["pp", "p", "mp"])
def test_no_quieter_room_for_a_soft_take(dynamic):
    numbers = {"snr_db": 26.0, "clipped_fraction": 0.0}
    assert "quieter room" in advice(numbers | {"dynamic": "mf"})[0]
    (soft,) = advice(numbers | {"dynamic": dynamic})
    assert "26 dB" in soft and "quieter room" not in soft


def test_an_instrument_alone_is_first_of_nothing(statements, found):
    pool = [one for one in statements if one.subject == "p_first" and one.instrument == "f"]
    assert any(one.source == "tables/ranking.tsv" for one in pool)
    assert of(found, "first of one") == []


def test_clipped_takes_do_not_judge_the_tone(told, found):
    row = studies.table(told, "vetting").set_index("instrument").loc["b"]
    assert row["decision"] == "retake"
    assert "clipped" in row["reasons"] and not re.search(r"stuffy|dull", row["reasons"])
    assert of(found, "tone judged by clipped takes", instruments=["b"]) == []


WHOLE = {
    "state": "as_found", "session": "s", "dynamic": "mf", "status": "ok", "reason": None, "clipped_fraction": 0.0,
    "notes_expected": 32, "notes_found": 32,
}  # fmt: skip
ONE_TAKE = [WHOLE | {"recording": f"{name}1", "instrument": name} for name in "abcd"]


def vetted(rows: list[dict], inspection=()) -> pd.DataFrame:
    """The table vetting by (instrument, state) of takes in which nothing is found."""
    recordings = pd.DataFrame(rows)
    heard = recordings[recordings["status"] != "set_aside"]
    notes = heard.assign(group=1, written_note="C5", onset_s=1.0, midi=63, cents=0.0)
    values = recordings[["instrument", "state"]].drop_duplicates()
    values = values.assign(criterion="tuning_offset", value=0.0, low=-1.0, unit="cents")
    config = {"states": ["as_found", "after_setup"], "base_dynamic": "mf"}
    config["gates"] = {"tuning_offset_min": -30, "fault_severity_max": 2}
    limits = {"note_cents": 20, "stuffy_z": 3.5, "confidence": 0.5}
    sheet = {name: {"family": "saxophone_alto"} for name in "abcd"}
    none = pd.DataFrame(columns=names("findings"))
    decided = decisions(none, recordings, notes, values, sheet, inspection, config, dict.fromkeys("abcd", limits))
    return vetting_table(decided, sheet).set_index(["instrument", "state"])


def test_a_split_file_of_another_instrument_changes_no_decision():
    """Of three others one is recorded in two halves of the scale: the recordings of the instrument itself are what they
    were."""
    half = ONE_TAKE[1] | {"notes_expected": 16, "notes_found": 16}
    halves = [half | {"recording": f"b{part}"} for part in (1, 2)]
    before, after = vetted(ONE_TAKE), vetted([ONE_TAKE[0], *halves, *ONE_TAKE[2:]])
    assert before.loc[("a", "as_found"), "decision"] == after.loc[("a", "as_found"), "decision"]


PADS = {"instrument": "a", "item": "pads", "result": "fault", "severity": 2}


def test_a_fault_seen_in_one_state_is_not_told_of_the_next():
    inspection = [PADS | {"state": "as_found"}, PADS | {"state": "after_setup", "result": "ok", "severity": None}]
    table = vetted([*ONE_TAKE, ONE_TAKE[0] | {"recording": "a2", "state": "after_setup"}], inspection)
    assert table.loc[("a", "as_found"), "decision"] == "bench"
    assert "pads" in table.loc[("a", "as_found"), "reasons"]
    assert table.loc[("a", "after_setup"), "decision"] == "accept"
    assert "pads" not in table.loc[("a", "after_setup"), "reasons"]


def test_an_inspected_item_has_a_state_the_first_if_blank(tmp_path):
    rows = [
        {"instrument": "alto1", "item": "pads", "result": "fault", "severity": "2", "state": ""},
        {"instrument": "alto1", "item": "pads", "result": "ok", "state": "after_setup"},
    ]
    found = load_study(sheetstudies.write_study(tmp_path, inspection=rows)).inspection
    assert [(row["item"], row["state"]) for row in found] == [("pads", "as_found"), ("pads", "after_setup")]
