"""Vetting: every decision with its reason; learned tolerances against a published table."""

import numpy as np
import pandas as pd
import pytest

from evenbore.facts.columns import names
from evenbore.files.tables import conform
from evenbore.findings.tolerances import LEAST_CENTS, learned_cents, limit_factor, tolerance
from evenbore.findings.vet import NOTHING, decisions, vetting_table

GATES = {"gates": {"worst_note_cents_max": 35, "tuning_offset_min": -30, "fault_severity_max": 2}}
CONFIG = GATES | {"states": ["as_found", "after_setup"], "base_dynamic": "mf"}
LIMITS = {"note_cents": 20, "stuffy_z": 3.5, "confidence": 0.5}
OTHERS = ("b", "c", "d")


def decide(findings=(), takes=2, inspection=(), offset=0.0, others=OTHERS, values=(), **recording):
    """Decision and reasons for instrument `a` with what is given; the others are sound."""
    whole = {"status": "ok", "reason": "", "notes_expected": 33, "notes_found": 33, "dynamic": "mf"}
    whole["clipped_fraction"] = 0.0
    recordings = [
        {"recording": f"{name}{take}", "instrument": name, "state": "as_found", "session": "s"}
        | whole
        | (recording if name == "a" else {})
        for name in ("a", *others)
        for take in range(takes)
    ]
    notes = [
        {"group": 1, "written_note": "C5", "onset_s": 7.25}
        | {key: row[key] for key in ("recording", "instrument", "dynamic")}
        for row in recordings
        if row["status"] != "set_aside"
    ]
    reach = {"instrument": "a", "state": "as_found", "criterion": "tuning_offset", "value": offset, "unit": "cents"}
    reach["low"] = np.nan
    values = [reach, *values]
    rows = [
        {
            "instrument": "a",
            "state": "as_found",
            "n_notes": 1,
            "size": -5.0,
            "unit": "dB",
            "region": None,
            "scope": "unit",
            "n_seen": takes,
            "n_takes": takes,
        }
        | row
        for row in findings
    ]
    findings = pd.DataFrame(rows, columns=names("findings"))
    instruments = {name: {"family": "saxophone_alto", "shipment": "June"} for name in ("a", *others)}
    decided = decisions(
        findings, pd.DataFrame(recordings), pd.DataFrame(notes), pd.DataFrame(values), instruments, inspection, CONFIG,
        dict.fromkeys(("a", *others), LIMITS),
    )  # fmt: skip
    table = conform(vetting_table(decided, instruments), "vetting")
    assert (table["shipment"] == "June").all()
    return table.set_index("instrument").loc["a"]


RUN = {"kind": "stuffy_run", "first_note": "C5", "last_note": "G5", "confidence": 0.9}
NOTE = {"kind": "stuffy_note", "first_note": "C5", "last_note": "C5", "confidence": 0.99}
TUNE = {"kind": "intonation_outlier", "first_note": "C5", "last_note": "C5", "unit": "cents"}


def test_nothing_found_is_accepted_and_one_take_says_what_it_costs():
    assert decide()["decision"] == "accept"
    one = decide(takes=1)
    assert one["decision"] == "accept"
    assert "one take only" in one["reasons"]


def test_a_stuffy_run_goes_to_the_bench_with_where_to_hear_it():
    row = decide([RUN])
    assert row["decision"] == "bench"
    assert "C5 to G5" in row["reasons"]
    assert row["listen"] == "C5 in a0 at 7.2 s"
    unsure = decide([RUN | {"confidence": 0.4}])
    assert (unsure["decision"], "record it again softly" in unsure["reasons"]) == ("retake", True)


def test_a_single_note_in_one_take_is_recorded_again():
    assert decide([NOTE], takes=1)["decision"] == "retake"
    assert decide([TUNE | {"size": 40.0, "confidence": np.nan}], takes=1)["decision"] == "retake"
    assert decide([RUN | {"n_notes": 8}], takes=1)["decision"] == "bench"
    assert decide([NOTE])["decision"] == "bench"


def test_what_one_of_several_takes_shows_is_recorded_again():
    row = decide([NOTE | {"n_seen": 1, "confidence": np.nan}])
    assert row["decision"] == "retake"
    assert row["reasons"] == "a stuffy note: C5 (-5.0 dB around 2 kHz): seen in one of 2 takes, record it again"
    assert decide([RUN | {"n_notes": 8, "n_seen": 1, "confidence": np.nan}])["decision"] == "retake"
    # a take of three at the base dynamic tells of pitch alone
    row = decide([TUNE | {"size": 40.0, "confidence": np.nan, "n_seen": 1, "n_takes": 1}], takes=3)
    assert (row["decision"], "only one of its takes tells" in row["reasons"]) == ("retake", True)


def test_what_rests_on_notes_that_may_have_been_left_out_asks_whether_they_were_tried():
    row = decide([RUN | {"confidence": np.nan, "size": np.nan, "n_seen": None, "n_takes": None,
                         "if_tried": "Bb3 to C4 at mf"}])  # fmt: skip
    assert row["decision"] == "retake"
    assert row["reasons"] == (
        "a run of stuffy notes: C5 to G5, if Bb3 to C4 at mf did not speak (no take has them): if they were tried,"
        " enter a fault in the inspection sheet, if they were left out, record them"
    )


CRACKS = {"kind": "cracking", "first_note": "C5", "last_note": "E5", "size": 60.0, "unit": "%", "confidence": 0.98}
AIR = {"kind": "noisy", "first_note": "Bb3", "last_note": "F6", "size": 3.4, "confidence": 0.97}
FAR = {"kind": "note_far_off", "first_note": "C5", "last_note": "C5", "size": np.nan, "unit": None, "confidence": 0.99}


def test_cracks_and_notes_far_off_go_to_the_bench_and_air_noise_asks_for_another_reed():
    row = decide([CRACKS])
    assert row["decision"] == "bench"
    assert row["reasons"] == "notes that crack: C5 to E5 (in 60 % of its takes), confidence 0.98"
    row = decide([FAR])
    assert row["decision"] == "bench"
    assert row["reasons"] == "a note far from its place: C5 (not found), confidence 0.99"
    row = decide([AIR])
    assert row["decision"] == "retake"
    assert row["reasons"].startswith("more air noise than the others: Bb3 to F6 (+3.4 dB of noise against tone)")
    assert "reed" in row["reasons"]
    assert decide([CRACKS | {"scope": "design"}, FAR | {"scope": "design"}])["decision"] == "accept"


def test_a_dull_scale_asks_for_another_reed_first():
    row = decide([RUN | {"kind": "all_dull"}])
    assert row["decision"] == "retake"
    assert "reed" in row["reasons"]


@pytest.mark.parametrize(
    ("size", "confidence", "decision"),
    # without repeats: 20 cents allowed, 4 cents scatter, 90 %: 20 + 1.2816 * 4 = 25.13 cents
    [(24.0, 0.91, "bench"), (24.0, 0.8, "retake"), (25.0, np.nan, "retake"), (25.3, np.nan, "bench")],
)
def test_a_note_out_of_tune_must_be_surely_so(size, confidence, decision):
    row = decide([TUNE | {"size": size, "confidence": confidence}])
    assert row["decision"] == decision
    assert "C5" in row["reasons"] and NOTHING not in row["reasons"]


def test_how_many_takes_would_make_a_note_sure():
    # 0.8413 is one standard error beyond with 2 takes; 1.2816 of them need 2 * 1.2816^2 = 3.28 takes
    assert "4 takes at mf in all" in decide([TUNE | {"size": 22.0, "confidence": 0.8413}])["reasons"]
    # 0.52 is 0.05 standard errors: 1,300 takes
    assert "more takes cannot tell" in decide([TUNE | {"size": 20.1, "confidence": 0.52}])["reasons"]


def test_every_finding_is_among_the_reasons():
    row = decide([RUN, TUNE | {"first_note": "Eb4", "last_note": "Eb4", "size": 20.8, "confidence": 0.74}])
    assert row["decision"] == "bench"
    assert "C5 to G5" in row["reasons"] and "Eb4 (+20.8 cents)" in row["reasons"]


def test_a_trait_of_the_design_is_held_against_none():
    assert decide([TUNE | {"size": 28.0, "confidence": 0.99, "scope": "design"}])["decision"] == "accept"


def test_what_no_bench_mends_is_returned():
    row = decide([RUN], offset=-45.0)
    assert row["decision"] == "return"
    assert "tuning_offset" in row["reasons"]
    fault = {"instrument": "a", "state": "as_found", "item": "crack", "result": "fault", "severity": 3}
    assert decide(inspection=[fault])["decision"] == "return"
    assert decide(inspection=[fault | {"severity": 2}])["decision"] == "bench"


def test_another_must_pass_goes_to_the_bench():
    values = [{"instrument": "a", "state": "as_found", "criterion": "worst_note_cents", "value": 41.0, "unit": "cents"}]
    row = decide(values=values)
    assert (row["decision"], row["reasons"]) == ("bench", "must-pass failed: worst_note_cents 41 cents, above 35")


def test_recordings_that_cannot_decide():
    assert "clipped" in decide(status="set_aside", reason="clipped")["reasons"]
    assert "forte" in decide(dynamic="f")["reasons"]
    assert "turn the gain down" in decide(clipped_fraction=0.011)["reasons"]
    assert "notes were found" in decide(notes_found=20)["reasons"]
    assert "3 other instruments" in decide(others=("b", "c"))["reasons"]
    for row in (
        decide(status="set_aside", reason="x"),
        decide(dynamic="f"),
        decide(clipped_fraction=0.011),
        decide(others=("b", "c")),
    ):
        assert row["decision"] == "retake"


def test_factor_of_the_tolerance_limit_is_the_tabulated_one():
    # 95 %, 95 %: Natrella 1963, Experimental Statistics, NBS Handbook 91, table A-7 (from memory)
    assert [limit_factor(n) for n in (6, 10, 30)] == pytest.approx([3.708, 2.911, 2.220], abs=0.002)


def test_tolerances_learned_from_accepted_instruments():
    assert learned_cents(np.array([12.0] * 5)) is None
    assert learned_cents(np.array([10.0, 12, 14, 10, 12, 14])) == pytest.approx(12 + 3.708 * np.sqrt(16 / 5), abs=0.01)
    assert learned_cents(np.full(8, 1.0)) == LEAST_CENTS


@pytest.mark.parametrize(
    ("family", "grade", "cents"),
    [
        ("flute", None, 20),
        ("bassoon", None, 25),
        ("bassoon", "default", 25),
        ("flute", "student", 30),
        ("bassoon", "student", 30),
        ("oboe", "student", 40),
        ("bassoon", "second_hand", 25),
    ],
)
def test_tolerances_of_grade_and_family(family, grade, cents):
    config = {
        "tolerances": {
            "default": LIMITS | {"families": {"bassoon": {"note_cents": 25}}},
            "student": {"note_cents": 30, "families": {"oboe": {"note_cents": 40}}},
            "second_hand": {"confidence": 0.8},
        }
    }
    found = tolerance(config, {"family": family, "grade": grade})
    confidence = 0.8 if grade == "second_hand" else LIMITS["confidence"]
    assert found == LIMITS | {"note_cents": cents, "confidence": confidence}
