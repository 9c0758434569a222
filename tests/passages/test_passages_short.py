"""Phrases on a few development takes, and what is planted in some told from them. The whole: `run.py`."""

import numpy as np
import pytest

from evenbore.facts.columns import names
from evenbore.facts.measures import MEASURES
from rendering.render import find_soundfont
from scenarios.sounds import DEVELOPMENT, SOURCES

from . import campaign, planted
from .takes import Case, Manner, cases

pytestmark = pytest.mark.usefixtures("soundfonts")
MUSIC = Case("FluidR3_GM", "saxophone_alto", "joy", Manner(0.4, slurred=True), seed=21)


@pytest.fixture
def soundfonts(require_program, require_file):
    require_program("fluidsynth")
    require_program("csound")
    for source in (SOURCES["FluidR3_GM"], SOURCES["TimGM6mb"]):
        require_file(source.needs, find_soundfont(f"{source.name}.sf2") or source.name)


def test_phrases_of_melodies_are_found():
    clean = [campaign.measured(case, references=False) for case in cases(DEVELOPMENT, 4, seed=31)]
    assert not [result["reason"] for result in clean if result["set_aside"]]
    assert campaign.f_measure(clean) >= 0.97
    assert np.median(np.abs([cents for result in clean for cents in result["cents"]])) <= 1
    assert sum(result["silent"] for result in clean) <= 0.005 * sum(result["found"] for result in clean)


def test_a_planted_bend_and_a_tone_that_thins_when_soft_are_told():
    assert planted.score(MUSIC) == {
        "bend told": 1,
        "its interval holds it": 1,
        "bends told of others": 0,
        "thinning told": 1,
        "thinning told of others": 0,
    }
    assert {measure.name for measure in MEASURES} <= set(names("passage_notes"))
