"""The words in the column `flags`: what each puts in doubt."""

import pytest

from evenbore.facts.flags import FLAGS, read_flags
from evenbore.facts.measures import MEASURES

NAMES = {measure.name for measure in MEASURES}


@pytest.mark.parametrize("flag", FLAGS.values(), ids=FLAGS)
def test_a_flag_says_what_it_is_and_doubts_measures_that_there_are(flag):
    assert flag.sentence and set(flag.doubts) <= NAMES
    assert not (flag.listed and flag.doubts)


def doubted(cell):
    return {name for one in read_flags(cell) for name in one.doubts}


def test_a_moved_gain_doubts_level_rise_and_noise_but_neither_pitch_nor_tone():
    assert {"level_dbfs", "level_dba", "level_lufs", "attack_ms", "hnr_db"} <= doubted("slurred gain_moved")
    assert not {"cents", "brightness_db"} & doubted("slurred gain_moved")


def test_listed_measures_are_in_doubt():
    assert doubted("noisy noise_limited:hnr_db,odd_even_db late") == {"hnr_db", "odd_even_db"}
    assert doubted("codec_limited:noise_high_db dropout") == {"noise_high_db"}


def test_an_unsure_note_tells_nothing_and_a_far_one_tells_all():
    assert doubted("unsure") == NAMES
    assert doubted("far_off repeated") == set()
    assert doubted("") == set()


def test_an_unknown_word_is_refused():
    with pytest.raises(KeyError):
        doubted("something_else")
