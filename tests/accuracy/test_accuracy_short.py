"""What the program has to reach, on a part of the held-out takes of the accuracy campaign.

Outside: recorded notes of two soundfonts played by fluidsynth, Csound's waveguide models, speech by espeak-ng;
mir_eval for notes; Praat's autocorrelation and librosa's yin for the pitch of sampled notes.
"""

import sys

import numpy as np
import pytest

from rendering.render import find_soundfont
from rendering.study import SOUNDFONT

from . import tables
from .campaign import run
from .takes import CLEAN, EXACT, HARD, HELD_OUT, SECOND_SOUNDFONT, short_cases

pytestmark = pytest.mark.slow
PRAAT = "Praat autocorrelation"


@pytest.fixture(scope="module")
def results(require_program, require_file):
    """The short campaign's results, take by take; Praat beside it on some."""
    for program in ("fluidsynth", "csound", "espeak-ng"):
        require_program(program)
    for package, soundfont in (("fluid-soundfont-gm", SOUNDFONT), ("timgm6mb-soundfont", SECOND_SOUNDFONT)):
        require_file(package, find_soundfont(soundfont) or soundfont)
    held_out = [case for case in short_cases() if case.part == HELD_OUT]
    return run(held_out, [PRAAT], compared_each=4, tell=sys.stderr)


def of(results, **fields):
    return [take for take in results if all(take[name] == value for name, value in fields.items())]


def test_no_take_is_set_aside(results):
    assert [take["name"] for take in of(results, part=HELD_OUT) if take["status"] == "set_aside"] == []


BARS = [(CLEAN, "tongued", 0.99), (CLEAN, "slurred", 0.99), (HARD, "tongued", 0.97), (HARD, "slurred", 0.97)]


@pytest.mark.parametrize(("condition", "articulation", "least"), BARS)
def test_notes_are_found(results, condition, articulation, least):
    takes = of(results, condition=condition, articulation=articulation)
    assert sum(take["played"] for take in takes) >= 100
    assert tables.f_measure(takes) >= least, [take["failures"] for take in takes]


def test_onsets_are_found_within_20_ms_on_clean_takes(results):
    assert np.quantile(tables.pooled(of(results, condition=CLEAN), "onset_ms"), 0.95) <= 20


def test_hardly_a_note_where_none_was_played(results):
    held = of(results, part=HELD_OUT)
    assert sum(take["spurious"] for take in held) <= 0.002 * sum(take["played"] for take in held)


def test_no_octave_or_twelfth_errors(results):
    assert sum(take["mistaken"] for take in of(results, part=HELD_OUT)) == 0


def test_pitch_where_the_truth_is_exact(results):
    cents = tables.pooled(of(results, condition=EXACT), "cents")
    assert len(cents) >= 150
    assert np.median(cents) <= 0.05
    assert np.quantile(cents, 0.95) <= 0.3


def test_pitch_is_no_worse_than_praats_where_the_truth_is_exact(results):
    takes = [take for take in of(results, condition=EXACT) if "trackers" in take]
    ours = tables.pooled(takes, "cents")
    theirs = tables.pooled([take["trackers"][PRAAT] for take in takes], "span_cents")
    assert min(len(ours), len(theirs)) >= 100
    for quantile in (0.5, 0.95):
        assert np.quantile(ours, quantile) <= np.quantile(theirs, quantile)


def test_pitch_where_two_references_agree(results):
    cents = tables.pooled(of(results, condition=CLEAN, exact=False), "cents")
    assert len(cents) >= 350
    assert np.median(cents) <= 0.3
    assert np.quantile(cents, 0.95) <= 1.5
