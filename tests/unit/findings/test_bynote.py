"""A pattern note by note, as text and as fitted to what was found."""

import numpy as np
import pytest

from evenbore.findings.bynote import NotePattern, fitted_pattern, from_text, to_text


def test_a_cell_holds_what_was_written_into_it():
    notes = [NotePattern(58, -12.1, -11.8), NotePattern(59, np.nan, -11.5), NotePattern(60, 0.0, -0.04)]
    assert to_text(notes) == "Bb3 -12.1 -11.8; B3 ? -11.5; C4 0.0 0.0"
    again = from_text(to_text(notes))
    assert [one.written for one in again] == [58, 59, 60]
    assert np.array([one[1:] for one in again]) == pytest.approx(
        np.array([[-12.1, -11.8], [np.nan, -11.5], [0, 0]]), nan_ok=True
    )
    assert from_text(None) == from_text(float("nan")) == []


def test_the_expected_has_the_height_that_leaves_the_least_squares():
    # through the origin, by hand: (1 * -4 + 0.5 * -3) / (1 + 0.25) = -4.4; the note not heard tells nothing
    fitted = fitted_pattern(np.array([60, 61, 62, 63]), np.array([-4.0, -3.0, np.nan, 1.0]), np.array([1, 0.5, 1, 0]))
    assert [one.expected for one in fitted] == pytest.approx([-4.4, -2.2, -4.4, 0])
