"""Pools of the bench: what is planted, and that nothing is told of units that are tight."""

import numpy as np
import pytest

from physics.pools import Fault, Pool, change, holes_of, plans
from physics.score import score

LEAKING = Pool("saxophone_alto", 5, 5, {1: Fault("leak", 1.6, 70)}, units=5, takes=1)


def test_a_leak_silences_low_notes_and_weakens_those_below_it_alone():
    found = change(LEAKING, LEAKING.faults[1])
    silent = found.silent()["mf"]
    assert silent == set(range(min(found.notes), min(found.notes) + len(silent)))  # from the lowest note up
    loss = found.loss()
    hz = 440.0 * np.arange(1, 5)
    assert (loss(69, 440.0, hz, "mf") > 0.2).all()  # a semitone below the hole
    assert not loss(71, 440.0, hz, "mf").any()
    assert silent


def test_silent_notes_are_missing_and_others_there():
    notes, _, _ = LEAKING.notes()
    silent = change(LEAKING, LEAKING.faults[1]).silent()["mf"]
    assert len(notes[notes["instrument"] == "i01"]) == len(notes[notes["instrument"] == "i02"]) - len(silent)


def test_plans_are_drawn_alike_each_time_and_only_at_holes_that_can_be_told():
    drawn = plans("clarinet_b_flat", 7, (None,), 2, 3)
    assert drawn == plans("clarinet_b_flat", 7, (None,), 2, 3)
    assert {fault.hole for pool in drawn for fault in pool.faults.values()} <= set(holes_of("clarinet_b_flat"))


@pytest.mark.slow
def test_nothing_is_told_of_tight_clarinets():
    # By 113 tight units of the campaign without a false pattern, one in fourteen has a chance below 0.3.
    lines = score(plans("clarinet_b_flat", 7, (None,), 1, 3, size=1.6))
    assert (lines.loc[lines["planted"] == "nothing", "told"] == "").all()
    assert (lines.loc[lines["planted"] == "leak", "told"] != "").any()
