import numpy as np
import pandas as pd
import pytest

from evenbore.files.tables import conform
from evenbore.setups.comparability import comparability, session_groups
from evenbore.setups.links import inseparable, odd_responses, one_more_take

EMPTY = pd.DataFrame(columns=["session", "band_hz", "response_db", "response_se_db"])


def recordings(*rows):
    frame = pd.DataFrame(rows, columns=["session", "instrument"])
    return frame.assign(state="as_found", status="ok", recording=[f"r{number}" for number in range(len(frame))])


def test_sessions_join_directly_and_through_others():
    frame = recordings(("s1", "a"), ("s1", "b"), ("s2", "b"), ("s2", "c"), ("s3", "c"), ("s4", "d"))
    assert session_groups(frame) == {"s1": 1, "s2": 1, "s3": 1, "s4": 2}


def test_the_order_of_rows_is_not_that_of_the_sessions():
    """By whose order the errors of set-ups are drawn up."""
    frame = recordings(("s2", "a"), ("s1", "a"), ("s3", "c"))
    assert [*session_groups(frame)] == [*session_groups(frame[::-1])] == ["s1", "s2", "s3"]


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
    setups = EMPTY.assign(session=["s1", "s1"], band_hz=[500.0, 630.0], response_db=0.0, response_se_db=[0.3, 0.4])
    table = comparability(frame, setups).set_index(["session", "instrument"])
    assert table["links"].to_dict() == {
        ("s1", "ref"): 2, ("s1", "a"): 0, ("s2", "ref"): 2, ("s3", "ref"): 2, ("s4", "b"): 0
    }  # fmt: skip
    assert table.loc[("s1", "a"), "link_se_db"] == pytest.approx(0.125**0.5)
    assert pd.isna(table.loc[("s4", "b"), "link_se_db"])


def test_no_usable_recording_gives_an_empty_table():
    frame = recordings(("s1", "a")).assign(status="set_aside")
    assert comparability(frame, EMPTY).empty


def test_what_one_more_take_would_gain_by_hand():
    # ref twice in each of two sessions: an offset is half the difference of two means, variance (1/2 + 1/2) / 4; with a
    # third take in s1 (1/3 + 1/2) / 4
    frame = recordings(("s1", "ref"), ("s1", "ref"), ("s2", "ref"), ("s2", "ref"), ("s1", "a"), ("s3", "b"))
    more = one_more_take(frame)
    assert more.loc["s1", "best"] == "ref"
    assert more.loc["s1", "part"] == pytest.approx((5 / 6) ** 0.5)
    assert "s3" not in more.index


def test_advice_says_what_to_record():
    frame = recordings(("s1", "ref"), ("s1", "ref"), ("s2", "ref"), ("s2", "ref"), ("s3", "b"))
    setups = EMPTY.assign(session=["s1", "s2"], band_hz=500.0, response_db=0.0, response_se_db=[0.6, 0.6])
    table = conform(comparability(frame, setups), "comparability").set_index(["session", "instrument"])
    assert table.loc[("s1", "ref"), "one_more_se_db"] == pytest.approx(0.6 * (5 / 6) ** 0.5)
    assert "ref" in table.loc[("s1", "ref"), "advice"] and "0.55 dB" in table.loc[("s1", "ref"), "advice"]
    assert table.loc[("s3", "b"), "advice"].startswith("nothing links this session")
    assert comparability(frame[:2], EMPTY)["advice"].tolist() == [""]  # one session: nothing to link


def response(shape):
    band = 1000.0 * 10 ** (np.arange(-9, 10) / 10)
    return pd.DataFrame({"session": "s1", "band_hz": band, "response_db": shape(band), "response_se_db": 0.3})


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        (lambda f: 0 * f, None),
        (lambda f: 3 * np.log2(f / 1000) / 3, None),  # a gentle tilt of 1 dB per octave
        (lambda f: -10 * np.log10(1 + (300 / f) ** 4), "lows under 200 Hz"),
        (lambda f: -10 * np.log10(1 + (f / 4000) ** 4), "highs over 5 kHz"),
        (lambda f: np.where(np.isclose(f, 500, rtol=0.05), 8.0, 0.0), "a resonance near 501 Hz (+8 dB)"),
    ],
)
def test_odd_responses_are_told_in_words(shape, words):
    told = odd_responses(response(shape))
    assert (told == {}) if words is None else (words in told["s1"])


def sheet(*rows):
    return [dict(zip(("instrument", "reed", "player"), row, strict=True)) for row in rows]


def test_reeds_that_change_along_with_the_instruments_are_told():
    told = inseparable(sheet(("a", "one", "p"), ("b", "one", "p"), ("c", "two", "p")))
    assert told["c"].startswith("never played with the reed of the others")
    assert set(told) == {"a", "b", "c"}


def test_what_cannot_be_told_apart_does_not_follow_the_order_of_rows():
    pair = sheet(("a", "one", "p"), ("b", "two", "p"))
    assert inseparable(pair) == inseparable(pair[::-1])


def test_a_reed_that_leads_from_one_instrument_to_the_other_is_enough():
    assert inseparable(sheet(("a", "one", "p"), ("a", "two", "p"), ("b", "two", "p"))) == {}
    assert inseparable(sheet(("a", None, "p"), ("b", None, "p"))) == {}


def test_two_covariates_are_told_together():
    told = inseparable(sheet(("a", "one", "p"), ("b", "two", "q")))
    assert "the player of" in told["a"] and "the reed of" in told["a"]
