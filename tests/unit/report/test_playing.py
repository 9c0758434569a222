"""What a phrase tells, in sentences: values given, sentences worked out by hand."""

import numpy as np
import pandas as pd

from evenbore.report.playing import in_playing


def told(*rows):
    table = pd.DataFrame(rows, columns=["criterion", "value", "low", "high", "against_scale", "reason"])
    ((name, sentences),) = in_playing(table.assign(passage="joy"))
    assert name == "joy"
    return sentences


def test_a_bend_is_told_where_the_interval_and_the_ear_allow():
    (bent,) = told(("bend_in_music", -12.0, -17.0, -7.0, 18.0, "note F#4"))
    assert bent.startswith("F#4 lies 12.0 cents lower than the scale has it") and "the player bends it" in bent
    # zero in the interval; a bend that nobody notices; one take alone
    for row in ((-12.0, -25.0, 1.0), (4.0, 3.0, 5.0), (-12.0, np.nan, np.nan)):
        (open_,) = told(("bend_in_music", *row, 18.0, "note F#4"))
        assert open_.startswith("No note is shown to be bent")


def test_scale_and_music_are_held_against_each_other():
    (agree,) = told(("tone_core", 4.0, 3.0, 5.0, 4.5, None))
    (differ,) = told(("tone_core", 4.0, 3.0, 5.0, 6.5, None))
    (alone,) = told(("tone_core", 4.0, np.nan, np.nan, 6.5, None))
    assert agree.endswith("On the scale it loses 4.5 dB: both agree as far as can be told.")
    assert differ.endswith("they differ beyond the scatter of the takes.")
    assert "how surely is not known" in alone and "agree" not in alone and "differ" not in alone


def test_what_was_not_measured_is_not_told():
    table = pd.DataFrame({"passage": ["joy", ""], "criterion": ["tone_core", "dynamic_span"], "value": [np.nan, 3.0]})
    assert in_playing(table) == []


def test_the_notes_of_a_phrase_are_told_in_one_sentence():
    notes = (("pitch_in_music", -2.0, -4.0, 0.5, None, "note C4, 4 in a take"),
             ("pitch_in_music", 6.0, np.nan, np.nan, None, "note E4, 1 in a take; only one take"))  # fmt: skip
    (sentence,) = told(*notes)
    assert sentence.endswith("as far as known: C4, 4 in a take: −2.0 (−4.0 to +0.5); E4, 1 in a take: +6.0.")
