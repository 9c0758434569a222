"""Each kind of contradiction is found where it is, and not where all agree."""

from collections import Counter

import pytest

from .outputs import Tuning
from .rules import contradictions
from .statements import Finding, Statement, exact, meet, printed, share, span

SHARP = Finding("intonation_outlier", exact(20.4), "cents", 20.0, 0.63)
PAGE, TABLE = "report.html, answer 1", "tables/ranking.tsv"


def say(subject, claim, instrument=None, state=None, key=None, source="report.html"):
    return Statement(source, subject, instrument, state, key, claim)


def kinds(*statements):
    known = [
        *(say("current", True, name, "after") for name in "ab"),
        *(say("tolerance", (20.0, 0.5), name) for name in "ab"),
        *(say("family", family, name) for name, family in (("a", "oboe"), ("b", "oboe"), ("z", "flute"))),
    ]
    return [one.kind for one in contradictions([*known, *statements])]


def listed(claim, key=0, state="after", source="tables/findings.tsv"):
    return say("findings", claim, "a", state, key, source)


def first(shares, key="soloist"):
    return [
        *(say("p_first", exact(value), name, "after", key, TABLE) for name, value in shares.items()),
        say("order", tuple(shares), key=key, source=TABLE),
    ]


E6 = {(88, 88): [SHARP]}
ADVICE = Tuning("Tune A4 true, and the rest sits in tune.", "A4", (-0.5, 0.5), (-0.5, 0.5))
LEFT = Tuning("Leave the barrel where it was: it is 4 cents sharp as a whole.", None, None, printed("4"))
EXCUSED = Tuning("Leave the barrel where it was: 4 cents sharp, within the 5 cents …", None, None, printed("4"))
PUSHED = Tuning("Push in at the barrel: it is 7 cents sharp as a whole.", None, None, printed("7"))


@pytest.mark.parametrize(
    ("kind", "statements", "agreeing"),
    [
        (
            "decision differs",
            [say("decision", "accept", "a"), say("decision", "bench", "a", "after")],
            [say("decision", "accept", "a"), say("decision", "bench", "a", "before")],
        ),
        (
            "accepted with a finding",
            [say("decision", "accept", "a"), listed(E6)],
            [say("decision", "accept", "a", "before"), listed(E6)],
        ),
        (
            "nothing found, and a finding",
            [say("nothing_found", "nothing found", "a"), listed(E6)],
            [say("nothing_found", "nothing found", "a"), listed({})],
        ),
        (
            "accepted with a failed must-pass",
            [say("decision", "accept", "a"), say("must_pass", "noise 3, above 2", "a")],
            [say("decision", "accept", "a"), say("must_pass", "noise not known", "a")],
        ),
        (
            "must-pass differs",
            [say("must_pass", "pass", "a"), say("must_pass", "noise 3, above 2", "a")],
            [say("must_pass", "noise 3, above 2", "a"), say("must_pass", "noise 3, above 2", "a")],
        ),
        (
            "finding missing from a list",
            [listed(E6), listed({}, source="tables/vetting.tsv")],
            [listed(E6), listed({}, key=1, source="publication/sheets/a.pdf")],
        ),
        (
            "mended, and told as current",
            [listed(E6, state="before"), listed({}), listed(E6, source="quotes", state=None)],
            [listed(E6, state="before"), listed({}), listed(E6, source="quotes", state="before")],
        ),
        (
            "finding that is not in the table",
            [listed({}), listed(E6, source="quotes")],
            [listed(E6), listed(E6, source="quotes")],
        ),
        (
            "size of a finding differs",
            [listed(E6), listed({(88, 88): [Finding(size=printed("22"), unit="cents")]}, source="q")],
            [listed(E6), listed({(88, 88): [Finding(size=printed("20"), unit="cents")]}, source="q")],
        ),
        (
            "mended, and told as current",
            [say("inspected", True, "a", "before", "pads"), say("seen", True, "a", None, "pads")],
            [say("inspected", True, "a", "before", "pads"), say("seen", True, "a", "before", "pads")],
        ),
        (
            "value differs",
            [
                say("value", (exact(4.26), None, None), "a", None, "noise"),
                say("value", (printed("4.2"), printed("3"), printed("5")), "a", None, "noise"),
            ],
            [
                say("value", (exact(4.26), None, None), "a", None, "noise"),
                say("value", (printed("4.3"), printed("3"), printed("5")), "a", None, "noise"),
            ],
        ),
        (
            "p_first differs",
            [say("p_first", exact(0.4435), "a", None, "soloist"), say("p_first", share("45 %"), "a", None, "soloist")],
            [
                say("p_first", exact(0.0035), "a", None, "soloist"),
                say("p_first", share("under 1 %"), "a", None, "soloist"),
            ],
        ),
        (
            "order differs",
            [*first({"a": 0.6, "b": 0.4}), say("order", ("b", "a"), key="soloist", source=PAGE)],
            [*first({"a": 0.6, "b": 0.4}), say("order", ("a", "b"), key="soloist", source=PAGE)],
        ),
        (
            "not the likeliest first",
            [*first({"a": 0.6, "b": 0.4}), say("first", True, "b", key="soloist")],
            [*first({"a": 0.6, "b": 0.4}), say("first", True, "a", key="soloist")],
        ),
        (
            "tied, and far apart",
            [*first({"a": 0.6, "b": 0.1}), say("tied", ("a", "b"), key="soloist")],
            [*first({"a": 0.45, "b": 0.4}), say("tied", ("a", "b"), key="soloist")],
        ),
        (
            "first of one",
            [*first({"a": 1.0}), say("p_first", share("100 %"), "a", None, "soloist")],
            [*first({"a": 1.0, "b": 0.0}), say("p_first", share("100 %"), "a", None, "soloist")],
        ),
        (
            "verdict differs",
            [say("verdict", "differs", key="a b"), say("verdict", "undecided", key="a b")],
            [say("verdict", "differs", key="a b"), say("verdict", "differs", key="a b")],
        ),
        (
            "verdicts differs",
            [say("verdicts", Counter(differs=2), key="noise"), say("verdicts", Counter(differs=1), key="noise")],
            [say("verdicts", Counter(differs=2), key="noise"), say("verdicts", Counter(differs=2), key="noise")],
        ),
        (
            "takes that would not decide",
            [say("takes_needed", (7, "more takes would not decide it"), key="a b")],
            [say("takes_needed", (None, "more takes would not decide it"), key="a b")],
        ),
        ("different kinds compared", [say("compared", ("a", "z"))], [say("compared", ("a", "b"))]),
        (
            "the rest in tune, and a finding",
            [say("tuning", ADVICE, "a", "after", "advice"), listed(E6)],
            [say("tuning", ADVICE, "a", "after", "advice"), listed({})],
        ),
        (
            "left although off",
            [say("tuning", LEFT, "a", "after", "advice")],
            [say("tuning", EXCUSED, "a", "after", "advice")],
        ),
        (
            "moved the wrong way",
            [say("tuning", PUSHED, "a", "after", "advice")],
            [say("tuning", EXCUSED, "a", "after", "advice")],
        ),
        (
            "tuning against its numbers",
            [
                say("tuning", LEFT, "a", "after", "advice"),
                say("tuning", Tuning("", None, None, exact(3.2)), "a", "after", "numbers"),
            ],
            [
                say("tuning", EXCUSED, "a", "after", "advice"),
                say("tuning", Tuning("", None, None, exact(4.3)), "a", "after", "numbers"),
            ],
        ),
        (
            "room blamed for a soft take",
            [say("quieter_room", "s", "a", "after", (1, "p")), say("quiet_enough", "s", "a", "after", (3, "mf"))],
            [say("quieter_room", "s", "a", "after", (3, "mf")), say("quiet_enough", "s", "a", "after", (1, "p"))],
        ),
        (
            "tone judged by clipped takes",
            [say("clipped", True, "a", "after"), say("nothing_found", "nothing", "a")],
            [say("clipped", True, "a", "before"), say("nothing_found", "nothing", "a")],
        ),
        ("current state differs", [say("current", True, "a", "before")], [say("current", True, "a", "after")]),
        (
            "count differs",
            [say("count", 3, key="recording"), say("count", 4, key="recording")],
            [say("count", 3, key="recording"), say("count", 3, key="recording")],
        ),
    ],
)
def test_a_contradiction_is_found_where_it_is(kind, statements, agreeing):
    assert kind in kinds(*statements)
    assert kinds(*agreeing) == []


def test_a_finding_of_the_design_rejects_no_unit():
    whole = {(88, 88): [Finding("intonation_outlier", exact(25.0), "cents", 20.0, 0.99, "design")]}
    assert kinds(say("decision", "accept", "a"), listed(whole)) == []


def test_printed_numbers_stand_for_all_that_are_printed_so():
    assert printed("−2.0") == pytest.approx((-2.05, -1.95))
    assert meet(printed("44"), exact(44.4)) and not meet(printed("44"), exact(44.6))
    assert share("over 99 %") == (0.99, 1.0)


def test_notes_are_read_with_either_sign():
    assert span("E♭4 is sharp") == span("D#4") == (63, 63)
    assert span("out of tune: Bb3 to C#5 (+28 cents)") == (58, 73)
    assert span("no notes but A4paper and 440 Hz") is None
