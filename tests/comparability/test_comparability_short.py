"""What sessions have to reach beside each other, on a part of the campaign; docs/comparability.md has all of it.

Outside: recorded notes of a soundfont played by fluidsynth.
"""

import sys

import numpy as np
import pytest

from rendering.render import find_soundfont
from rendering.study import SOUNDFONT

from . import audio, campaign, studies

pytestmark = pytest.mark.slow


def test_intervals_of_evenness_cover_the_truth_whatever_the_rooms_add():
    # every design with every ratio of days
    rows = campaign.covered(len(studies.DESIGNS) * len(campaign.DAY_RATIOS), sys.stderr, dynamics=("mf",))
    for criterion in ("timbre_evenness", "level_evenness"):
        # 90 % of some 110 intervals, those of a study together: less than 80 % would be a fault
        assert campaign.share(rows, criterion=criterion) >= 0.80


def test_sessions_that_nothing_links_are_never_compared():
    rows = campaign.unlinked(3)
    assert sum(row["pairs"] for row in rows) >= 30
    assert [row["compared"] for row in rows] == [0, 0, 0]


def test_evenness_of_instruments_from_different_sessions_keeps_its_order():
    found = campaign.ordered(4)
    assert found["pairs"] >= 25
    assert found["tau"] >= 0.9


def test_one_instrument_through_two_chains(require_program, require_file):
    require_program("fluidsynth")
    require_file("fluid-soundfont-gm", find_soundfont(SOUNDFONT) or SOUNDFONT)
    found = audio.compare(audio.study(list(audio.chains(0))[:2], seed=1, takes=1))
    assert np.median(found["raw_db"]) >= 4.0
    assert max(found["normalised_db"]) <= 1.0
    assert np.corrcoef(found["true_db"], found["found_db"])[0, 1] >= 0.98
    assert 0.95 <= np.polyfit(found["true_db"], found["found_db"], 1)[0] <= 1.05
