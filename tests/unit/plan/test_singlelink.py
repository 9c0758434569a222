import re
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from evenbore.facts.criteria import CRITERIA, MEASURED
from evenbore.facts.days import DAY_KINDS
from evenbore.plan import singlelink

TAKE_SD = CRITERIA["tuning_offset"].planning_sd[2]


def study_of(visits, takes=2):
    rows = [
        {"session": session, "instrument": name, "state": "as_found", "dynamic": dynamic}
        for session, names in visits.items()
        for name in names
        for dynamic in ["mf"] * takes + ["f"]
    ]
    instruments = {row["instrument"]: {"label": row["instrument"].upper()} for row in rows}
    config = {"base_dynamic": "mf", "own_days": DAY_KINDS}
    return SimpleNamespace(recordings=rows, instruments=instruments, config=config)


@pytest.mark.parametrize(
    ("visits", "alone"),
    [
        ({"s1": "ra", "s2": "rb", "s3": "rc"}, ["R alone links the sessions s1, s2 and s3."]),
        ({"s1": "rqa", "s2": "rqb"}, []),
        ({"s1": "ra", "s2": "bc"}, []),
        ({"s1": "ra", "s2": "rq", "s3": "qb"}, ["Q alone links the sessions s2 and s3.",
                                               "R alone links the sessions s1 and s2."]),
        # a ring holds without any one of them
        ({"s1": "pq", "s2": "qr", "s3": "rp"}, []),
        ({"s1": "abc"}, []),
    ],
)  # fmt: skip
def test_an_instrument_without_which_sessions_fall_apart_is_named(visits, alone):
    told = singlelink.single_links(study_of(visits))
    assert [line.split(".")[0] + "." for line in told] == alone


def test_what_one_and_what_two_links_let_tell(monkeypatch):
    # without days: the difference of two instruments of two sessions errs by 4 means of 3 takes with one link; with two
    # links, the session's difference is the mean of two: 2 + 2 / 2
    nothing = singlelink.assumed_days(DAY_KINDS)["whole"]._replace(ratios=np.zeros(1), shares=np.ones(1))
    monkeypatch.setattr(singlelink, "assumed_days", lambda _: {"whole": nothing})
    (line,) = singlelink.single_links(study_of({"s1": "rab", "s2": "rcd"}, takes=3))
    found = [float(number) for number in re.findall(r"\d+\.\d", line)]
    families = sum(criterion.planning_sd is not None for criterion in MEASURED)
    threshold = 0.05 / families * 2 / 10  # one of five instruments differs: half of its four of ten pairs
    for links, told, df in ((4.0, found[0], 12), (3.0, found[1], 14)):
        smallest = stats.t.isf(threshold / 2, df) + stats.t.ppf(0.8, df)
        assert told == pytest.approx(smallest * TAKE_SD * np.sqrt(links / 3), rel=0.03)
    assert found[0] > found[1]


def test_sessions_of_the_link_alone_are_given_no_numbers():
    (line,) = singlelink.single_links(study_of({"s1": "ra", "s2": "r"}))
    assert line == "R alone links the sessions s1 and s2. Let two or three instruments do so."


def test_players_of_a_session_whom_no_instrument_links_are_named():
    def played(*rows):
        recordings = [
            {"session": session, "instrument": name, "state": "as_found", "dynamic": "mf", "player": player}
            for session, player, names in rows
            for name in names
        ]
        sessions = dict.fromkeys(row["session"] for row in recordings)
        return SimpleNamespace(recordings=recordings, sessions=sessions, config={"base_dynamic": "mf"})

    apart = singlelink.players_apart(played(("s1", "Ada", "abc"), ("s1", "Ben", "def"), ("s2", "Ada", "xy")))
    assert len(apart) == 1
    assert apart[0].startswith("In session s1 play Ada and Ben, and no instrument was played by all of them")
    assert singlelink.players_apart(played(("s1", "Ada", "abc"), ("s1", "Ben", "cdef"))) == []
    # linked by what both played on another day
    both = played(("s1", "Ada", "abc"), ("s1", "Ben", "def"), ("s2", "Ada", "a"), ("s2", "Ben", "ad"))
    assert singlelink.players_apart(both) == []
    (told,) = singlelink.players_apart(played(("s1", None, "ab"), ("s1", "Ben", "cd")))
    assert "whoever plays where the sheet names nobody" in told
