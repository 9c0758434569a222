"""The map of all notes against the tables and against lines worked out by hand."""

import base64
import json
import zlib

import numpy as np
import pytest

from evenbore.page.build import _packed_text
from evenbore.page.notemap import (
    MAPPED,
    Compared,
    NoteMap,
    _from_neighbours,
    _from_others,
    map_data,
    note_map,
    note_words,
    standing_out,
)


def test_a_note_against_the_middle_of_the_others(results):
    told = note_map(results)
    profiles = results.compared("note_profiles").query("dynamic == 'mf' and measure == 'cents'")
    cents = profiles.pivot(index="instrument", columns="written_note", values="value")
    cents = cents.sub(cents.median(axis=1), axis=0)
    group = results.compared("instruments").groupby("instrument")["group"].first()
    others = [name for name in cents.index if group[name] == group["d"] and name != "d"]
    for number, (_, name, _) in enumerate(told.notes):
        wanted = cents.loc["d", name] - cents.loc[others, name].median()
        place = told.instruments.index("d"), number
        assert told.others[0].difference[place] == pytest.approx(wanted, abs=1e-3)
    alone = told.instruments.index("f")  # too few of its group to compare it with
    assert np.isnan(told.others[0].difference[alone]).all()


def test_a_bump_on_a_straight_line_is_the_whole_difference():
    notes = [(60 + k, str(k), "low") for k in range(9)]
    row = np.arange(9.0) * 2
    row[4] += 7
    compared = _from_neighbours(row[None], np.ones((1, 9)), notes)
    assert compared.difference[0, 4] == pytest.approx(7)
    assert compared.half[0, 4] > 1  # the line's own error beside the note's


def test_the_interval_holds_the_errors_of_the_others_too():
    value, half = np.array([[3.0], [0.0], [1.0], [2.0]]), np.full((4, 1), 2.0)
    compared = _from_others(value, half, [np.arange(4)])
    assert compared.difference[0, 0] == pytest.approx(2)
    # a median of three: its variance is pi/2 of that of their mean
    assert compared.half[0, 0] == pytest.approx(np.sqrt(4 + np.pi / 2 * 4 / 3))


def single(*differences, half=1.0):
    nothing = Compared(np.full((1, 1), np.nan), np.full((1, 1), np.nan))
    return [Compared(np.array([[d]]), np.array([[half]])) for d in differences] + [nothing] * (5 - len(differences))


def test_what_stands_out_is_beyond_the_step_and_the_interval():
    steps = [5.0, 1.0, 1.0, 1.0, 10.0]
    assert standing_out(single(12.0), steps, (0, 0)) == ["12 cents sharper (11 to 13)"]
    assert standing_out(single(-12.0), steps, (0, 0)) == ["12 cents flatter (11 to 13)"]
    assert standing_out(single(4.0), steps, (0, 0)) == []  # hardly noticed
    assert standing_out(single(12.0, half=13.0), steps, (0, 0)) == []  # not beyond its interval
    told = standing_out(single(6.0, 9.0, -2.0, 3.0), steps, (0, 0))
    assert len(told) == 3 and told[0].startswith("9.0 dB richer in treble")  # most steps first


def test_the_words_of_a_note_say_what_was_found():
    told = NoteMap(["a"], [(69, "A4", "low")], [5.0] * 5, single(12.0), single(0.0), {(0, 0): ["notes that crack"]})
    text = note_words(told, (0, 0))
    assert text.startswith("Against the same note of the others it is 12 cents sharper")
    assert "nothing stands out against its neighbours" in text
    assert text.endswith("Found beyond chance: notes that crack.")


def test_the_data_hold_what_the_tables_say(results):
    data = map_data(results, _packed_text)
    raw = zlib.decompress(base64.b64decode(data["harmonics"]))
    half = len(raw) // 2
    numbers = (np.frombuffer(raw[:half], np.uint8) | np.frombuffer(raw[half:], np.uint8).astype(np.uint16) << 8).astype(
        "<i2"
    )
    numbers = numbers.reshape(len(data["instruments"]), len(data["notes"]), data["most"], 2)
    rows = results.compared("harmonic_profiles").set_index(["instrument", "written_note", "harmonic"])
    for i, (name, *_) in enumerate(data["instruments"]):
        for n, (note, _) in enumerate(data["notes"]):
            if (name, note, 1) in rows.index:
                level = rows.loc[(name, note, 1), "level_db"]
                assert numbers[i, n, 0, 0] / 10 == pytest.approx(level, abs=0.051)
    texts = json.loads(zlib.decompress(base64.b64decode(data["texts"])))
    assert [len(row) for row in texts] == [len(data["notes"])] * len(data["instruments"])
    assert len(data["measures"]) == len(MAPPED)
