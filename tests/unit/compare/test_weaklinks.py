"""Which pairs rest on an instrument that is not the same from session to session, on layouts small enough to see it."""

import pandas as pd

from evenbore.compare.weaklinks import with_weak_links

SESSIONS = {"a": {"s1"}, "b": {"s2"}, "c": {"s3"}, "d": {"s3"}, "ref": {"s1", "s2", "s3"}}


def reasons(unlike, sessions=SESSIONS, criterion="noise", verdict="undecided"):
    """Reason by pair; `unlike`: (session, instrument) -> the sessions that it is unlike."""
    cells = [(session, name) for name, all_of in sessions.items() for session in sorted(all_of)]
    links = pd.DataFrame(cells, columns=["session", "instrument"])
    links["unlike"] = [unlike.get(cell) for cell in cells]
    names = sorted(sessions)
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    table = pd.DataFrame(pairs, columns=["instrument_a", "instrument_b"])
    table = table.assign(criterion=criterion, verdict=verdict, reason="few takes")
    (told,) = with_weak_links(iter([table]), links, sessions)
    return dict(zip(pairs, told["reason"], strict=True))


def remarked(told):
    return {pair for pair, why in told.items() if "does not repeat itself" in why}


SWAPPED = {("s1", "ref"): "s3", ("s2", "ref"): "s3", ("s3", "ref"): "s1 s2"}


def test_pairs_across_the_doubtful_link_and_those_of_the_instrument_itself():
    told = reasons(SWAPPED)
    assert remarked(told) == {
        ("a", "c"), ("a", "d"), ("b", "c"), ("b", "d"),
        ("a", "ref"), ("b", "ref"), ("c", "ref"), ("d", "ref"),
    }  # fmt: skip
    assert told["a", "c"].startswith("few takes; ref does not repeat itself")
    assert told["a", "b"] == told["c", "d"] == "few takes"


def test_sessions_beyond_the_doubtful_link_rest_on_it_too():
    # ref joins s1 and s2, other joins s2 and s3: a and c are joined through both
    chain = {"a": {"s1"}, "c": {"s3"}, "ref": {"s1", "s2"}, "other": {"s2", "s3"}}
    told = reasons({("s1", "ref"): "s2", ("s2", "ref"): "s1"}, chain)
    assert {("a", "c"), ("a", "other")} <= remarked(told)
    assert ("c", "other") not in remarked(told)


def test_costs_and_what_is_not_compared_rest_on_nothing():
    assert not remarked(reasons(SWAPPED, criterion="total_cost"))
    assert not remarked(reasons(SWAPPED, verdict="not_comparable"))


def test_where_all_repeat_themselves_nothing_is_added():
    assert set(reasons({}).values()) == {"few takes"}
