"""The model of errors, by hand and against plain formulas of the field."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.facts.criteria import CRITERIA
from evenbore.judge.repeatability import (
    PRIOR_DF,
    RATIOS,
    Days,
    assumed_days,
    block_offsets,
    cells_of,
    days_frame,
    days_of_frame,
    errors_of,
    own_days,
    planned_errors,
    played_alike,
    with_scatter_ratios,
    with_takes_beside,
)

NO_DAYS = Days(np.zeros(1), np.ones(1), 0.0)
PRIOR = {"whole": 0.3, "between_notes": 0.3}


def takes_of(cells, **columns):
    """Takes from (instrument, session) -> values."""
    rows = [(*key, value) for key, values in cells.items() for value in values]
    same = {"state": "x", "direction": "up"} | columns
    return pd.DataFrame(rows, columns=["instrument", "session", "value"]).assign(**same)


@pytest.mark.parametrize("louder", [0.0, 1e-5])
def test_copies_give_no_interval_of_width_zero(louder):
    """Takes alike to the last digit, or to the rounding of one that was made louder."""
    takes = takes_of({("a", "s"): [1.0, 1.0 + louder], ("b", "s"): [2.0, 2.0 - louder]})
    errors = errors_of(takes, True, NO_DAYS)
    assert (errors.df, np.isnan(errors.s_r)) == (0.0, True)
    assert np.isnan(errors.of_values()[0]).all()


def test_manner_effects_and_scatter_by_hand():
    takes = takes_of({("a", "s"): [1.0, 3.0, 11.0, 13.0], ("b", "s"): [20.0, 30.0]})
    takes["direction"] = ["up", "up", "down", "down", "up", "down"]
    # a: down - up = 10 with all four takes, b: 10
    _, alike, fitted = played_alike(takes)
    assert (takes["value"] - alike).tolist() == pytest.approx([-5, -5, 5, 5, -5, 5])
    assert fitted == 1
    # left: a ±1 (four times), b 0; 6 takes - 2 cells - 1 effect = 3
    found = errors_of(takes, True, NO_DAYS)
    assert found.df == 3
    assert found.s_r == pytest.approx((4 / 3) ** 0.5)


def test_articulation_is_one_more_manner():
    takes = takes_of({("a", "s"): [0.0, 4.0], ("b", "s"): [10.0, 16.0]})
    takes["articulation"] = ["slurred", "tongued"] * 2
    # tongued - slurred: 4 and 6, mean 5
    assert (takes["value"] - played_alike(takes)[1]).tolist() == pytest.approx([-2.5, 2.5, -2.5, 2.5])
    # left ±0.5 in all four; 4 takes - 2 cells - 1 effect = 1
    assert errors_of(takes, True, NO_DAYS).s_r == pytest.approx(1.0)


def test_variances_are_moderated_by_hand():
    # moderated variances (Smyth 2004): (d0 s0² + d s²) / (d0 + d) with d0 = 6. Squares of a: 1 + 1 on one
    # degree of freedom, of b: 9 + 1 + 4 on two, c: one take. So s0² = 16 / 3, and (32 + 2) / 7, (32 + 14) / 8, 32 / 6
    assert PRIOR_DF == 6
    found = errors_of(takes_of({("a", "s"): [0.0, 2.0], ("b", "s"): [-1.0, 3, 4], ("c", "s"): [9.0]}), True, NO_DAYS)
    assert found.s_r**2 == pytest.approx(16 / 3)
    assert np.diag(found.takes) == pytest.approx(np.array([34 / 7, 46 / 8, 16 / 3]) / [2, 3, 1])
    assert found.own.tolist() == pytest.approx(np.diag(found.takes).tolist())
    # never surer than the pool, whose three degrees of freedom are all that is known of the six
    assert found.own_df.tolist() == [3, 3, 3]


def test_who_scatters_more_in_all_criteria_is_trusted_less_in_each():
    # three instruments of two takes; c's lie 4 apart and the others' 2, in two criteria of different measures. Usual:
    # (2 + 2 + 8) / 3 = 4. Of c 2 + 2 of two degrees of freedom, with six that scatter as usual (4 + 6) / (2 + 6)
    one = takes_of({("a", "s"): [0.0, 2.0], ("b", "s"): [1.0, 3.0], ("c", "s"): [0.0, 4.0]})
    both = pd.concat([one.assign(criterion=name) for name in ("tuning_offset", "response")], ignore_index=True)
    ratios = with_scatter_ratios(both).groupby("instrument")["scatter_ratio"].first()
    assert ratios.to_dict() == pytest.approx({"a": 1.0, "b": 1.0, "c": 10 / 8})
    # moderated as by hand above: (d0 ratio s0² + d s²) / (d0 + d)
    found = errors_of(one.assign(scatter_ratio=[1.0, 1, 1, 1, 1.25, 1.25]), True, NO_DAYS)
    assert (2 * found.own).tolist() == pytest.approx([26 / 7, 26 / 7, (6 * 1.25 * 4 + 8) / 7])
    # two that read the same measure have one vote together
    alike = pd.concat([one.assign(criterion=name) for name in ("intonation_spread", "worst_note_cents")])
    shared = with_scatter_ratios(alike).query("instrument == 'c'")["scatter_ratio"].iloc[0]
    assert 1 < shared < 10 / 8


def test_takes_at_other_dynamics_tell_of_the_scatter_by_hand():
    # two instruments of two takes: squares 2 and 8 on one degree of freedom each; once more softly 8 and 18. Together
    # 36 / 4, of a 2 + 8 on two degrees of freedom: (6 · 9 + 10) / 8
    base = takes_of({("a", "s"): [0.0, 2.0], ("b", "s"): [0.0, 4.0]}).assign(criterion="tuning_offset")
    soft = takes_of({("a", "s"): [9.0, 13.0], ("b", "s"): [9.0, 15.0]}).assign(criterion="tuning_offset")
    found = errors_of(with_takes_beside(base, [soft]), True, NO_DAYS)
    assert found.s_r == pytest.approx(3.0) and found.df == 4
    assert found.own[0] == pytest.approx((6 * 9 + 10) / 8 / 2)
    # the values of other criteria, and of takes without repeats there, stand on their own
    other = with_takes_beside(base, [soft.assign(criterion="noise"), soft.drop_duplicates("instrument")])
    assert errors_of(other, True, NO_DAYS).s_r == pytest.approx(5**0.5)


@pytest.mark.parametrize(("variance", "df"), [(3.70, 20), (3.74, 10)])
def test_takes_that_scatter_otherwise_at_other_dynamics_do_not_count(variance, df):
    # F tables: 3.72 is exceeded by a ratio of variances on 10 and 10 degrees of freedom in 2.5 %
    base = takes_of({(f"i{n}", "s"): [0.0, 1.0] for n in range(10)}).assign(criterion="tuning_offset")
    loud = base.assign(value=base["value"] * variance**0.5)
    assert errors_of(with_takes_beside(base, [loud]), True, NO_DAYS).df == df


def test_degrees_of_freedom_of_a_difference_are_welchs(monkeypatch):
    # without the pool's part each variance is the instrument's own: Welch's test, as scipy does it. The pool has the
    # degrees of freedom of all instruments, so that a third one keeps it from limiting those of the two.
    monkeypatch.setattr("evenbore.judge.repeatability.PRIOR_DF", 0)
    rng = np.random.default_rng(3)
    a, b, c = rng.normal(0, 1, 5), rng.normal(1, 4, 8), rng.normal(0, 1, 9)
    found = errors_of(takes_of({("a", "s"): a, ("b", "s"): b, ("c", "s"): c}), True, NO_DAYS)
    scale, df = found.of_differences(np.array([0]), np.array([1]))
    welch = stats.ttest_ind(a, b, equal_var=False)
    assert df[0] == pytest.approx(welch.df)
    assert 2 * stats.t.sf(abs(a.mean() - b.mean()) / scale[0, 0], df[0]) == pytest.approx(welch.pvalue)


def test_degrees_of_freedom_after_satterthwaite_by_hand():
    # two takes each of a and b on two days of both; a day's variance is 4 times a take's. s_r² = 1, planned: own parts
    # 1 / 4 on min(2 + 6, 4) = 4 degrees of freedom each, the days' 2 (2 · 4 / 4) = 4 on the pool's four
    takes = takes_of({(i, s): [0.0, 0.0] for i in "ab" for s in ("s1", "s2")})
    found = planned_errors(takes, 1.0, True, Days(np.array([2.0]), np.ones(1), 0.0))
    scale, df = found.of_differences(np.array([0]), np.array([1]))
    assert scale**2 == pytest.approx(1 / 2 + 4)
    assert df[0] == pytest.approx(min((1 / 2 + 4) ** 2 / (2 * (1 / 4) ** 2 / 4 + 4**2 / 4), 4))


def test_what_sessions_add_and_its_errors_by_hand():
    # ref: 10 in s1, 16 in s2, two takes each: offsets -3 and +3; s3 stands alone
    takes = takes_of({("ref", "s1"): [10.0, 10], ("ref", "s2"): [16.0, 16], ("a", "s1"): [2.0], ("b", "s3"): [50.0]})
    assert block_offsets(takes).tolist() == pytest.approx([-3, -3, 3, 3, -3, 0])
    found = planned_errors(takes, 1.0, True, NO_DAYS)
    assert [name for name, _ in found.owners] == ["a", "b", "ref"]
    assert found.group[0] == found.group[2] != found.group[1]
    # a - offset of s1: one take, and half the difference of two means of two takes; the offsets leave ref's mean alone
    assert np.diag(found.takes) == pytest.approx([1 + (1 / 2 + 1 / 2) / 4, 1, 1 / 4])
    # its own day and half the difference of two days of ref; b's session leads nowhere, its day is not told apart
    assert np.diag(found.days) == pytest.approx([1 + 2 / 4, 0, 1 / 2])
    # a less ref of the same day, as if nothing had been recorded on the other one: a - ref(s1)
    for part, difference in ((found.takes, 1 + 1 / 2), (found.days, 1 + 1)):
        assert part[0, 0] + part[2, 2] - 2 * part[0, 2] == pytest.approx(difference)


def test_two_states_of_one_session_are_of_one_day():
    takes = takes_of({("a", "s1"): [0.0, 0, 0, 0], ("ref", "s1"): [0.0], ("ref", "s2"): [0.0]})
    takes["state"] = ["x", "x", "y", "y", "x", "x"]
    found = planned_errors(takes, 1.0, False, NO_DAYS)
    states = [found.owners.index(("a", state)) for state in "xy"]
    assert found.days[np.ix_(states, states)] == pytest.approx(np.ones((2, 2)))


def test_players_of_one_session_are_blocks_of_their_own():
    # a by p and q, b by q: q plays 7 higher
    takes = takes_of({("a", "s"): [0.0, 7.0], ("b", "s"): [12.0]}).assign(player=["p", "q", "q"])
    assert cells_of(takes).block.tolist() == [0, 1, 1]
    assert np.diff(block_offsets(takes)[:2]) == pytest.approx(7)
    assert cells_of(takes.drop(columns="player")).block.tolist() == [0, 0]


def drawn(rng, instruments, sessions, repeats, ratio, criterion="tuning_offset"):
    """Takes that scatter by 2 of instruments played in the same sessions, their own days by `ratio` times that."""
    rows = [
        (f"i{i}", f"s{s}", 2 * (day + take))
        for i in range(instruments)
        for s in range(sessions)
        for day in [3.0 * i - 5.0 * s + rng.normal(0, ratio)]
        for take in rng.normal(0, 1, repeats)
    ]
    takes = pd.DataFrame(rows, columns=["instrument", "session", "value"])
    return takes.assign(state="x", direction="up", criterion=criterion)


def median(days):
    return np.interp(0.5, days.shares.cumsum() - days.shares / 2, days.ratios)


@pytest.mark.parametrize("ratio", [0.25, 0.5, 1.0])
def test_many_shared_instruments_tell_how_days_scatter(ratio):
    rng = np.random.default_rng(6)
    found = [own_days(drawn(rng, 30, 4, 4, ratio), [], PRIOR)["whole"] for _ in range(8)]
    assert {days.witnesses for days in found} == {29 * 3}
    # a standard deviation on 87 degrees of freedom, of means with a quarter of a take's variance besides: it errs by
    # (ratio² + 1/4) / ratio / sqrt(2 · 87), and the mean of eight by a third of that
    error = (ratio**2 + 1 / 4) / ratio / np.sqrt(2 * 87) / np.sqrt(8)
    step = np.diff(RATIOS)[np.searchsorted(RATIOS, ratio) - 1]  # the grid is no finer
    assert np.mean([median(days) for days in found]) == pytest.approx(ratio, abs=3 * error + step / 2)
    truth = [np.interp(ratio, days.ratios, days.shares.cumsum()) for days in found]
    assert all(0.005 < share < 0.995 for share in truth)


def test_what_nothing_tells_is_what_was_assumed():
    alone = drawn(np.random.default_rng(7), 4, 1, 3, 1.0)
    one = drawn(np.random.default_rng(7), 1, 2, 3, 1.0)  # what the sessions add takes all that one instrument tells
    for takes in (alone, one):
        for kind, days in own_days(takes, [], PRIOR).items():
            assert days.witnesses == 0
            assert days.shares == pytest.approx(assumed_days(PRIOR)[kind].shares)


def test_assumed_days_are_half_a_student_t():
    # median and quartile of |t| on 4 degrees of freedom, to the grid's fineness
    for scale in (0.3, 1.0):
        days = assumed_days({"whole": scale, "between_notes": 0.3})["whole"]
        for share in (0.5, 0.75):
            expected = scale * stats.t.ppf((1 + share) / 2, 4)
            found = np.interp(share, days.shares.cumsum() - days.shares / 2, days.ratios)
            assert found == pytest.approx(expected, rel=0.05)


def test_notes_are_witnesses_of_what_lies_between_notes():
    # two instruments in two sessions, two takes each: 12 notes, whose days scatter as much as takes
    rng = np.random.default_rng(8)
    takes = drawn(rng, 2, 2, 2, 1.0, "intonation_spread")
    day = rng.normal(0, 1, (4, 60)).repeat(2, axis=0)
    notes = day + rng.normal(0, 1, (8, 60))
    without = own_days(takes, [], PRIOR)["between_notes"]
    found = own_days(takes, [(takes, notes)], PRIOR)
    # one degree of freedom for each note, three of them told as one
    assert found["between_notes"].witnesses - without.witnesses == pytest.approx(60 / 3)
    assert 0.6 < median(found["between_notes"]) < 1.5
    assert median(found["between_notes"]) > median(without)
    assert found["whole"].witnesses == 0


def test_criteria_of_one_measure_share_one_vote():
    takes = drawn(np.random.default_rng(9), 5, 3, 3, 1.0, "intonation_spread")
    names = [c.name for c in CRITERIA.values() if (c.reads, c.day_kind) == (("cents",), "between_notes")]
    assert len(names) == 3
    three = pd.concat([takes.assign(criterion=name) for name in names], ignore_index=True)
    found = own_days(three, [], PRIOR)["between_notes"]
    assert found.witnesses == pytest.approx(4 * 2)
    # the same once more in a criterion that is the only one of its measure and kind, sessions taken out as well
    alone = own_days(takes.assign(criterion="tuning_offset"), [], PRIOR)["whole"]
    assert found.shares == pytest.approx(alone.shares)


def test_days_come_back_from_their_table():
    days = own_days(drawn(np.random.default_rng(10), 3, 2, 2, 0.5), [], PRIOR)
    back = days_of_frame(days_frame(days))
    assert back.keys() == days.keys()
    for kind, own in days.items():
        assert back[kind].witnesses == own.witnesses
        assert back[kind].shares.tolist() == own.shares.tolist()


def test_days_are_left_out_where_nothing_leads_to_another_session():
    takes = drawn(np.random.default_rng(11), 3, 1, 3, 0.0)
    found = errors_of(takes, True, assumed_days(PRIOR)["whole"])
    assert (found.ratios.tolist(), found.shares.tolist()) == ([0], [1])


def test_errors_of_some_instruments_in_another_order():
    takes = takes_of({("a", "s"): [0.0, 2.0], ("b", "s"): [1.0, 5.0, 6.0]})
    whole = errors_of(takes, True, NO_DAYS)
    picked = whole.of([("b", "x"), ("c", "x"), ("a", "x")])
    assert picked.n.tolist()[::2] == [3, 2]
    assert picked.takes[0, 0] == whole.takes[1, 1]
    assert np.isnan(picked.takes[1]).all()
    assert np.isnan(picked.own[1])


def test_errors_of_nobody_are_empty():
    whole = errors_of(takes_of({("a", "s"): [0.0, 2.0]}), True, NO_DAYS)
    assert (whole.of([]).n.size, whole.of([]).takes.shape) == (0, (0, 0))
