"""Notes that crack: planted ones are told as planted, chance and what all share are not."""

import numpy as np
import pandas as pd
import pytest

from evenbore.findings.cracking import cracking
from evenbore.findings.diagnose import diagnose
from evenbore.trade.families import load_family
from evenbore.trade.pitch import midi_to_note

WRITTEN = np.arange(58, 90)
FAMILY = load_family("saxophone_alto")


def notes(instruments=10, takes=6, rate=0.0, seed=0, planted=(), state="as_found"):
    """Notes of which each cracks by chance at `rate`; `planted`: (instrument number, written note, take) that crack."""
    rng = np.random.default_rng(seed)
    planted = set(planted)
    rows = [
        {
            "instrument": f"i{number}", "state": state, "recording": f"i{number}_{take}", "written": int(note),
            "flags": "slurred cracked" if rng.random() < rate or (number, note, take) in planted else "slurred",
        }
        for number in range(instruments)
        for take in range(takes)
        for note in WRITTEN
    ]  # fmt: skip
    return pd.DataFrame(rows)


def found(table):
    return cracking(table, table["written"].to_numpy())


def test_a_note_that_cracks_in_four_of_six_takes_is_told_with_its_share():
    (one,) = found(notes(planted=[(3, 74, take) for take in range(4)]))
    assert (one.owner, one.first, one.last, one.takes, one.of) == (("i3", "as_found"), 74, 74, 4, 6)
    assert (one.others, one.of_others) == (0, 54)
    assert one.p < 1e-3


def test_neighbours_that_crack_in_turn_are_one_stretch():
    (one,) = found(notes(planted=[(3, 74, 0), (3, 74, 1), (3, 75, 2), (3, 76, 3), (3, 80, 5)]))
    assert (one.first, one.last, one.n, one.takes, one.worst, one.worst_takes) == (74, 76, 3, 4, 74, 2)


@pytest.mark.parametrize(
    "planted",
    [
        [(3, 74, 0)],  # once
        [(3, note, 0) for note in range(70, 80)],  # one bad take
        [(number, 74, take) for number in range(10) for take in range(3)],  # as on all the others
    ],
)
def test_what_is_no_fault_of_this_instrument_is_not_told(planted):
    assert found(notes(planted=planted)) == []


def test_an_unsure_note_cracks_for_nobody():
    table = notes(planted=[(3, 74, take) for take in range(4)])
    table.loc[table["flags"].str.contains("cracked"), "flags"] = "cracked unsure"
    assert found(table) == []


def test_a_state_is_compared_with_other_instruments_and_not_with_its_own_past():
    table = pd.concat([notes(planted=[(3, 74, take) for take in range(4)]), notes(state="after_setup")])
    (one,) = found(table.assign(recording=table["recording"] + table["state"]))
    assert (one.owner, one.of_others) == (("i3", "as_found"), 108)


@pytest.mark.parametrize("rate", [0.005, 0.02, 0.05])
def test_players_who_crack_by_chance_make_few_findings(rate):
    # 200 healthy instruments each: 2 stretches were told at every rate when this was written
    told = sum(len(found(notes(rate=rate, seed=seed))) for seed in range(20))
    assert told <= 4


def test_the_finding_says_where_how_often_and_against_whom():
    planted = notes(planted=[(3, 74, take) for take in range(4)])
    table = planted.assign(
        written_note=planted["written"].map(midi_to_note), midi=FAMILY.to_sounding(planted["written"].to_numpy()),
        session="s", dynamic="f", articulation="slurred", direction="up", group=1, cents=0.0,
    )  # fmt: skip
    sheet = {f"i{number}": {"family": "saxophone_alto"} for number in range(10)}
    config = {"base_dynamic": "mf", "tolerances": {"default": {"note_cents": 20, "stuffy_z": 3.5}}}
    row = diagnose(table, sheet, {"saxophone_alto": FAMILY}, config).query("kind == 'cracking'").iloc[0]
    assert (row["instrument"], row["first_note"], row["unit"], row["scope"]) == ("i3", "D5", "%", "unit")
    assert row["size"] == pytest.approx(100 * 4 / 6)
    assert "in 4 of 6 takes" in row["explanation"] and "0 of 54 takes" in row["explanation"]
