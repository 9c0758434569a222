import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbore.files.errors import EvenboreError
from evenbore.trade.pitch import cents, hz_to_midi, midi_to_hz, midi_to_note, note_to_midi, speed_of_sound


@pytest.mark.parametrize(
    ("note", "midi"),
    [
        ("C4", 60),
        ("A4", 69),
        ("Bb4", 70),
        ("B♭4", 70),
        ("bb4", 70),
        ("BB4", 70),
        ("B-flat 4", 70),
        ("b4", 71),
        ("F#3", 54),
        ("F♯3", 54),
        ("f sharp 3", 54),
        ("C-1", 0),
        ("B9", 131),
        ("Cb4", 59),
        ("B#3", 60),
        (" E4 ", 64),
    ],
)
def test_names_in_all_accepted_spellings(note, midi):
    assert note_to_midi(note) == midi


@pytest.mark.parametrize(
    ("note", "cause"),
    [
        ("H4", "German names"),
        ("Z", "no note name"),
        ("4A", "octave comes after the letter"),
        ("A", "octave number is missing"),
        ("Bb", "octave number is missing"),
        ("A10", "out of reach"),
        ("A-2", "out of reach"),
        ("Cb-1", "out of reach"),
        ("B#9", "out of reach"),
        ("F##4", "unknown way"),
        ("", "missing"),
        ("C4; D4", "no note name|unknown way"),
        (60, "not text"),
        (None, "not text"),
    ],
)
def test_bad_names_are_answered_with_value_allowed_and_cause(note, cause):
    with pytest.raises(EvenboreError, match=cause) as caught:
        note_to_midi(note)
    assert str(note) in str(caught.value)
    assert "allowed: a letter A to G" in str(caught.value)


@given(st.integers(0, 131))
def test_names_round_trip(midi):
    name = midi_to_note(midi)
    assert name.isascii()
    assert note_to_midi(name) == midi


@given(st.text(max_size=12))
def test_any_text_is_a_note_or_an_explained_error(text):
    try:
        assert 0 <= note_to_midi(text) <= 131
    except EvenboreError as error:
        assert "Likely cause" in str(error)


def test_default_spelling_of_black_keys():
    assert [midi_to_note(midi) for midi in (61, 63, 66, 68, 70)] == ["C#4", "Eb4", "F#4", "Ab4", "Bb4"]


@pytest.mark.parametrize("number", [-1, 132, 60.5])
def test_numbers_that_are_no_notes(number):
    with pytest.raises(EvenboreError, match="not a note number"):
        midi_to_note(number)


def test_frequencies_and_numbers_are_inverse_and_take_arrays():
    midi = np.array([21.0, 69.0, 69.5, 108.0])
    np.testing.assert_allclose(hz_to_midi(midi_to_hz(midi, a4=442.0), a4=442.0), midi, rtol=0, atol=1e-12)


@pytest.mark.filterwarnings("error")
def test_frequencies_without_meaning_give_nan():
    assert np.isnan(hz_to_midi(0.0))
    assert np.isnan(cents(-1.0, 440.0))
    assert np.isnan(cents(440.0, 0.0))
    assert np.isnan(cents(np.nan, 440.0))


def test_speed_of_sound_takes_arrays():
    assert speed_of_sound(np.array([0.0, 20.0])).shape == (2,)
