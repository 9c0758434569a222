"""What the response of notes has to reach, on a part of the campaign whose attacks, slurs and cracks are known."""

import pytest

from .response import campaign, errors, flagged

pytestmark = pytest.mark.slow
DRY, ROOM, LIVE = "dry", "0.45 s, -6 dB", "0.9 s, -3.5 dB"


@pytest.fixture(scope="module")
def notes():
    return campaign(families=("saxophone_alto", "clarinet_b_flat"), rooms=(DRY, ROOM, LIVE))


@pytest.mark.parametrize(
    ("room", "measured", "correlation", "bias_ms"), [(DRY, 0.9, 0.98, 2), (ROOM, 0.7, 0.93, 5), (LIVE, 0.4, 0.9, 6)]
)
def test_attack(notes, room, measured, correlation, bias_ms):
    part = notes[(notes["room"] == room) & (notes["articulation"] == "tongued") & ~notes["cracked"]]
    of = errors(part, "attack_ms")
    assert of["measured"] >= measured
    assert of["correlation"] >= correlation
    assert abs(of["bias"]) <= bias_ms


def test_slurs_and_settling_without_a_room(notes):
    dry = notes[(notes["room"] == DRY) & ~notes["cracked"]]
    slurs = errors(dry[flagged(dry, "slurred")], "transition_ms")
    assert slurs["measured"] >= 0.95
    assert slurs["correlation"] >= 0.93
    assert abs(slurs["bias"]) <= 8
    settling = errors(dry[dry["articulation"] == "tongued"], "settle_ms")
    assert settling["correlation"] >= 0.85
    assert abs(settling["bias"]) <= 8


@pytest.mark.parametrize("name", ["settle_ms", "transition_ms", "overshoot_db"])
def test_what_a_room_hides_is_empty(notes, name):
    rooms = notes[notes["room"] != DRY]
    assert flagged(rooms, "room_heard").mean() >= 0.8
    assert rooms[name].isna().all()


def test_cracks(notes):
    flag = flagged(notes, "cracked")
    assert not (flag & ~notes["cracked"]).any()
    assert flag[notes["cracked"] & (notes["articulation"] == "tongued")].mean() >= 0.6
    assert flag[notes["cracked"] & (notes["articulation"] == "slurred")].mean() >= 0.5
