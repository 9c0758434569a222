import pytest

from evenbore.trade.families import family_keys, load_family
from evenbore.trade.inspection import inspection_items, not_inspected


@pytest.mark.parametrize("key", family_keys())
def test_every_family_has_a_list(key):
    named = {*not_inspected(load_family(key).bore, [])}
    assert {"plating", "case fit", "accessories"} < named
    assert ("pads" in named) != ("valves or slide" in named)


def test_what_only_some_have():
    # common practice: a saxophone has a neck, a flute a head joint, a clarinet neither
    fits = {"saxophone_alto": {"neck fit"}, "bassoon": {"neck fit"}, "flute": {"head joint fit"},
            "clarinet_b_flat": set(), "trumpet_b_flat": set()}  # fmt: skip
    for key, expected in fits.items():
        assert {*not_inspected(load_family(key).bore, [])} & {"neck fit", "head joint fit"} == expected


def test_what_is_left_to_inspect():
    everything = not_inspected("brass", [])
    assert not_inspected("brass", ["Plating ", *everything[3:], "lyre"]) == everything[:2]


def test_readme_lists_every_item(repo):
    text = (repo / "config/README.md").read_text(encoding="utf-8")
    assert [item for item in inspection_items() if f"| {item} |" not in text] == []
