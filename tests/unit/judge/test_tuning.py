import numpy as np
import pandas as pd
import pytest

from evenbore.files.tables import conform
from evenbore.judge.tuning import cents_per_mm, move_mm, temperature_cents, tuning_advice, tuning_note
from evenbore.judge.values import TakeNotes
from evenbore.setups.tone import RELATIVE, RELATIVE_TILT
from evenbore.trade.families import load_family
from evenbore.trade.pitch import cents, note_to_midi
from simulate import study_tables

ALTO = load_family("saxophone_alto")
CLARINET = load_family("clarinet_b_flat")
CONFIG = {"base_dynamic": "mf", "just_noticeable": {"tuning_offset": 5}, "gates": {"tuning_offset_min": -30}}
STEADY = {"cents": 0, "note_cents": 0, "level_db": 0, "tilt_db": 0, "harmonic_db": 0, "attack": 0}


def advise(offset, extra=None, temperature=None):
    """Advice for one alto that is `offset` cents off as a whole, with `extra` cents on single notes."""
    tables = study_tables(
        {"s1": ["a"]}, take_sd=STEADY, instrument_sd={"offset_cents": 0, "scale_cents": 0},
        extra_cents={("a", note_to_midi(name)): value for name, value in (extra or {}).items()},
    )  # fmt: skip
    notes = tables["notes"].assign(cents=lambda n: n["cents"] + offset, brightness_db=0.0)
    notes = notes.assign(**dict.fromkeys([RELATIVE_TILT, *RELATIVE.values()], 0.0))
    assessed = pd.DataFrame(
        {"instrument": ["a"], "state": ["as_found"], "criterion": ["tuning_offset"], "value": [notes["cents"].median()]}
    )
    instruments, sessions = {"a": {"family": "saxophone_alto"}}, {"s1": {"temperature_c": temperature}}
    table = tuning_advice(notes, assessed, instruments, sessions, {"saxophone_alto": ALTO}, CONFIG)
    return conform(table, "tuning_advice").iloc[0]


def takes_of(written, *rows):
    blank = np.full(len(written), np.nan)
    return [
        TakeNotes(
            written=np.array(written), register=np.zeros(len(written), int), veiled=np.zeros(len(written), bool),
            partner=np.full(len(written), -1), nominal_cents=1200.0, cents=np.array(row, float),
            level=blank, brightness=blank, noise=blank, attack=blank, tilt=blank, odd_even=blank, fundamental=blank,
        )
        for row in rows
    ]  # fmt: skip


def test_the_aim_is_the_notes_own_deviation_from_the_median():
    # means 1.5, 6, 10: note 62 lies 4 above the middle one
    note, aim = tuning_note(takes_of([60, 61, 62], [1, 5, 9], [2, 7, 11]), (62,))
    assert (note, aim) == (62, 4.0)


def test_the_note_nearest_the_middle_and_steady_is_chosen():
    # means 1, 8, 8, 0, 12.5, median 8: 60 is 7 below, 61 and 62 in the middle, 61 less steady
    takes = takes_of([60, 61, 62, 63, 64], [1, 5, 8, 0, 20], [1, 11, 8, 0, 5])
    assert tuning_note(takes, (60, 61, 62))[0] == 62


def test_a_take_that_lacks_notes_and_lies_elsewhere_does_not_move_the_aim():
    # the second take is 10 higher as a whole and lacks the two low notes
    partial = takes_of([60, 61, 62, 63, 64], [1, 2, 5, 6, 9]) + takes_of([62, 63, 64], [15, 16, 19])
    assert tuning_note(partial, (60,)) == (60, pytest.approx(-4.0))


def test_no_customary_note_was_played():
    note, aim = tuning_note(takes_of([60, 61, 62], [1, 5, 9]), (70,))
    assert note is None
    assert np.isnan(aim)


def test_offset_and_aim_together_are_the_note_as_played():
    row = advise(12.0, {"F#5": 4.0, "G5": 9.0, "G4": -9.0})
    assert row["tune_on_note"] == "F#5"
    assert row["aim_cents"] == pytest.approx(4.0)
    assert row["overall_offset_cents"] == pytest.approx(12.0)
    assert "Pull out" in row["advice"]
    assert "Tune F#5 4 cents sharp so that the instrument as a whole is in tune" in row["advice"]


def test_flat_is_pushed_in_with_the_caution():
    row = advise(-12.0)
    assert "Push in" in row["advice"]
    assert "does not reach pitch" in row["advice"]
    assert "hardly mended" not in row["advice"]
    assert "hardly mended" in advise(-31.0)["advice"]


def test_what_nobody_hears_is_left_alone():
    assert advise(3.0)["advice"].startswith("Leave")


def test_pulling_out_a_clarinet_by_the_handbook():
    # cylinder closed at one end, L = c / 4f: throat G4 (sounding F4, 349.23 Hz) -7.03 cents per mm, low E
    # (sounding D3, 146.83 Hz) -2.96 cents per mm
    for note, per_mm in (("G4", -7.03), ("E3", -2.96)):
        assert cents_per_mm(CLARINET, note_to_midi(note)) == pytest.approx(per_mm, abs=0.02)


def test_an_overblown_note_has_the_tube_of_its_lower_partner():
    low, high = note_to_midi("F4"), note_to_midi("C6")
    assert high - low == CLARINET.overblow
    assert cents_per_mm(CLARINET, high) == pytest.approx(cents_per_mm(CLARINET, low))


def test_the_estimate_undoes_the_offset_on_an_ideal_cone():
    # F#4 of the alto sounds A3 = 220 Hz: L = c / 2f = 343.21 / 440 m; pulled out, it falls by the offset (a little
    # less than as many millimetres as there are times a millimetre's effect)
    mm = move_mm(ALTO, np.array([note_to_midi("F#4")]), 10.0)
    length = 1000 * 343.21 / 440
    assert cents(length / (length + mm), 1.0) == pytest.approx(-10.0, abs=0.05)


def test_the_move_is_for_the_middle_of_the_notes_played_whatever_note_is_tuned_on():
    # three notes of one register: the middle one's effect per mm counts
    low, middle, high = (note_to_midi(name) for name in ("D4", "F#4", "B4"))
    expected = -10.0 / cents_per_mm(ALTO, middle)
    assert move_mm(ALTO, np.array([low, middle, high]), 10.0) == pytest.approx(expected)
    assert "short notes move more" in advise(12.0)["advice"]


def test_brass_gets_no_millimetres():
    assert np.isnan(move_mm(load_family("trumpet_b_flat"), np.array([note_to_midi("C5")]), 10.0))


@pytest.mark.parametrize(
    ("temperature", "expected"), [(0, -61.17), (10, -30.04), (15, -14.89), (20, 0.0), (25, 14.64), (30, 29.04)]
)
def test_what_temperature_can_do_at_most(temperature, expected):
    # ideal dry air: pitch follows the square root of the absolute temperature, 600 log2((273.15 + T) / 293.15)
    assert temperature_cents(temperature) == pytest.approx(expected, abs=0.005)


def test_the_rooms_temperature_is_told_and_nothing_corrected():
    cold, unknown = advise(-12.0, temperature=15.0), advise(-12.0)
    assert cold["temperature_cents"] == pytest.approx(-14.89, abs=0.005)
    assert "15 °C: at most 15 cents flat" in cold["advice"]
    assert "Nothing was corrected" in cold["advice"]
    assert cold["overall_offset_cents"] == unknown["overall_offset_cents"]
    assert np.isnan(unknown["temperature_cents"])
    assert "°C" not in unknown["advice"]


def test_a_temperature_that_makes_no_cent_is_not_worth_a_sentence():
    assert "°C" not in advise(-12.0, temperature=20.2)["advice"]
