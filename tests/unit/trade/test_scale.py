import numpy as np
import pytest

from evenbore.files.errors import EvenboreError
from evenbore.trade.families import family_keys, load_family
from evenbore.trade.scale import expected_scale


@pytest.fixture(scope="module")
def alto():
    return load_family("saxophone_alto")


@pytest.mark.parametrize("key", family_keys())
def test_blank_range_means_the_familys_written_range(key):
    family = load_family(key)
    scale = expected_scale(family, "chromatic")
    assert (scale[0], scale[-1]) == (family.low, family.high)
    np.testing.assert_array_equal(np.diff(scale), 1)


def test_directions(alto):
    np.testing.assert_array_equal(expected_scale(alto, "chromatic", 60, 63), [60, 61, 62, 63])
    np.testing.assert_array_equal(expected_scale(alto, "chromatic", 60, 63, "down"), [63, 62, 61, 60])
    np.testing.assert_array_equal(expected_scale(alto, "chromatic", 60, 63, "up-down"), [60, 61, 62, 63, 62, 61, 60])
    np.testing.assert_array_equal(expected_scale(alto, "chromatic", 60, 60, "up-down"), [60])


def test_major_is_in_the_key_of_the_low_note(alto):
    # E flat major over an octave and a second: E flat F G A flat B flat C D E flat F
    np.testing.assert_array_equal(expected_scale(alto, "major", 63, 77), [63, 65, 67, 68, 70, 72, 74, 75, 77])
    # a top note outside the key is not reached
    assert expected_scale(alto, "major", 60, 73)[-1] == 72


def test_notes_are_taken_as_given(alto):
    np.testing.assert_array_equal(expected_scale(alto, "notes", notes=[60, 72, 60], direction="down"), [60, 72, 60])


def test_a_passage_is_not_cut_into_notes(alto):
    scale = expected_scale(alto, "passage")
    assert scale.shape == (0,)
    assert scale.dtype.kind == "i"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"pattern": "minor"}, "'minor' is not a pattern; allowed: chromatic, major, notes, passage"),
        (
            {"pattern": "chromatic", "direction": "sideways"},
            "'sideways' is not a direction; allowed: up, down, up-down",
        ),
        ({"pattern": "chromatic", "low": 72, "high": 60}, "C5 is above the highest note C4.*swapped"),
        ({"pattern": "notes"}, "has no notes"),
    ],
)
def test_what_cannot_be_played_is_explained(alto, arguments, message):
    with pytest.raises(EvenboreError, match=message):
        expected_scale(alto, **arguments)
