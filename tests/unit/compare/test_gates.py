import pandas as pd

from evenbore.compare.gates import gate_texts

VALUES = pd.DataFrame(
    [
        ("x1", "worst_note_cents", 20.0, "cents"),
        ("x1", "tuning_offset", 5.0, "cents"),
        ("x2", "worst_note_cents", 41.26, "cents"),
        ("x2", "tuning_offset", -45.0, "cents"),
        ("x3", "tuning_offset", 0.0, "cents"),
    ],
    columns=["instrument", "criterion", "value", "unit"],
)
FAULTS = [
    {"instrument": "x1", "item": "case", "result": "fault", "severity": 2},
    {"instrument": "x3", "item": "tenon crack", "result": "fault", "severity": 3},
    {"instrument": "x3", "item": "pads", "result": "attention", "severity": 3},
]
GATES = {"worst_note_cents_max": 35, "tuning_offset_min": -30, "fault_severity_max": 2}


def test_texts_say_what_failed():
    texts, failed = gate_texts(VALUES, FAULTS, GATES)
    assert texts["x1"] == "pass"
    assert texts["x2"] == "worst_note_cents 41.3 cents, above 35; tuning_offset -45 cents, below -30"
    assert texts["x3"] == "fault of severity 3: tenon crack; worst_note_cents not known"
    assert failed == {"x2", "x3"}


def test_a_gate_that_is_off_fails_nobody():
    texts, failed = gate_texts(VALUES, (), dict.fromkeys(GATES))
    assert set(texts.values()) == {"pass"} and not failed


def test_an_unknown_value_is_said_and_does_not_fail():
    texts, failed = gate_texts(VALUES, (), {"worst_note_cents_max": 35})
    assert texts["x3"] == "worst_note_cents not known" and failed == {"x2"}
