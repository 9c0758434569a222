"""Factors: the instrument is the unit; what cannot be told apart is said, not guessed."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.linalg import null_space
from scipy.optimize import brute

from evenbore.compare.factors import Factor, factor_of, factors_table, is_balanced, models
from evenbore.compare.tangles import tangles, words
from evenbore.judge.values import criteria_table
from evenbore.statistics import mixed

JND = {"tuning_offset": 5.0}
CRITERIA = criteria_table(JND, "EUR").query("criterion in ['tuning_offset', 'noise', 'total_cost']")


def sheet_of(materials, **columns):
    """Instruments i0, i1 ... of these materials; further columns as lists."""
    return {
        f"i{k}": {"instrument": f"i{k}", "family": "flute", "body_material": material}
        | {name: values[k] for name, values in columns.items()}
        for k, material in enumerate(materials)
    }


def takes_of(values, sessions=("s1",), criterion="tuning_offset", repeats=2, player=None, rng=None):
    """Takes of instruments with these values in every session (or in those of a dict), scattering by 0.1."""
    rng = rng or np.random.default_rng(3)
    rows, recordings = [], {}
    for instrument, value in values.items():
        for session in sessions[instrument] if isinstance(sessions, dict) else sessions:
            for take in range(repeats):
                name = f"{criterion}_{instrument}_{session}_{take}"
                rows.append((instrument, "as_found", session, name, "up", "slurred", criterion,
                             value + rng.normal(0, 0.1), 0.0))  # fmt: skip
                recordings[name] = {"player": player and player[instrument]}
    columns = ["instrument", "state", "session", "recording", "direction", "articulation", "criterion", "value",
               "session_offset"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns), recordings


def table(takes, sheet, recordings, setting="auto"):
    return factors_table(takes, CRITERIA, sheet, recordings, dict.fromkeys(sheet, "as_found"), setting, 1)


def only(frame, criterion="tuning_offset"):
    rows = frame[frame["criterion"] == criterion]
    assert len(rows) == 1
    return rows.iloc[0]


VALUES = {"i0": 1.0, "i1": 2.0, "i2": 3.0, "i3": 5.0, "i4": 7.0, "i5": 9.0}


def test_balanced_is_the_t_test_of_the_instruments_means():
    # means 2 and 7, variances 1 and 4: se² = 2.5 (1/3 + 1/3); Student's t with 4 degrees of freedom
    values = {name: value for name, value in VALUES.items()}
    takes, recordings = takes_of(values, repeats=40)
    takes["value"] = takes.groupby("instrument")["value"].transform(lambda v: v - v.mean()) + takes["instrument"].map(
        values
    )
    row = only(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings))
    assert row["contrast"] == "plastic - wood"
    assert row["estimate"] == pytest.approx(5.0)
    assert row["se"] == pytest.approx(np.sqrt(2.5 * 2 / 3))
    assert (row["df"], row["n_instruments"], row["method"]) == (4, 6, "instrument means")
    assert row["low"] == pytest.approx(5.0 - 2.131847 * np.sqrt(5 / 3))  # t(0.95, 4), any table of t


def test_more_takes_do_not_make_more_instruments():
    sheet = sheet_of(["wood"] * 3 + ["plastic"] * 3)
    few, many = (
        only(table(*(takes_of(VALUES, repeats=n)[:1]), sheet, takes_of(VALUES, repeats=n)[1])) for n in (2, 60)
    )
    assert few["df"] == many["df"] == 4
    assert many["se"] == pytest.approx(few["se"], rel=0.1)


def test_one_instrument_of_each_is_refused():
    takes, recordings = takes_of({"i0": 0.0, "i1": 50.0}, repeats=9)
    row = only(table(takes, sheet_of(["wood", "plastic"]), recordings))
    assert row["verdict"] == "not_comparable"
    assert pd.isna(row["estimate"]) and pd.isna(row["p"])
    assert "single instrument proves nothing" in row["reason"]


def test_levels_do_not_differ_by_case_or_spaces():
    factor = factor_of(
        "body_material", sheet_of(["Wood", " wood", "WOOD ", "plastic", "", None]), [f"i{k}" for k in range(6)]
    )
    assert sorted(set(factor.levels.values())) == ["Wood", "plastic"]
    assert "i4" not in factor.levels and "i5" not in factor.levels


def test_a_number_is_taken_over_its_span():
    sheet = sheet_of([None] * 6, bore_mm=[14.0, 14.2, 14.4, 14.6, 14.8, 15.0])
    values = {f"i{k}": 10.0 * sheet[f"i{k}"]["bore_mm"] for k in range(6)}
    takes, recordings = takes_of(values)
    row = only(table(takes, sheet, recordings, ["bore_mm"]))
    assert row["contrast"] == "15 - 14"
    assert row["estimate"] == pytest.approx(10.0, abs=0.3)


def test_auto_takes_material_and_own_columns_that_differ():
    sheet = sheet_of(["wood", "plastic"], x_barrel=["a", "b"], x_shop=["same", "same"])
    assert models("auto", sheet) == [["body_material"], ["x_barrel"]]
    assert models([], sheet) == []
    assert models(["maker", "body_material"], sheet) == [["maker", "body_material"]]


def test_no_factor_gives_an_empty_table():
    takes, recordings = takes_of(VALUES)
    assert table(takes, sheet_of([None] * 6), recordings).empty
    assert table(takes, sheet_of(["wood"] * 6), recordings).empty


def test_a_listed_factor_without_levels_is_told():
    takes, recordings = takes_of(VALUES)
    row = only(table(takes, sheet_of([None] * 6), recordings, ["maker"]))
    assert row["verdict"] == "not_comparable" and row["reason"]


def test_factors_fitted_together_stand_each_beside_the_other():
    # 2 x 2, two instruments of each: material adds 4, bore adds 10 exactly
    sheet = sheet_of(["wood", "wood", "wood", "wood", *["plastic"] * 4], maker=list("ABABABAB"))
    values = {f"i{k}": 4.0 * (k < 4) + 10.0 * (k % 2) + 0.5 * (k // 2 % 2) for k in range(8)}
    takes, recordings = takes_of(values)
    both = table(takes, sheet, recordings, ["body_material", "maker"])
    alone = table(takes, sheet, recordings, ["body_material"])
    material = both[both["factor"] == "body_material"].pipe(only)
    assert material["estimate"] == pytest.approx(-4.0, abs=0.2)
    assert material["df"] == 5
    assert material["se"] < only(alone)["se"] / 3


def test_one_maker_for_each_material_is_told():
    takes, recordings = takes_of(VALUES)
    row = only(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3, maker=["A"] * 3 + ["B"] * 3), recordings))
    assert "body material cannot be told from maker" in row["reason"]
    assert row["p"] > 0  # the difference is told, and whose it may be


def test_one_player_for_each_material_is_refused():
    player = dict(zip(VALUES, ["p1"] * 3 + ["p2"] * 3, strict=True))
    takes, recordings = takes_of(VALUES, player=player)
    row = only(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings))
    assert row["verdict"] == "not_comparable" and pd.isna(row["p"])
    assert "player" in row["reason"]


def test_unlinked_sessions_are_never_compared():
    sessions = dict(zip(VALUES, [("s1",)] * 3 + [("s2",)] * 3, strict=True))
    takes, recordings = takes_of(VALUES, sessions)
    row = only(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings))
    assert row["verdict"] == "not_comparable"


def test_a_linked_session_drops_out():
    # what the session adds, 100, would swamp everything; the shared instrument shows it
    sessions = (
        {"i0": ("s1", "s2")} | {name: ("s1",) for name in ("i1", "i3", "i4")} | {name: ("s2",) for name in ("i2", "i5")}
    )
    takes, recordings = takes_of(VALUES, sessions)
    takes.loc[takes["session"] == "s2", "value"] += 100.0
    row = only(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings))
    assert row["method"] == "mixed model"
    assert row["estimate"] == pytest.approx(5.0, abs=0.5)
    assert row["df"] <= 4


def test_what_the_session_adds_is_put_back_before_the_model_takes_it_out():
    takes, recordings = takes_of(VALUES)
    sheet = sheet_of(["wood"] * 3 + ["plastic"] * 3)
    shifted = takes.assign(value=takes["value"] - 3.0, session_offset=3.0)
    pd.testing.assert_frame_equal(table(takes, sheet, recordings), table(shifted, sheet, recordings))


def test_equivalence_needs_a_just_noticeable_difference():
    values = dict.fromkeys(VALUES, 1.0)
    sheet = sheet_of(["wood"] * 3 + ["plastic"] * 3)
    frames = [takes_of(values, criterion=criterion) for criterion in ("tuning_offset", "noise")]
    takes, recordings = pd.concat([f for f, _ in frames]), frames[0][1] | frames[1][1]
    found = table(takes, sheet, recordings)
    assert only(found)["equivalent"] == "yes" and only(found)["verdict"] == "no_audible_difference"
    assert only(found, "noise")["equivalent"] == "" and only(found, "noise")["verdict"] != "no_audible_difference"


def test_cost_is_no_matter_of_material():
    takes, recordings = takes_of(VALUES)
    assert "total_cost" not in set(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings)["criterion"])


def test_permutation_p_of_complete_separation():
    # of the 20 ways to take 3 of 6, two are as extreme: 0.1
    takes, recordings = takes_of({"i0": 0.0, "i1": 0.1, "i2": 0.2, "i3": 9.0, "i4": 9.1, "i5": 9.2})
    row = only(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings))
    assert row["p_permutation"] == pytest.approx(0.1, abs=0.015)


def test_balance_means_the_same_takes_for_all():
    takes, _ = takes_of(VALUES)
    played = takes.assign(player="")
    assert is_balanced(played)
    assert not is_balanced(played.drop(index=0))


def test_tangles_count_who_helps_to_tell():
    levels = dict(zip("abcdef", ["silver"] * 3 + ["brass"] * 3, strict=True))
    groups = {
        "maker": [(name, "M" if level == "silver" else "N") for name, level in levels.items()],
        "shipment": list(zip("abcdef", "XXYYZZ", strict=True)),  # only Y holds both
        "serial": list(zip("abcdef", "123456", strict=True)),
        "room": [(name, "R") for name in levels],
    }
    assert tangles(levels, groups) == [("maker", 0.0), ("shipment", pytest.approx(1 / 3))]
    assert words("body_material", tangles(levels, groups)) == (
        "confounded: body material cannot be told from maker, which differs with it; "
        "partly confounded with shipment (33% of the instruments help to tell them apart)"
    )


def test_contrasts_need_two_instruments_of_each():
    factor = Factor("m", {"a": "x", "b": "x", "c": "y", "d": "y", "e": "z"}, {})
    assert [text for text, _, _ in factor.contrasts()] == ["x - y"]


def restricted_likelihood(y, design, groupings, ratios):
    """As in the textbooks, up to a constant, the residual's variance at its best for these ratios to it."""
    labels = [np.asarray(own)[:, None] == np.asarray(own)[None, :] for own in groupings.values()]
    covariance = np.eye(len(y)) + sum(ratio * same for ratio, same in zip(ratios, labels, strict=True))
    weighted = np.linalg.solve(covariance, design)
    inner = design.T @ weighted
    left = y - design @ np.linalg.solve(inner, weighted.T @ y)
    df = len(y) - design.shape[1]
    square = left @ np.linalg.solve(covariance, left)
    return -0.5 * (np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(inner)[1] + df * np.log(square))


@pytest.mark.parametrize("seed", range(15, 18))
@pytest.mark.parametrize(
    ("sd", "instruments", "sessions"),  # scatter of instrument, session, player and take; one take of each
    [
        ((1.0, 0.0, 1.0, 1.0), 9, 3),
        ((0.0, 0.0, 0.0, 1.0), 9, 3),  # nothing but takes
        ((0.1, 30.0, 0.0, 0.1), 9, 3),  # sessions swamp all else
        ((1.0, 1.0, 1.0, 1.0), 3, 2),  # so few that there can be two maxima
    ],
)
def test_no_variances_are_likelier(sd, instruments, sessions, seed):
    rng = np.random.default_rng(seed)
    instrument, session = np.divmod(np.arange(instruments * sessions), sessions)
    design = np.ones((len(session), 1))
    groupings = {"instrument": instrument, "session": session, "player": rng.permutation(len(session)) % 2}
    y = sum(s * rng.normal(size=instruments)[own] for s, own in zip(sd, groupings.values(), strict=False))
    y = y + sd[-1] * rng.normal(size=len(session))
    *variances, residual = mixed.fit(y, design, groupings).variances.values()

    def misfit(logs):
        return -restricted_likelihood(y, design, groupings, 10.0**logs)

    _, least, *_ = brute(misfit, [slice(-4, 6, 1)] * len(groupings), full_output=True)
    assert restricted_likelihood(y, design, groupings, np.array(variances) / residual) > -least - 1e-5


def test_the_maximum_is_found():
    # a variance of zero, where searches like to stop short; no point around may be better
    rng = np.random.default_rng(8)
    owner, session = np.repeat(np.arange(9), 3), np.tile(np.arange(3), 9)
    y = rng.normal(size=27) + rng.normal(size=9)[owner]
    y -= pd.Series(y).groupby(session).transform("mean").to_numpy()
    design = np.ones((27, 1))
    found = mixed.fit(y, design, {"instrument": owner, "session": session})
    assert found.variances["session"] == 0.0

    def likelihood(variances):
        parts = [z @ z.T for z in (mixed.indicators(owner), mixed.indicators(session))] + [np.eye(27)]
        free = null_space(design.T)  # the restricted likelihood is that of the contrasts without the mean
        covariance = free.T @ sum(v * part for v, part in zip(variances, parts, strict=True)) @ free
        return stats.multivariate_normal.logpdf(free.T @ y, cov=covariance)

    best = list(found.variances.values())
    for k in range(3):
        for change in (-1e-3, 1e-3):
            moved = [v + change * (i == k) for i, v in enumerate(best)]
            if min(moved) >= 0:
                assert likelihood(moved) < likelihood(best)


def test_sessions_that_swamp_all_else_keep_their_degrees_of_freedom():
    # three sessions tell their scatter on two degrees of freedom, however small the rest (rounding gave billions)
    rng = np.random.default_rng(8)
    instrument, session = np.repeat(np.arange(9), 6), np.tile(np.arange(3), 18)
    y = 1e3 * rng.normal(size=3)[session] + rng.normal(size=9)[instrument] + 0.05 * rng.normal(size=54)
    found = mixed.fit(y, np.ones((54, 1)), {"instrument": instrument, "session": session})
    df = 2 * np.array(list(found.variances.values())) ** 2 / np.diag(found.variance_errors)
    assert df == pytest.approx([8, 2, 43], rel=0.01)  # one less than there are instruments, sessions, and all the rest
    assert found.contrast(np.ones(1))[2] == pytest.approx(2, rel=0.01)


def test_one_recording_listed_twice_tells_no_error():
    sessions = {name: ("s1", "s2") if name == "i0" else ("s1",) for name in VALUES}
    takes, recordings = takes_of(VALUES, sessions)
    takes["value"] = takes.groupby(["instrument", "session"])["value"].transform("first")
    takes.loc[takes["session"] == "s2", "value"] = takes["value"].iloc[0] + 1.0
    row = only(table(takes, sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings))
    assert row["verdict"] == "not_comparable" and "listed twice" in row["reason"]


def test_equal_values_tell_nothing():
    takes, recordings = takes_of(VALUES)
    row = only(table(takes.assign(value=0.0), sheet_of(["wood"] * 3 + ["plastic"] * 3), recordings))
    assert row["verdict"] == "not_comparable" and "same value" in row["reason"]


def test_an_exact_design_has_no_variance_to_find():
    with pytest.raises(mixed.NoScatter, match="do not scatter at all"):
        mixed.fit(np.arange(6.0), np.column_stack([np.ones(6), np.arange(6.0)]), {"instrument": np.arange(6) // 2})


def test_as_many_manners_as_takes_leave_nothing_to_judge_by():
    for seed in range(10):  # by rounding, the error is nothing or next to nothing
        takes, recordings = takes_of(dict(list(VALUES.items())[:4]), repeats=1, rng=np.random.default_rng(seed))
        takes = takes.assign(direction=["up", "up", "down", "down"], articulation=["slurred", "tongued"] * 2)
        row = only(table(takes, sheet_of(["brass", "silver", "silver", "brass"]), recordings))
        assert np.isnan(row["p"]) and row["reason"]
