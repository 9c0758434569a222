import pandas as pd
import pytest

from evenbore.comparability import comparability, session_groups

EMPTY = pd.DataFrame(columns=["session", "band_hz", "response_db", "response_se_db"])


def recordings(*rows):
    frame = pd.DataFrame(rows, columns=["session", "instrument"])
    return frame.assign(state="as_found", status="ok")


def test_sessions_join_directly_and_through_others():
    frame = recordings(("s1", "a"), ("s1", "b"), ("s2", "b"), ("s2", "c"), ("s3", "c"), ("s4", "d"))
    assert session_groups(frame) == {"s1": 1, "s2": 1, "s3": 1, "s4": 2}


def test_an_instrument_and_a_session_of_the_same_name_are_not_confused():
    assert session_groups(recordings(("x", "a"), ("a", "x"))) == {"x": 1, "a": 2}


def test_a_recording_set_aside_does_not_link():
    frame = recordings(("s1", "a"), ("s2", "a"), ("s2", "b"))
    frame.loc[1, "status"] = "set_aside"
    assert session_groups(frame) == {"s1": 1, "s2": 2}


def test_a_changed_state_does_not_link():
    frame = recordings(("s1", "a"), ("s2", "a"))
    frame.loc[1, "state"] = "after_setup"
    assert session_groups(frame) == {"s1": 1, "s2": 2}


def test_links_count_other_sessions_and_errors_are_root_mean_squares():
    frame = recordings(("s1", "ref"), ("s1", "a"), ("s2", "ref"), ("s3", "ref"), ("s4", "b"))
    setups = pd.DataFrame({"session": ["s1", "s1"], "response_se_db": [0.3, 0.4]})
    table = comparability(frame, setups).set_index(["session", "instrument"])
    assert table["links"].to_dict() == {
        ("s1", "ref"): 2, ("s1", "a"): 0, ("s2", "ref"): 2, ("s3", "ref"): 2, ("s4", "b"): 0
    }  # fmt: skip
    assert table.loc[("s1", "a"), "link_se_db"] == pytest.approx(0.125**0.5)
    assert pd.isna(table.loc[("s4", "b"), "link_se_db"])


def test_no_usable_recording_gives_an_empty_table():
    frame = recordings(("s1", "a")).assign(status="set_aside")
    assert comparability(frame, EMPTY).empty
