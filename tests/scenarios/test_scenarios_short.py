"""Some kinds of the scenarios on sampled instruments: nothing comes out wrong without a word.

Outside: recorded notes of a soundfont played by fluidsynth; their pitch by Praat's autocorrelation and librosa's yin.
"""

import pytest

from evenbore.facts.flags import UNSURE
from rendering.render import find_soundfont

from .campaign import Case, measured
from .kinds import KINDS
from .sounds import DEVELOPMENT, SOURCES

pytestmark = pytest.mark.slow
PLAYERS = (("FluidR3_GM", "clarinet_b_flat"), ("FluidR3_GM", "oboe"))
# Kinds in which nothing came out wrong in the first four takes of the development set.
WHOLE = (
    "plain",
    "stop, breath, go on",
    "restart from two notes before",
    "note left out",
    "two whole passes",
    "whole take 45 cents flat",
    "whole take 70 cents sharp",
    "sheet a semitone off",
    "sheet says the opposite direction",
    "up and down played, up asked",
    "direct current",
    "two channels of opposite sign",
    "vibrato of 30 cents",
    "automatic gain",
    "lost buffers",
)


@pytest.mark.parametrize("kind", WHOLE)
def test_nothing_is_silently_wrong(kind, require_program, require_file):
    require_program("fluidsynth")
    place = WHOLE.index(kind)
    source, family = PLAYERS[place % 2]
    require_file(SOURCES[source].needs, find_soundfont(f"{source}.sf2") or source)
    take = measured(Case(DEVELOPMENT, kind, place, source, family))
    assert take["silent_notes"] == 0, take["failures"]
    assert take["missed"] == 0
    assert all(stated >= UNSURE for stated, right, _ in take["confidence"] if right)
    marks = ("good_set_aside", "accepted_wrongly", "remark_missing")
    assert [mark for mark in marks if take[mark]] == [], take["reason"]
    assert take["found"] > 0 or KINDS[kind].refusable
