"""Every output of the sample study is read, and says what all the others say."""

import pytest

from .outputs import Reader
from .rules import contradictions
from .tree import parse

# What each output must have been heard to say: a reader that understands nothing finds no contradiction either.
SAID = {
    "tables/": "findings decision p_first rank must_pass order value verdict verdicts takes_needed tuning count",
    "report.html, answer": "first p_first rank order",
    "report.html, table": "value must_pass order",
    "report.html, section": "findings p_first rank tuning value",
    "report.html, vetting": "decision findings",
    "report.html, pairs": "verdict takes_needed",
    "comparison.xlsx": "value p_first rank must_pass order verdict takes_needed",
    "publication/quotes.txt": "findings p_first order value verdicts",
    "publication/sheets/": "findings p_first rank must_pass value tuning",
    "bench_tickets/e.html": "decision findings",
    "bench_tickets/e.pdf": "decision findings",
}


@pytest.mark.parametrize("output", SAID)
def test_every_output_is_understood(statements, output):
    heard = {one.subject for one in statements if one.source.startswith(output)}
    assert set(SAID[output].split()) <= heard


@pytest.mark.parametrize("source", ["report.html, table", "publication/sheets/", "comparison.xlsx, summary"])
def test_every_instrument_and_criterion_is_read(statements, source):
    told = {
        (one.instrument, one.key) for one in statements if one.subject == "value" and "instruments.tsv" in one.source
    }
    read = {(one.instrument, one.key) for one in statements if one.subject == "value" and one.source.startswith(source)}
    assert len(told) > 50 and read == told


def test_findings_are_read_with_their_notes_and_sizes(statements):
    lists = [one for one in statements if one.subject == "findings" and one.instrument == "e" and one.key in (0, None)]
    run, note = (58, 70), (63, 63)  # Bb3 to Bb4, Eb4
    (why,) = [one for one in lists if one.source == "report.html, vetting"]
    assert run in why.claim  # of what is sure; the note is not
    for source in ("tables/vetting.tsv", "report.html, section e", "bench_tickets/e.pdf"):
        (one,) = [one for one in lists if one.source == source]
        assert {run, note} <= set(one.claim)
        (told,) = one.claim[note]
        assert told.size[0] <= 20.8 <= told.size[1] and told.unit == "cents"


def test_no_two_outputs_contradict_each_other(found):
    assert [f"{one.kind}: {one.why} ({one.first.source} {one.first.instrument})" for one in found] == []


@pytest.mark.parametrize(
    ("told_of", "another", "kind"),
    [
        (": retake; out of tune: E6", ": accept; out of tune: E6", "decision differs"),
        ("out of tune: E6 (+20.4", "out of tune: E6 (+22.4", "size of a finding differs"),
        ("out of tune: E6 (+20.4", "out of tune: F6 (+20.4", "finding that is not in the table"),
        ("It costs 485 EUR", "It costs 486 EUR", "value differs"),
        ("probability of 44", "probability of 45", "p_first differs"),
        ("worst_note_cents 36.9 cents", "worst_note_cents 37.9 cents", "must-pass differs"),
        ("Of 21 pairs 2 differ", "Of 21 pairs 3 differ", "verdicts differs"),
    ],
)
def test_a_changed_sentence_is_noticed(told, statements, told_of, another, kind):
    text = (told / "results/publication/quotes.txt").read_text("utf-8")
    assert told_of in text
    changed = Reader(told, told / "results").quotes(text.replace(told_of, another))
    assert kind in {one.kind for one in contradictions([*statements, *changed])}


@pytest.mark.parametrize(
    ("told_of", "another", "kind"),
    [
        ("<strong>Bench</strong> (as found)", "<strong>Accept</strong> (as found)", "decision differs"),
        ("<strong>Out of tune</strong>, E6", "<strong>Out of tune</strong>, F6", "finding missing from a list"),
        ("No clear first. Likeliest is", "No clear first, all are tied:", "tied, and far apart"),
    ],
)
def test_a_changed_page_is_noticed(told, statements, told_of, another, kind):
    text = (told / "results/report.html").read_text("utf-8")
    assert told_of in text
    changed = Reader(told, told / "results").report(parse(text.replace(told_of, another)))
    assert kind in {one.kind for one in contradictions([*statements, *changed])}
