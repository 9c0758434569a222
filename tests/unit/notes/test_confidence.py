"""How sure a note is: signs worked out by hand, and that none of them ever makes a note surer."""

import numpy as np
import pytest

from evenbore.facts.flags import UNSURE
from evenbore.notes.confidence import SIGNS, confidence, signs

N = 12


def told(at=5, without=(), score=0.75, rival=0.3, **change):
    """The signs of the note `at` by name: half a second, 3 cents, but for `change`; the notes `without` not found."""
    found = np.array([step not in without for step in range(N)])
    plain = {"onset_s": 0.0, "offset_s": 0.5, "cents": 3.0}
    rows = [plain | {"step": int(step)} for step in np.nonzero(found)[0]]
    place = [row["step"] for row in rows].index(at)
    rows[place] |= change
    table = signs(np.full(N, score), np.full(N, rival), found, rows)
    others = np.delete(table[:, : SIGNS.index("holes")], place, axis=0)
    assert (score, rival) != (0.75, 0.3) or not others.any()
    return dict(zip(SIGNS, table[place], strict=True))


def stated(**given):
    return confidence(np.array([list(told(**given).values())]))[0]


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({}, {}),
        ({"score": 0.5, "rival": 0.4}, {"weak": 0.5}),
        ({"offset_s": 1.0}, {}),
        ({"offset_s": 1.0, "without": (6,)}, {"long": 1.0, "holes": 1 / 6}),
        ({"offset_s": 0.55, "without": (4,)}, {"holes": 1 / 6}),
        ({"at": 11, "offset_s": 1.0, "without": (10,)}, {"holes": 1 / 6}),
        ({"offset_s": 0.075}, {"brief": 1.0}),
        ({"offset_s": 0.0}, {"brief": 2.0}),
        ({"cents": 38.0}, {"away": (35 - 15) / 35}),
        ({"cents": -60.0}, {"away": 1.0}),
        ({"cents": np.nan}, {}),
        ({"without": (0, 1, 10, 11)}, {}),
    ],
)
def test_each_sign_is_what_it_says(given, expected):
    assert told(**given) == pytest.approx(dict.fromkeys(SIGNS, 0.0) | expected, abs=1e-3)


@pytest.mark.parametrize("sign", range(len(SIGNS)))
def test_no_sign_makes_a_note_surer(sign):
    rng = np.random.default_rng(3)
    before = rng.uniform(0, 1, (200, len(SIGNS)))
    after = before.copy()
    after[:, sign] += rng.uniform(0.01, 1, 200)
    assert (confidence(after) < confidence(before)).all()


def test_an_ordinary_note_is_sure_and_two_notes_in_one_are_not():
    assert stated() > 0.99
    assert stated(offset_s=1.0, without=(6,)) < UNSURE


def test_a_note_far_off_its_place_is_no_unsure_one():
    assert stated(cents=80.0) > UNSURE


def test_a_single_note_has_no_others_to_be_held_against():
    row = {"step": 4, "onset_s": 0.0, "offset_s": 0.5, "cents": 20.0}
    table = signs(np.full(N, 0.75), np.full(N, 0.3), np.arange(N) == 4, [row])
    assert not table.any()


def test_a_take_all_of_whose_notes_were_left_out_has_none_to_be_sure_of():
    assert signs(np.array([0.7]), np.array([0.2]), np.array([True]), []).shape == (0, len(SIGNS))
