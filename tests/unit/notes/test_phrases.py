"""Takes of one phrase beside each other, worked out by hand."""

import pandas as pd

from evenbore.notes.phrases import places, with_places

PHRASE = [60, 62, 64, 65, 67, 65, 64]


def test_a_list_gives_the_places():
    grace, missing, wrong = [60, 62, 64, 66, 65, 67, 65, 64], [60, 62, 65, 67, 65, 64], [60, 62, 63, 65, 67, 65, 64]
    assert places([PHRASE, grace, missing, wrong], PHRASE) == [
        [0, 1, 2, 3, 4, 5, 6],
        [0, 1, 2, None, 3, 4, 5, 6],
        [0, 1, 3, 4, 5, 6],
        [0, 1, None, 3, 4, 5, 6],
    ]


def test_a_score_may_stand_in_another_key():
    # as a clarinet in B flat sounds, and an octave off
    for by in (-2, 12):
        assert places([PHRASE, PHRASE[1:]], [note + by for note in PHRASE])[0] == [0, 1, 2, 3, 4, 5, 6]


def test_without_a_list_the_take_that_is_most_like_the_others_is_the_phrase():
    assert places([[60, 62, 64, 64], PHRASE, PHRASE[:-1]], None)[1] == list(range(7))


def test_only_takes_of_one_name_are_laid_beside_each_other():
    rows = [("a", "song", "C4"), ("a", "song", "D4"), ("b", "song", "D4"), ("c", "", "C4")]
    notes = pd.DataFrame(rows, columns=["recording", "passage", "written_note"])
    assert with_places(notes, {})["place"].fillna(-1).tolist() == [0, 1, 1, -1]
    assert with_places(notes, {"song": [62, 60]})["place"][2] == 0
