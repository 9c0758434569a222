import numpy as np
import pandas as pd
import pytest

from evenbore.setups.normalise import normalise
from evenbore.setups.rooms import RoomCells, room_error, rooms, variances
from simulate import study_tables


def cells(alike, instrument, session, mean, takes=3, scatter=0.0):
    mean = np.atleast_2d(np.asarray(mean, float))
    count = np.where(np.isfinite(mean), takes, 0)
    return RoomCells(np.array(alike), np.array(instrument), np.array(session), mean, count, scatter)


def test_variances_of_room_and_of_what_is_odd_about_an_instrument():
    # reference and four others in two sessions: 4 dB² common, 1 dB² of the reference's own, 0.75 / 3 of scatter
    rng = np.random.default_rng(1)
    notes = 20000
    room = rng.normal(0, 2.0, (2, notes))
    session = np.array([0, 1, 0, 0, 1, 1])
    own = rng.normal(0, 1.5, (5, notes))[[0, 0, 1, 2, 3, 4]]
    mean = own + room[session] + rng.normal(0, 1.0, (6, notes)) + rng.normal(0, 0.5, (6, notes))
    numbers = [0, 0, 1, 2, 3, 4]
    found = variances(cells(numbers, numbers, session, mean, 3, 0.75), np.array([True, True, *4 * [False]]))
    assert found == pytest.approx((4.0, 1.0), rel=0.05)


def test_prediction_and_what_is_left_by_hand():
    # one instrument in two sessions, differing by ±1 in every note: room and odd together sum (1 + 1) / (1/2 · 2) = 2,
    # all of it the room's, for nobody else tells. No scatter: predicted ±1; the sessions' mean stays unknown, 2 / 2.
    mean = np.array([[1.0, -1.0] * 8, [-1.0, 1.0] * 8])
    room, left, _ = rooms(cells([0, 0], [0, 0], [0, 1], mean))
    assert room == pytest.approx(mean, abs=1e-6)
    assert left == pytest.approx(1.0, abs=1e-6)


def test_what_the_other_instruments_do_not_show_is_not_taken_out_of_them():
    rng = np.random.default_rng(2)
    session, numbers = np.array([0, 1, 0, 1]), [0, 0, 1, 2]
    mean = rng.normal(0, 1, (4, 4000))  # each cell odd in its own way
    room, *_ = rooms(cells(numbers, numbers, session, mean))
    assert np.abs(room).max() < 0.3


def test_a_fault_of_an_instrument_recorded_once_is_no_room():
    tables = study_tables(
        {"s1": ["ref", "a", "b"], "s2": ["ref", "c", "d"]}, room_db=1.0, extra_tilt_db={("a", 70): -6.0}, seed=3
    )
    notes = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]]).notes
    brightness = notes.pivot_table(index="instrument", columns="midi", values="brightness_db")
    fault = brightness[61] - (brightness[60] + brightness[62]) / 2
    assert fault["a"] < -6
    assert np.abs(fault.drop("a")).max() < 3


def left_of_rooms(seed, measure):
    """(room in the levels as recorded, left after normalisation, stated): root mean squares, dB."""
    layout = {"s1": ["ref", "a"], "s2": ["ref", "b"]}
    common = {"twins": {"b": "a"}, "take_sd": {"harmonic_db": 0.2}, "noise_floor_db": -150, "seed": seed}
    flat = {session: lambda f: np.zeros_like(f) for session in layout}
    tables = study_tables(layout, room_db=1.5, chains=flat, **common)
    found = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]]).notes
    return [
        gap.sub(gap.mean()).pow(2).mean() ** 0.5
        for gap in (
            frame.pivot_table(index="midi", columns="instrument", values=measure).pipe(lambda t: t["a"] - t["b"])
            for frame in (tables["notes"], found)
        )
    ] + [np.sqrt(2) * found.loc[found["instrument"] == "a", room_error(measure)].mean()]


@pytest.mark.parametrize("measure", ["level_dbfs", "brightness_db"])
def test_twins_in_two_rooms_come_out_alike(measure):
    heard, left, stated = np.mean([left_of_rooms(seed, measure) for seed in range(5)], axis=0)
    assert heard > 1.0
    assert left < 0.5 * heard
    assert stated > left  # the mean of the two rooms, which no link shows, is in it too


def test_a_session_that_nothing_links_keeps_its_room():
    tables = study_tables({"s1": ["a", "b"], "s2": ["c"]}, room_db=1.0)
    notes = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]]).notes
    assert notes["level_dbfs"].to_numpy() == pytest.approx(tables["notes"]["level_dbfs"].to_numpy())
    assert notes[room_error("level_dbfs")].isna().all()


def test_a_note_missing_in_one_session_is_left_as_it_is():
    tables = study_tables({"s1": ["ref", "a"], "s2": ["ref", "b"]}, room_db=1.0)
    gone = (tables["notes"]["session"] == "s2") & (tables["notes"]["midi"] == 60)
    tables["notes"] = tables["notes"][~gone]
    notes = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]]).notes
    assert np.isfinite(notes["level_dbfs"]).all()
    error = notes.groupby("midi")[room_error("level_dbfs")].max()
    assert error[60] > 1.2 * error.drop(60).median()


def test_pandas_is_given_back_row_by_row():
    tables = study_tables({"s1": ["ref", "a"], "s2": ["ref", "b"]}, room_db=1.0)
    notes = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]]).notes
    pd.testing.assert_series_equal(notes["cents"], tables["notes"]["cents"])
