"""What changed between two states, worked out by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.compare.changes import changes
from evenbore.facts.days import DAY_KINDS
from evenbore.files.tables import conform
from evenbore.judge.repeatability import PRIOR_DF, Assessment, assumed_days

CONFIG = {
    "states": ["as_found", "after_setup"],
    "just_noticeable": {
        "intonation_spread": 3.0,
        "worst_note_cents": 5.0,
        "level_evenness": 1.0,
        "timbre_evenness": 1.0,
    },
}
NO_SHIFTS = pd.DataFrame(columns=["instrument", "state", "criterion", "component", "shift"])


def takes_of(before, after, sessions=("s1", "s1"), instrument="a", criterion="intonation_spread"):
    """Values of the takes of either state."""
    rows = [
        (instrument, state, session, f"{instrument}-{state}-{n}", "up", "slurred", criterion, value)
        for state, session, values in zip(CONFIG["states"], sessions, (before, after), strict=True)
        for n, value in enumerate(values)
    ]
    columns = ["instrument", "state", "session", "recording", "direction", "articulation", "criterion", "value"]
    return pd.DataFrame(rows, columns=columns)


def values_of(takes):
    """The instruments table that plain means of the takes give; every session a group of its own."""
    table = takes.groupby(["instrument", "state", "criterion"]).agg(value=("value", "mean"), group=("session", "first"))
    return table.reset_index().assign(group=lambda rows: rows["group"].str[1:].astype(int))


def notes(before, after, se):
    errors = np.broadcast_to(se, len(before) + len(after))
    return pd.DataFrame(
        [
            {
                "instrument": "a",
                "state": state,
                "midi": 60 + i,
                "written_note": f"n{i}",
                "measure": "cents",
                "value": v,
                "se": errors[i + len(before) * (state != "as_found")],
            }
            for state, cents in (("as_found", before), ("after_setup", after))
            for i, v in enumerate(cents)
        ]
    )


NONE = notes([], [], 1).reindex(columns=["instrument", "state", "midi", "written_note", "measure", "value", "se"])


def run(takes, profiles=NONE):
    tolerances = {name: {"note_cents": 20} for name in takes["instrument"].unique()}
    assessed = Assessment(values_of(takes), takes, NO_SHIFTS, assumed_days(DAY_KINDS))
    return conform(changes(assessed, profiles, CONFIG, tolerances), "changes")


CHANGED = takes_of([11.0, 12, 13], [5.0, 6, 7])


def test_a_criterion_that_changed():
    # both states scatter by 1, on four degrees of freedom in all: the change by the root of 1 / 3 + 1 / 3
    row = run(CHANGED).iloc[0]
    assert (row["change"], row["verdict"]) == (-6.0, "differs")
    half = stats.t.ppf(0.95, 4) * np.sqrt(2 / 3)
    assert (row["low"], row["high"]) == pytest.approx((-6 - half, -6 + half))


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ([12.0, 12.4, 12.8], [12.2, 12.6, 12.7], "no_audible_difference"),
        ([9.0, 12, 15], [7.0, 10, 13], "undecided"),
        ([12.0], [6.0], "undecided"),
    ],
)
def test_verdicts(before, after, verdict):
    assert run(takes_of(before, after)).iloc[0]["verdict"] == verdict


def test_states_in_sessions_that_nothing_links_are_not_compared():
    # six cents may be the day's; of what depends on set-ups, there is nothing to compare
    apart = "s1", "s2"
    pitch = takes_of([11.0, 12, 13], [5.0, 6, 7], apart)
    chain = takes_of([2.0, 2.1, 2.2], [5.0, 5.1, 5.2], apart, criterion="timbre_evenness")
    table = run(pd.concat([pitch, chain], ignore_index=True)).set_index("criterion")
    assert table["verdict"].to_dict() == {"intonation_spread": "undecided", "timbre_evenness": "not_comparable"}
    assert table[["low", "high"]].isna().all(axis=None)
    # with another instrument in both, whose days may differ too
    link = pd.concat([takes_of([1.0, 1.5], [1.2, 1.6], apart, "b").assign(state="as_found"), pitch], ignore_index=True)
    row = run(link).iloc[0]
    assert row["low"] < row["change"] < row["high"]


def test_one_state_has_no_changes():
    assert run(CHANGED.iloc[:3]).empty


def test_where_nothing_changed_it_is_rarely_told_that_something_did():
    # five studies of twenty instruments, three takes of either state: three criteria and the 20 notes of a measure,
    # whose standard errors are known on as many degrees of freedom as is assumed of them
    rng = np.random.default_rng(5)
    told = []
    for _ in range(5):
        names = [f"i{n:02d}" for n in range(20)]
        takes = [
            takes_of(*rng.normal(0, 1, (2, 3)), instrument=name, criterion=criterion)
            for name in names
            for criterion in ("intonation_spread", "tuning_offset", "dynamic_range")
        ]
        profiles = [
            notes(*rng.normal(0, 1, (2, 20)), np.sqrt(rng.chisquare(PRIOR_DF, 40) / PRIOR_DF)).assign(instrument=name)
            for name in names
        ]
        table = run(pd.concat(takes, ignore_index=True), pd.concat(profiles, ignore_index=True))
        told += (table["verdict"] == "differs").groupby(table["instrument"]).any().tolist()
    # 10 % at most of 100 over all criteria and measures, and three standard errors
    assert len(told) == 100
    assert np.mean(told) <= 0.10 + 3 * np.sqrt(0.10 * 0.90 / 100)


def test_the_mended_note_changes_and_the_others_do_not():
    # the second state is 10 cents sharper as a whole: no change of any note
    before, after = np.array([0.0, 1, 30, -1, 0]), np.array([10.0, 11, 12, 9, 10])
    table = run(CHANGED, notes(before, after, 1.0)).query("criterion == 'cents'").set_index("note")
    assert table.loc["n2", "change"] == pytest.approx(-28.0)
    assert table.loc["n2", "verdict"] == "differs"
    assert set(table.drop("n2")["verdict"]) == {"no_audible_difference"}
    assert (table["within_tolerance"] == "yes").all()
    worse = run(CHANGED, notes(after, before, 1.0)).query("criterion == 'cents'").set_index("note")
    assert worse.loc["n2", "within_tolerance"] == "no"
