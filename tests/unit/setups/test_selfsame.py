"""Whether an instrument is the same in several sessions, on drawn pitches whose instruments are known."""

import numpy as np
import pandas as pd
import pytest

from evenbore.setups.comparability import comparability
from evenbore.setups.selfsame import Unlike, unlike_itself, unlike_sessions, unlike_words

NOTES, NOTE_SD = 32, 2.0
SESSIONS = ("s1", "s2", "s3")
WRONG = [Unlike("ref", "x", "s1", "s3"), Unlike("ref", "x", "s2", "s3")]


def drawn(seed, apart=2.0, day=0.5, takes=3, swapped=False, twins=False, tails=False):
    """Notes of a reference in three sessions and three other instruments in each; `apart`: spread between instruments
    at a note, `day`: of one instrument's days, both in NOTE_SD; `swapped`: another one stands under its id in s3;
    `tails`: notes scatter as Student's t of 4 df."""
    rng = np.random.default_rng([seed, 8])
    shape = rng.normal(0, 8, NOTES)

    def instrument():
        return shape if twins else shape + rng.normal(0, apart * NOTE_SD, NOTES)

    reference, rows = instrument(), []
    for number, session in enumerate(SESSIONS):
        here = {"ref": instrument() if swapped and session == "s3" else reference}
        here |= {f"i{3 * number + other}": instrument() for other in range(3)}
        for name, curve in here.items():
            of_day = curve + rng.normal(0, day * NOTE_SD, NOTES) + rng.normal(0, 3)
            for take in range(takes):
                scatter = rng.standard_t(4, NOTES) / np.sqrt(2) if tails else rng.normal(0, 1, NOTES)
                rows.append(
                    pd.DataFrame({"cents": of_day + NOTE_SD * scatter + rng.normal(0, 1.5), "midi": np.arange(NOTES)})
                    .assign(recording=f"{session}{name}{take}", instrument=name, state="x", session=session)
                    .assign(dynamic="mf", direction="up", articulation="slurred")
                )  # fmt: skip
    return pd.concat(rows, ignore_index=True)


def told(notes):
    return unlike_itself(notes, dict.fromkeys(notes["instrument"], "flute"), "mf")


def test_another_instrument_under_the_id_of_the_reference_is_told():
    # measured: 100 of 100 where instruments spread by twice the scatter of notes; 96 of 100 by 1.4 times
    assert [told(drawn(seed, swapped=True)) for seed in range(5)] == [WRONG] * 5
    assert sum(told(drawn(seed, apart=np.sqrt(2), swapped=True)) == WRONG for seed in range(5)) >= 4


@pytest.mark.parametrize("kind", [{}, {"twins": True}, {"tails": True}, {"takes": 2}, {"apart": 1.0}])
def test_an_honest_reference_is_never_told(kind):
    # measured: none of 100 of each kind
    assert [told(drawn(seed, **kind)) for seed in range(5)] == [[]] * 5


def test_a_slip_in_a_take_is_no_other_instrument():
    notes = drawn(1)
    notes.loc[(notes["recording"] == "s3ref0") & (notes["midi"] == 7), "cents"] += 45.0
    assert told(notes) == []


def test_what_cannot_be_told_is_not_told():
    notes = drawn(1, swapped=True)
    assert told(notes[notes["recording"].str.endswith("0")]) == []  # nothing repeated
    assert told(notes[notes["midi"] < 8]) == []  # a few notes are no fingerprint
    assert told(notes.assign(dynamic="p")) == []
    assert told(notes[notes["instrument"] == "ref"]) == []  # nobody beside it
    # a changed state is a changed instrument
    assert told(notes.assign(state=np.where(notes["session"] == "s3", "y", "x"))) == []


def test_it_is_told_in_words_by_session():
    notes = drawn(1, swapped=True)
    empty = pd.DataFrame(columns=["session", "band_hz", "response_db", "response_se_db"])
    table = comparability(notes.drop_duplicates("recording").assign(status="ok"), empty, unlike=told(notes))
    cells = table.set_index(["session", "instrument"])["unlike"]
    assert [cells[session, "ref"] for session in SESSIONS] == ["s3", "s3", "s1 s2"]
    assert (cells.drop("ref", level="instrument") == "").all()
    assert unlike_sessions(table) == {"ref": {frozenset(("s1", "s3")), frozenset(("s2", "s3"))}}
    words = unlike_words(table)["ref"]
    assert "in sessions s1 and s3, s2 and s3" in words
    assert "another instrument under this id" in words.lower()
