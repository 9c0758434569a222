"""Takes held beside the study's families, on colours that are given."""

import numpy as np
import pandas as pd
import pytest

from evenbore.notes.familysound import unlike_their_family

MIDI = np.arange(60, 80)
FLUTE, OBOE = (1.3, 3.0), (3.5, 0.0)  # centroid_order, odd_even_db


def study(takes, scatter=0.05):
    """Rows and notes of takes (recording, family of the sheet, colour), each scattered a little from note to note."""
    rng = np.random.default_rng(1)
    rows, notes = [], []
    for recording, family, (order, odd) in takes:
        rows.append({"recording": recording, "instrument": f"{family}_{recording[-1]}", "family": family})
        rows[-1] |= {"dynamic": "mf", "status": "ok"}
        colour = {
            "centroid_order": order * np.exp(scatter * rng.normal(size=20)),
            "odd_even_db": odd + rng.normal(size=20),
        }
        notes.append(pd.DataFrame({"recording": recording, "midi": MIDI} | colour))
    return rows, pd.concat(notes, ignore_index=True)


def takes_of(family, colour, count):
    return [(f"{family}{number}", family, colour) for number in range(count)]


def test_a_flute_under_the_sheet_of_an_oboe_is_asked_about():
    rows, notes = study([*takes_of("flute", FLUTE, 4), *takes_of("oboe", OBOE, 4), ("odd", "oboe", FLUTE)])
    doubts = unlike_their_family(rows, notes)
    assert list(doubts) == ["odd"]
    assert doubts["odd"].startswith("sounds like the study's takes of flute and not of oboe: another instrument than")
    assert "unusual sound" in doubts["odd"]


def test_what_sounds_like_its_family_is_left_alone():
    rows, notes = study([*takes_of("flute", FLUTE, 5), *takes_of("oboe", OBOE, 5)])
    assert unlike_their_family(rows, notes) == {}


@pytest.mark.parametrize(("flutes", "oboes"), [(2, 4), (4, 2)])
def test_fewer_than_three_takes_to_hold_it_beside_tell_nothing(flutes, oboes):
    takes = [*takes_of("flute", FLUTE, flutes), *takes_of("oboe", OBOE, oboes), ("odd", "oboe", FLUTE)]
    assert unlike_their_family(*study(takes)) == {}


def test_one_family_alone_tells_nothing():
    rows, notes = study([*takes_of("oboe", OBOE, 5), ("odd", "oboe", FLUTE)])
    assert unlike_their_family(rows, notes) == {}


def test_a_sound_of_no_family_is_not_said_to_be_of_another():
    rows, notes = study([*takes_of("flute", FLUTE, 4), *takes_of("oboe", OBOE, 4), ("odd", "oboe", (2.0, 30.0))])
    assert unlike_their_family(rows, notes) == {}


def test_families_whose_notes_lie_apart_tell_nothing():
    rows, notes = study([*takes_of("flute", FLUTE, 4), *takes_of("oboe", OBOE, 4), ("odd", "oboe", FLUTE)])
    notes.loc[notes["recording"].str.startswith("flute"), "midi"] += 13
    assert unlike_their_family(rows, notes) == {}


def test_soft_takes_are_held_beside_soft_ones():
    rows, notes = study([*takes_of("flute", FLUTE, 4), *takes_of("oboe", OBOE, 4), ("odd", "oboe", FLUTE)])
    rows[-1]["dynamic"] = "pp"
    assert unlike_their_family(rows, notes) == {}
