"""Every output of the sample study is read, and says what all the others say."""

import pytest

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
    lists = [one for one in statements if one.subject == "findings" and one.instrument == "e" and one.key == 0]
    run, note = (58, 70), (63, 63)  # Bb3 to Bb4, Eb4
    for source in ("tables/vetting.tsv", "report.html, section e", "report.html, vetting", "bench_tickets/e.pdf"):
        (one,) = [one for one in lists if one.source == source]
        assert {run, note} <= set(one.claim)
        (told,) = one.claim[note]
        assert told.size[0] <= 20.8 <= told.size[1] and told.unit == "cents"


def test_no_two_outputs_contradict_each_other(found):
    assert [f"{one.kind}: {one.why} ({one.first.source} {one.first.instrument})" for one in found] == []
