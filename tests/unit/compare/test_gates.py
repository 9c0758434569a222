import numpy as np
import pandas as pd

from evenbore.compare.gates import check_gates, seen_by

VALUES = pd.DataFrame(
    [
        ("x1", "worst_note_cents", 20.0, 15.0, "cents"),
        ("x1", "tuning_offset", 5.0, 3.0, "cents"),
        ("x2", "worst_note_cents", 41.26, 38.0, "cents"),
        ("x2", "tuning_offset", -45.0, -47.0, "cents"),
        ("x3", "tuning_offset", 0.0, -2.0, "cents"),
        ("x4", "worst_note_cents", np.nan, 50.0, "cents"),
        ("x4", "tuning_offset", np.nan, np.nan, "cents"),
    ],
    columns=["instrument", "criterion", "value", "low", "unit"],
)
FAULTS = [
    {"instrument": "x1", "item": "case", "result": "fault", "severity": 2},
    {"instrument": "x3", "item": "tenon crack", "result": "fault", "severity": 3},
    {"instrument": "x3", "item": "pads", "result": "attention", "severity": 3},
]
NAMES = ["x1", "x2", "x3"]
GATES = {"worst_note_cents_max": 35, "tuning_offset_min": -30, "fault_severity_max": 2}


def texts(faults, gates):
    checked = check_gates(VALUES, faults, gates, NAMES)
    return {name: str(gate) for name, gate in checked.items()}, {name for name in NAMES if checked[name].failed}


def test_texts_say_what_failed():
    said, failed = texts(FAULTS, GATES)
    assert said["x1"] == "pass"
    assert said["x2"] == "worst_note_cents 41.3 cents, above 35; tuning_offset -45 cents, below -30"
    assert said["x3"] == "fault of severity 3: tenon crack; worst_note_cents not known"
    assert failed == {"x2", "x3"}


def test_a_gate_that_is_off_fails_nobody():
    said, failed = texts((), dict.fromkeys(GATES))
    assert set(said.values()) == {"pass"} and not failed


def test_an_unknown_value_is_said_and_does_not_fail():
    said, failed = texts((), {"worst_note_cents_max": 35})
    assert said["x3"] == "worst_note_cents not known" and failed == {"x2"}


def test_of_what_is_known_to_be_worse_than_allowed_no_value_is_needed():
    gate = check_gates(VALUES, (), GATES, ["x4"])["x4"]
    assert str(gate) == "worst_note_cents at least 50 cents, above 35; tuning_offset not known"
    assert list(gate.failed) == ["worst_note_cents_max"]
    wide = check_gates(VALUES, (), {"worst_note_cents_max": 60}, ["x4"])["x4"]
    assert str(wide) == "worst_note_cents not known" and not wide.failed


def test_what_was_seen_holds_until_the_item_is_seen_again():
    order = ["as_found", "after_setup", "a_year_on"]
    row = {"instrument": "x", "item": "pads", "result": "fault"}
    rows = [row | {"state": "as_found"}, row | {"state": "after_setup", "result": "ok"}]
    results = {state: [seen["result"] for seen in seen_by(rows, {"x": state}, order)] for state in order}
    assert results == {"as_found": ["fault"], "after_setup": ["ok"], "a_year_on": ["ok"]}
    assert seen_by(rows[::-1], {"x": "a_year_on"}, order) == rows[1:]  # whatever the order of the sheet
