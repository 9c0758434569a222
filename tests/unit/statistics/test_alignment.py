import numpy as np
import pytest

from evenbore.statistics.alignment import take_offsets

NAN = np.nan


def test_full_takes_have_the_differences_of_their_means():
    assert take_offsets(np.array([[1.0, 2, 6], [5, 9, 7]])) == pytest.approx([-2, 2])


def test_a_take_that_lacks_notes_is_compared_on_the_shared_ones():
    # second take: 4 above the first on the notes they share
    assert take_offsets(np.array([[0.0, 1, 50, 60], [4, 5, NAN, NAN]])) == pytest.approx([-2, 2])


def test_takes_joined_through_a_third_by_least_squares():
    # one equation per shared note: b - a = 2, c - b = 6, each exactly solvable
    values = np.array([[0.0, 0, NAN, NAN], [2, 2, 0, NAN], [NAN, NAN, 6, 9]])
    a, b, c = take_offsets(values)
    assert (b - a, c - b, a + b + c) == pytest.approx((2, 6, 0))


def test_takes_that_share_no_note_keep_theirs():
    assert take_offsets(np.array([[0.0, 1, NAN], [NAN, NAN, 90]])) == pytest.approx([0, 0])
