import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenbore.files.errors import EvenboreError, StudyError
from evenbore.trade.families import SHIPPED_DIR, family_keys, likely_family, load_family, read_family_file
from evenbore.trade.pitch import midi_to_note, note_to_midi

KEYS = family_keys()
FAMILIES = {key: load_family(key) for key in KEYS}
WITH_FULL_HOLES = [key for key in KEYS if key.startswith(("clarinet", "saxophone"))]


def names(notes):
    return [midi_to_note(note) for note in notes]


@pytest.mark.parametrize("path", sorted(SHIPPED_DIR.iterdir()), ids=lambda path: path.name)
def test_shipped_files_pass_the_strict_check(path):
    assert path.suffix == ".yaml"
    read_family_file(path)


@given(st.sampled_from(KEYS), st.integers(20, 110))
def test_written_and_sounding_round_trip(key, note):
    family = FAMILIES[key]
    assert family.to_written(family.to_sounding(note)) == note
    assert family.to_sounding(family.to_written(note)) == note
    assert family.to_sounding(note) - note == family.transposition


def test_transposing_arrays():
    np.testing.assert_array_equal(FAMILIES["clarinet_b_flat"].to_sounding(np.array([60, 72])), [58, 70])


@pytest.mark.parametrize("key", KEYS)
def test_registers_cover_the_range_without_gaps(key):
    family = FAMILIES[key]
    assert family.registers[0].low == family.low
    assert family.registers[-1].high == family.usual_top
    for lower, upper in pairwise(family.registers):
        assert upper.low == lower.high + 1
    for note in range(family.low, family.usual_top + 1):
        register = family.register_of(note)
        assert register.low <= note <= register.high
    assert family.register_of(family.low - 1) is None
    assert family.register_of(family.usual_top + 1) is family.registers[-1]


@pytest.mark.parametrize("key", KEYS)
def test_notes_named_lie_in_the_range(key):
    family = FAMILIES[key]
    assert family.low < family.high <= family.usual_top
    for note in (*family.veiled, *family.tuning_notes):
        assert family.low <= note <= family.usual_top
    for vent in family.vents:
        assert family.low <= vent.low <= vent.high <= family.usual_top


@pytest.mark.parametrize("key", KEYS)
def test_holes_run_from_top_to_bottom(key):
    holes = FAMILIES[key].holes
    opened = [hole.first_open_for for hole in holes]
    assert opened == sorted(set(opened), reverse=True)
    assert bool(holes) == (FAMILIES[key].bore != "brass")


@pytest.mark.parametrize("key", WITH_FULL_HOLES)
def test_one_hole_for_each_semitone_above_the_lowest_note(key):
    family = FAMILIES[key]
    opened = sorted(hole.first_open_for for hole in family.holes)
    assert opened == list(range(family.low + 1, opened[-1] + 1))
    assert first_open_hole(family, family.low) is None
    assert not family.holes_coarse


def test_hole_lists_marked_to_verify():
    assert [key for key in KEYS if FAMILIES[key].holes_coarse] == ["bassoon", "contrabassoon", "cor_anglais", "oboe"]


def first_open_hole(family, written):
    """The hole that opens for a note, overblown notes as their first-register fingering; None when none is listed."""
    overblown = family.register_of(written).overblown
    fingered = written - family.overblow if overblown else written
    return next((hole for hole in family.holes if hole.first_open_for == fingered), None)


# Fingerings of the Boehm clarinet and of the saxophone as every tutor shows them: common practice, no source.
@pytest.mark.parametrize(
    ("key", "note", "part", "hand", "joint"),
    [
        ("clarinet_b_flat", "F3", "nearest the bell", "right", "lower joint"),
        ("clarinet_b_flat", "C5", "nearest the bell", "right", "lower joint"),
        ("clarinet_b_flat", "A3", "R3", "right", "lower joint"),
        ("clarinet_b_flat", "E5", "R3", "right", "lower joint"),
        ("clarinet_b_flat", "C#4", "C# / G#", "left", "upper joint"),
        ("clarinet_b_flat", "D4", "L3", "left", "upper joint"),
        ("clarinet_b_flat", "C6", "L1", "left", "upper joint"),
        ("clarinet_b_flat", "Bb4", "register vent", "left", "upper joint"),
        ("clarinet_bass_low_c", "Eb3", "low E flat", "right", "extension"),
        ("saxophone_alto", "G4", "R1", "right", "lower stack"),
        ("saxophone_alto", "G5", "R1", "right", "lower stack"),
        ("saxophone_alto", "A4", "L3", "left", "upper stack"),
        ("saxophone_alto", "D5", "low C pad", "right", "bow"),
        ("saxophone_alto", "D6", "palm D", "left", "top of the body"),
        ("saxophone_baritone_low_a", "Bb3", "low A", "left", "bell"),
        ("flute", "E4", "R3", "right", "body"),
        ("flute", "E5", "R3", "right", "body"),
    ],
)
def test_first_open_hole(key, note, part, hand, joint):
    hole = first_open_hole(FAMILIES[key], note_to_midi(note))
    assert part in hole.name
    assert hole.hand == hand
    assert joint in hole.joint


@pytest.mark.parametrize(
    ("key", "note"), [("clarinet_b_flat", "B4"), ("clarinet_b_flat", "C#6"), ("flute", "D6"), ("trumpet_b_flat", "C5")]
)
def test_no_first_open_hole_where_all_are_shut_or_the_fingering_forks(key, note):
    assert first_open_hole(FAMILIES[key], note_to_midi(note)) is None


@pytest.mark.parametrize(
    ("key", "pairs"),
    [
        # the twelfths E3-B4 ... F4-C6; the throat notes and F#4 have no partner
        ("clarinet_b_flat", {52: 71, 65: 84, 66: None, 67: None, 70: None, 71: None}),
        # low E flat + 19 semitones is the throat B flat, fingered otherwise
        ("clarinet_bass_low_c", {48: None, 51: None, 52: 71}),
        ("saxophone_alto", {58: None, 61: None, 62: 74, 73: 85, 74: None}),
        ("flute", {60: None, 62: 74, 73: 85}),
        ("oboe", {61: 73, 72: 84, 73: None}),
        ("bassoon", {42: 54, 50: 62, 51: None}),
        ("trumpet_b_flat", {60: None, 72: None}),
    ],
)
def test_partner_in_the_next_register(key, pairs):
    assert {note: FAMILIES[key].partner(note) for note in pairs} == pairs


def test_unknown_family():
    with pytest.raises(EvenboreError, match="kazoo is not a family; allowed: bassoon, clarinet_a"):
        load_family("kazoo")
    with pytest.raises(EvenboreError, match="is not a family"):
        load_family("../families/oboe")


# --- a study's own files -------------------------------------------------------------------------------------

OWN = """like: clarinet_b_flat
name: clarinet in C
transposition: 0
"""


def own(tmp_path, text, key="clarinet_c"):
    (tmp_path / f"{key}.yaml").write_text(text, encoding="utf-8")
    return load_family(key, tmp_path)


def test_own_family_like_a_shipped_one(tmp_path):
    family = own(tmp_path, OWN)
    assert "clarinet_c" in family_keys(tmp_path)
    assert (family.key, family.name, family.transposition) == ("clarinet_c", "clarinet in C", 0)
    assert family.holes == FAMILIES["clarinet_b_flat"].holes


def test_own_family_goes_before_a_shipped_one(tmp_path):
    assert own(tmp_path, OWN, key="clarinet_b_flat").transposition == 0


def test_byte_order_mark_and_line_ends_of_other_systems(tmp_path):
    (tmp_path / "clarinet_c.yaml").write_bytes(b"\xef\xbb\xbf" + OWN.replace("\n", "\r\n").encode())
    assert load_family("clarinet_c", tmp_path).name == "clarinet in C"


def test_shorter_tube_loses_the_lowest_holes_and_veiled_notes(tmp_path):
    family = own(tmp_path, OWN + "range: {low: G3, high: C6, usual_top: G6}\n")
    assert names(hole.first_open_for for hole in family.holes)[-1] == "Ab3"
    assert min(family.veiled) >= family.low == family.registers[0].low


@pytest.mark.parametrize(
    ("text", "column", "value", "allowed"),
    [
        (OWN + "colour: red\n", "colour", None, "name, transposition"),
        (OWN + "transposition: two\n", "transposition", "'two'", "integer"),
        (OWN + "transposition: 900\n", "transposition", "900", "maximum 24"),
        (OWN + "bore: square\n", "bore", "square", "cylinder_closed, cone, cylinder_open, brass"),
        (OWN + "overblow: 13\n", "overblow", "13", "0, 12, 19"),
        (OWN + "range: {low: H3, high: C6, usual_top: G6}\n", "range.low", "H3", "a letter A to G"),
        (OWN + "range: {low: E3, high: C6}\n", "range.usual_top", None, "A to G|value"),
        (OWN + "range: {low: C6, high: E3, usual_top: G6}\n", "range", "low C6", "low below high"),
        (OWN + "veiled: {Z: dull}\n", "veiled", "Z", "a letter A to G"),
        (OWN + "tuning_notes: []\n", "tuning_notes", r"\[\]", "minItems 1"),
        (OWN + "origin: {holes: somebody said so}\n", "origin.holes", "somebody", "source, practice, from memory"),
        (OWN + "registers: [{name: one, from: F3}]\n", "registers.0.from", "F3", "lowest or E3"),
        (OWN + "registers: [{name: one, from: lowest, to: C5}]\n", "registers.0.to", None, "name, from, overblown"),
        (
            OWN + "more_holes: [{name: x, opens_for: G3, hand: third, joint: y}]\n",
            "more_holes.0.hand",
            "third",
            "left, right",
        ),
        (OWN + "more_holes: [{name: x, opens_for: C3, hand: left, joint: y}]\n", "more_holes", "C3", "above E3"),
        (
            OWN + "more_holes: [{name: x, opens_for: C5, hand: left, joint: y}]\n",
            "holes",
            "F3 then C5",
            "notes that fall, from top to bottom",
        ),
        (OWN + "vents: [{name: x, from: C5, to: B4}]\n", "vents", "C5 then B4", "first note no higher than the last"),
        (
            OWN + "registers: [{name: a, from: lowest}, {name: b, from: E3}]\n",
            "registers",
            "E3 then E3",
            "notes that rise",
        ),
        ("like: banjo\n", "like", "banjo", "bassoon, clarinet_a"),
        ("like: clarinet_a\n", "like", "clarinet_a", "no `like` of its own.*start from"),
        ("like: [oboe]\n", "like", "oboe", "bassoon, clarinet_a"),
    ],
)
def test_problems_name_file_key_value_and_what_is_allowed(tmp_path, text, column, value, allowed):
    with pytest.raises(StudyError) as caught:
        own(tmp_path, text)
    assert [problem.column for problem in caught.value.problems] == [column]
    message = str(caught.value)
    assert "clarinet_c.yaml" in message
    assert re.search(f"allowed: .*({allowed})", message)
    if value:
        assert re.search(value, message)


def test_all_problems_come_at_once(tmp_path):
    with pytest.raises(StudyError) as caught:
        own(tmp_path, "name: thing\ncolour: red\nbore: square\n")
    columns = [problem.column for problem in caught.value.problems]
    assert {"colour", "bore", "transposition", "range", "registers"} <= set(columns)
    assert len(columns) == len(set(columns))


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"just words",
        b"- a\n- list\n",
        b"name: [unclosed",
        b"\xff\xfe\x00broken",
        b"!!python/object/apply:os.system ['true']",
        b"a: &a [x, x]\nb: &b [*a, *a]\nname: *b\n",
        b"[" * 5000,
        b"when: 2001-99-99\n",
        b"# " + b"x" * 300_000,
    ],
    ids=["empty", "words", "list", "unclosed", "bytes", "object", "references", "deep", "date", "large"],
)
def test_files_that_are_no_family(tmp_path, content):
    (tmp_path / "odd.yaml").write_bytes(content)
    with pytest.raises(StudyError, match=r"odd\.yaml"):
        load_family("odd", tmp_path)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Bb clarinet", "clarinet_b_flat"), ("B♭ Clarinet", "clarinet_b_flat"), ("b-flat clarinet", "clarinet_b_flat"),
        ("clarinet", "clarinet_b_flat"), ("clarinet in A", "clarinet_a"), ("Eb clarinet", "clarinet_e_flat"),
        ("clarinett_b_flat", "clarinet_b_flat"), ("bass clarinet", "clarinet_bass_low_e_flat"),
        ("alto sax", "saxophone_alto"), ("Tenor Saxophon", "saxophone_tenor"), ("bari sax", "saxophone_baritone_low_a"),
        ("English horn", "cor_anglais"), ("French horn", "horn_f"), ("trumpet", "trumpet_b_flat"),
        ("alto flute", "flute_alto"), ("flut", "flute"), ("", ""), ("♪♪", ""), ("xylophone of glass", ""),
    ],
)  # fmt: skip
def test_other_words_for_a_family(text, key):
    assert likely_family(text, family_keys()) == key


def test_every_family_is_found_by_its_name():
    keys = family_keys()
    found = {key: likely_family(load_family(key).name, keys) for key in keys}
    assert {key: other for key, other in found.items() if other != key} == {}
