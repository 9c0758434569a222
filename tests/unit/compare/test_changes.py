"""What changed between two states, worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from evenbore.compare.changes import changes
from evenbore.files.tables import conform

CONFIG = {
    "states": ["as_found", "after_setup"],
    "just_noticeable": {
        "intonation_spread": 3.0,
        "worst_note_cents": 5.0,
        "level_evenness": 1.0,
        "timbre_evenness": 1.0,
    },
}


def values(before, after, half=1.645, group=(1, 1)):
    rows = [
        {
            "instrument": "a",
            "state": state,
            "criterion": "intonation_spread",
            "value": v,
            "low": v - half,
            "high": v + half,
            "group": g,
        }
        for state, v, g in zip(CONFIG["states"], (before, after), group, strict=True)
    ]
    return pd.DataFrame(rows)


def notes(before, after, se):
    return pd.DataFrame(
        [
            {
                "instrument": "a",
                "state": state,
                "midi": 60 + i,
                "written_note": f"n{i}",
                "measure": "cents",
                "value": v,
                "se": se,
            }
            for state, cents in (("as_found", before), ("after_setup", after))
            for i, v in enumerate(cents)
        ]
    )


NONE = notes([], [], 1).reindex(columns=["instrument", "state", "midi", "written_note", "measure", "value", "se"])


def run(table, profiles=NONE):
    return conform(changes(table, profiles, CONFIG, {"a": {"note_cents": 20}}), "changes")


def test_a_criterion_that_changed():
    # each interval of 90 % is 1 standard error wide either way: the change's is 1.645 * sqrt(2) = 2.326
    row = run(values(12.0, 6.0)).iloc[0]
    assert (row["change"], row["verdict"]) == (-6.0, "differs")
    assert row["low"] == pytest.approx(-8.326, abs=0.001)
    assert row["high"] == pytest.approx(-3.674, abs=0.001)


@pytest.mark.parametrize(
    ("after", "half", "verdict"),
    [(12.2, 0.5, "no_audible_difference"), (10.0, 3.0, "undecided"), (10.0, np.nan, "undecided")],
)
def test_verdicts(after, half, verdict):
    assert run(values(12.0, after, half)).iloc[0]["verdict"] == verdict


def test_states_in_sessions_that_nothing_links_are_not_compared():
    assert run(values(12.0, 6.0, group=(1, 2))).iloc[0]["verdict"] == "not_comparable"


def test_one_state_has_no_changes():
    assert run(values(12.0, 6.0).iloc[:1]).empty


def test_the_mended_note_changes_and_the_others_do_not():
    # the second state is 10 cents sharper as a whole: no change of any note
    before, after = np.array([0.0, 1, 30, -1, 0]), np.array([10.0, 11, 12, 9, 10])
    table = run(values(12.0, 6.0), notes(before, after, 1.0)).query("criterion == 'cents'").set_index("note")
    assert table.loc["n2", "change"] == pytest.approx(-28.0)
    assert table.loc["n2", "verdict"] == "differs"
    assert set(table.drop("n2")["verdict"]) == {"no_audible_difference"}
    assert (table["within_tolerance"] == "yes").all()
    worse = run(values(12.0, 6.0), notes(after, before, 1.0)).query("criterion == 'cents'").set_index("note")
    assert worse.loc["n2", "within_tolerance"] == "no"
