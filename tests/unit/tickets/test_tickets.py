"""Bench tickets: one page each, whatever the sheets hold."""

from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pypdf
import pytest

from evenbore.facts.columns import names
from evenbore.findings.bynote import NotePattern
from evenbore.report.drawing import DRAWING_WIDTH_MM, Mark, height, strip, tube
from evenbore.tickets.page import write_html
from evenbore.tickets.pdf import write_pdf
from evenbore.tickets.ticket import tickets
from evenbore.trade.families import load_family

FAMILY = load_family("saxophone_alto")
NASTY = '<script>alert("x")</script> Ωмега 笛 ' + "long " * 200


def study(label="Elm"):
    sheet = {"label": label, "family": "saxophone_alto", "maker": label, "model": "", "serial": "7"}
    fault = {"instrument": "a", "state": "as_found", "item": "pads", "result": "fault", "severity": 2}
    word = {"instrument": "a", "where": "D4", "aspect": "resistance", "score": 2.5, "comment": f"{label} wants a push"}
    return SimpleNamespace(
        instruments={"a": sheet, "b": sheet},
        families={"saxophone_alto": FAMILY},
        inspection=[fault],
        impressions=[word],
    )


def tables(decision="bench", region="palm keys", n=1):
    finding = {
        "instrument": "a", "state": "as_found", "kind": "stuffy_run", "first_note": "Bb3", "last_note": "A4",
        "n_notes": 12, "size": -5.0, "unit": "dB", "confidence": 0.9, "region": region,
        "region_low_note": "A4" if region else None, "region_high_note": "C5" if region else None, "explanation": "",
        "scope": "unit", "by_note": "Bb3 -6.0 -5.0; A4 ? -2.5; F6 0.5 0.0", "if_tried": None,
    }  # fmt: skip
    status = {"instrument": "a", "state": "as_found", "current": "yes", "decision": decision}
    status |= {"against": "why", "open": ""}
    heard = {"instrument": "a", "state": "as_found", "n_takes": 2, "listen": "A4 in r"}
    return (
        pd.DataFrame([finding] * n),
        pd.DataFrame([status, status | {"instrument": "b", "decision": "accept"}]),
        pd.DataFrame([heard, heard | {"instrument": "b"}]),
        pd.DataFrame(columns=names("changes")),
    )


def test_only_instruments_for_the_bench_have_a_ticket():
    assert [ticket.file for ticket in tickets(study(), *tables())] == ["a"]
    assert tickets(study(), *tables("accept")) == []


def test_what_was_seen_at_inspection_is_on_the_ticket():
    (ticket,) = tickets(study(), *tables())
    assert ("", "seen at inspection: pads", "severity 2", "") in ticket.findings


def test_a_fault_mended_is_told_as_history():
    found, status, heard, changes = tables()
    after = {"state": "after_setup", "decision": "accept", "against": ""}
    status = pd.concat([status.head(1).assign(current="no"), status.head(1).assign(**after)])
    (ticket,) = tickets(study(), found, status, heard, changes)
    assert ticket.before_after == (
        "What was found as found is history. Now, after setup: accept; nothing past the tolerances was found."
    )
    # b was never sent
    assert "state: as found" in ticket.subtitle


def test_a_later_state_that_was_not_heard_says_so():
    found, status, heard, changes = tables()
    after = {"state": "after_setup", "decision": "retake", "against": pd.NA, "open": "no usable take"}
    status = pd.concat([status.head(1).assign(current="no"), status.head(1).assign(**after)])
    (ticket,) = tickets(study(), found, status, heard, changes)
    assert ticket.before_after == "What was found as found is history. Now, after setup: retake; no usable take."


def test_what_the_notes_of_a_pattern_gained_and_what_is_left(tmp_path):
    found, status, heard, changes = tables()
    after = {"state": "after_setup", "decision": "accept", "against": ""}
    status = pd.concat([status.head(1).assign(current="no"), status.head(1).assign(**after)])
    row = {"instrument": "a", "state_from": "as_found", "state_to": "after_setup", "criterion": "brightness_db"}
    gained = {"Bb3": (6.0, "differs"), "A4": (3.0, "undecided"), "Bb4": (50.0, "differs")}  # Bb4 is not of the run
    changes = pd.DataFrame(
        [row | {"note": note, "change": change, "verdict": verdict, "low": change - 1, "high": change + 1}
         for note, (change, verdict) in gained.items()], columns=names("changes"))  # fmt: skip
    told = "Bb3 to A4: +4.5 dB of treble from the instrument's own middle (mean of 2 notes, 1 of which differ), "
    for left, words in ((0, "nothing"), (1, "a run of stuffy notes: Bb3 to A4")):
        still = pd.concat([found, found.head(left).assign(state="after_setup")])
        (ticket,) = tickets(study(), still, status, heard, changes)
        assert ticket.before_after.endswith(f"{told}{words} left against the others.")
        write_html(ticket, tmp_path / "a.html")


def test_strip_and_tube_mark_what_was_found():
    # 32 notes from Bb3 to F6: A4 is the twelfth, so a run from Bb3 to A4 is 12 of them wide
    bar = strip(FAMILY, [Mark(58, 69, 1)])[-2]
    assert (bar.x, bar.w) == pytest.approx((0, 12 * DRAWING_WIDTH_MM / 32))
    # below two vents the holes of the alto: A4 to C5 are the seventh to tenth of twenty from the top
    region = next(shape for shape in tube(FAMILY, [Mark(69, 72, 1)], []) if shape.h == 9)
    step = (DRAWING_WIDTH_MM - 24) / 22
    assert (region.x, region.w) == pytest.approx((12 + 8 * step, 4 * step))
    assert tube(load_family("trumpet_b_flat"), [], []) == []


def test_vents_and_palm_keys_are_drawn_and_a_vent_at_fault_is_marked():
    # the neck's vent opens from A5 up and is nearest the player; the body's opens for D5 to Ab5
    shapes = tube(FAMILY, [], [Mark(81, 89, 2)])
    circles = [shape for shape in shapes if shape.kind == "circle"]
    step = (DRAWING_WIDTH_MM - 24) / 22
    neck, body = (next(c for c in circles if c.x == pytest.approx(12 + (n + 0.5) * step)) for n in (0, 1))
    assert neck.fill != body.fill == "#ffffff"
    assert any(shape.text == "2" and shape.x == neck.x for shape in shapes)
    # three palm keys, and the side keys of E and B flat
    assert sum(circle.y < neck.y for circle in circles) == 5


def test_the_players_words_are_on_the_ticket(tmp_path):
    (ticket,) = tickets(study(), *tables())
    assert ticket.words == ["D4, resistance: 2.5 of 5. Elm wants a push"]
    write_pdf(ticket, tmp_path / "a.pdf")
    assert "Elm wants a push" in pypdf.PdfReader(tmp_path / "a.pdf").pages[0].extract_text()


def test_what_was_found_of_a_pattern_stands_over_its_note_and_what_is_expected_beside_it():
    plain = strip(FAMILY, [])
    drawn = strip(FAMILY, [], [NotePattern(58, -6.0, -3.0), NotePattern(69, float("nan"), -1.0)])
    bar, line, unheard, nothing = drawn[1:5]
    step = DRAWING_WIDTH_MM / 32
    assert (bar.x + bar.w / 2, line.x, line.w) == pytest.approx((step / 2, 0, step))  # Bb3 is the first note
    # from 0 dB half of what was found is expected
    assert line.y + line.h / 2 - bar.y == pytest.approx(bar.h / 2)
    assert (unheard.text, unheard.x) == ("×", pytest.approx(11.5 * step)) and nothing.y < line.y
    moved = drawn[-len(plain) :]
    assert {round(b.y - a.y, 6) for a, b in zip(plain, moved, strict=True)} == {round(height(drawn[: -len(plain)]), 6)}


@pytest.mark.parametrize(("label", "n", "region"), [("Elm", 1, "palm keys"), (NASTY, 12, NASTY), ("Elm", 2, None)])
def test_one_page_of_pdf_and_safe_html(tmp_path, label, n, region):
    (ticket,) = tickets(study(label), *tables(n=n, region=region))
    write_pdf(ticket, tmp_path / "a.pdf")
    assert (tmp_path / "a.pdf").read_bytes().count(b"/Type /Page\n") == 1
    write_html(ticket, tmp_path / "a.html")
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "<script" not in text
    assert "never a diagnosis" in text
    assert ("http:" in text, "src=" in text) == (False, False)


@pytest.mark.parametrize("label", ["שלום", "ساكسفون"])
def test_right_to_left_labels_read_from_right_to_left(tmp_path, label):
    (ticket,) = tickets(study(label), *tables())
    write_pdf(ticket, tmp_path / "a.pdf")
    page = pypdf.PdfReader(tmp_path / "a.pdf").pages[0]
    assert page.extract_text().count(label) == 3  # the label, the maker, and in what the player wrote


def test_findings_of_one_region_share_its_name_and_others_have_a_line_each():
    texts = [s for s in tube(FAMILY, [Mark(69, 72, 1), Mark(69, 72, 2), Mark(60, 62, 3)], []) if "region" in s.text]
    assert [s.text for s in texts] == ["region of finding 1, 2", "region of finding 3"]
    assert texts[0].y - texts[1].y >= texts[0].size * 0.8 and all(s.y > 0 for s in texts)


def test_the_strip_names_its_ends_and_every_c_and_f():
    names = [shape.text for shape in strip(FAMILY, []) if shape.kind == "text"]
    assert names == ["Bb3", "C4", "F4", "C5", "F5", "C6", "F6"]


def test_the_same_ticket_gives_the_same_bytes(tmp_path):
    (ticket,) = tickets(study(), *tables())
    for name in ("1.pdf", "2.pdf"):
        write_pdf(replace(ticket), tmp_path / name)
    assert (tmp_path / "1.pdf").read_bytes() == (tmp_path / "2.pdf").read_bytes()
