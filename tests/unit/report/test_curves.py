"""Curves over the notes: the band of the peers, and where what is drawn."""

import numpy as np
import pandas as pd
import pytest

from evenbore.report import curves


def test_peers_band_is_the_quantiles_of_the_others_of_the_group():
    # others at 1, 2, 3, 4, 5: linear interpolation gives 10 % = 1.4, 90 % = 4.6 (Hyndman & Fan 1996, type 7)
    values = {"own": 100.0, "a": 1.0, "b": 2.0, "c": 3.0, "d": 4.0, "e": 5.0, "elsewhere": 1000.0}
    rows = pd.DataFrame({"instrument": list(values), "value": list(values.values()), "written": 60})
    rows = rows.assign(low=rows["value"], high=rows["value"], group=[1] * 6 + [2])
    all_curves = curves.Curves("level_dbfs", rows)
    assert all_curves.peers_band("own").loc[60].to_list() == pytest.approx([1.4, 3.0, 4.6])
    assert all_curves.peers_band("elsewhere").empty


def test_peers_band_is_that_of_pandas_for_every_instrument():
    rng = np.random.default_rng(11)
    rows = pd.MultiIndex.from_product([range(12), range(60, 70)], names=["instrument", "written"]).to_frame(index=False)
    rows = rows.assign(value=rng.integers(0, 6, len(rows)) / 2.0, group=1 + (rows["instrument"] > 6))  # with equal ones
    rows.loc[rng.choice(len(rows), 30, replace=False), "value"] = np.nan
    rows = rows.drop(rng.choice(len(rows), 20, replace=False)).assign(low=np.nan, high=np.nan)
    all_curves = curves.Curves("level_dbfs", rows)
    for name, own in rows.groupby("instrument"):
        others = rows[(rows["instrument"] != name) & (rows["group"] == own["group"].iloc[0])]
        others = others.groupby("written")["value"]
        wanted = pd.DataFrame({"low": others.quantile(0.1), "middle": others.median(), "high": others.quantile(0.9)})
        band = all_curves.peers_band(name)
        pd.testing.assert_frame_equal(band, wanted[others.count() >= 3], check_dtype=False)


def profile_rows(values, written, register=""):
    """Rows of an instrument `own`, whiskers 1 to each side."""
    return pd.DataFrame({
        "instrument": "own", "group": 1, "written": written, "written_note": [f"note {n}" for n in written],
        "register": register, "value": values,
    }).assign(low=lambda rows: rows["value"] - 1, high=lambda rows: rows["value"] + 1)  # fmt: skip


def test_a_chart_against_a_tolerance():
    rows = profile_rows([-3.0, 8.0, -9.0], [60, 61, 64], ["low", "low", "high"])
    chart = curves.Curves("cents", rows, {"own": 8.5, "other": 20.0}).chart("own")
    assert chart.limits == pytest.approx((-21.6, 21.6))  # the widest tolerance and 4 % of 40 cents
    assert chart.ticks == {-20: "−20", -10: "−10", 0: "0", 10: "10", 20: "20"}
    assert chart.points["marked"].tolist() == [False, False, True]
    assert chart.band.loc[61].tolist() == [-8.5, 0.0, 8.5]
    assert (chart.notes, chart.borders) == ((60, 64), [63.5])


def test_limits_hold_intervals_too():
    low, high = curves.Curves("level_dbfs", profile_rows([0.0, 4.0], [60, 61])).limits
    assert (low, high) == pytest.approx((-1.24, 5.24))  # -1 to 5 and 4 % of 6


def test_a_single_note_and_no_note_have_axes():
    assert curves.Curves("level_dbfs", profile_rows([0.0], [60])).chart("own").notes == (60, 61)
    empty = curves.Curves("level_dbfs", profile_rows([0.0], [60]).iloc[:0])
    assert (empty.limits, empty.ticks[0]) == ((-1.0, 1.0), "0.0")


@pytest.mark.parametrize(("room", "named"), [(12, range(60, 72)), (11, (60, 65))])
def test_notes_are_named_all_or_every_c_and_f(room, named):
    rows = profile_rows([0.0] * 12, range(60, 72))
    assert curves.note_names(rows, room) == {note: f"note {note}" for note in named}


def test_a_scale_is_a_straight_line():
    across = curves.place_on(60, 64, 100, 20)
    assert [across(note) for note in (60, 61, 64)] == [100, 80, 20]
