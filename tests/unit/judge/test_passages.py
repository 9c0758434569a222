"""What phrases tell, on notes whose values are worked out by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.facts.measures import MEASURES
from evenbore.judge.passages import NO_NAME, NO_SCALE, ONE_OF_PHRASE, TWO_DYNAMICS, passages_table

TUNE = ["C4", "D4", "E4", "F4", "G4", "E4", "C4"]
UNMEASURED = {measure.name: np.nan for measure in MEASURES}
NO_VALUES = pd.DataFrame(columns=["instrument", "state", "criterion", "value"])


def take(recording, cents, dynamic="mf", number=1, passage="song", level=-20.0, brightness=-6.0, instrument="a"):
    """Rows of a take whose written notes have these cents."""
    return [
        UNMEASURED
        | {"recording": recording, "instrument": instrument, "state": "as_found", "session": "s1", "take": number,
           "dynamic": dynamic, "passage": passage, "place": place, "written_note": note, "flags": "",
           "cents": cents[note], "level_dbfs": level, "brightness_db": brightness}
        for place, note in enumerate(TUNE)
    ]  # fmt: skip


def scale(cents, takes=2):
    return pd.DataFrame(
        [
            UNMEASURED
            | {"recording": f"scale{number}", "instrument": "a", "state": "as_found", "dynamic": "mf",
               "written_note": note, "cents": value, "flags": ""}
            for number in range(takes) for note, value in cents.items()
        ]
    )  # fmt: skip


def told(rows, notes, instruments=NO_VALUES):
    table = passages_table(pd.DataFrame(rows).astype({"place": "Int64"}), notes, instruments, "mf")
    return table.set_index(["passage", "criterion"]).sort_index()


LEVEL = {"C4": 0.0, "D4": 2.0, "E4": 18.0, "F4": -2.0, "G4": 0.0}
BENT = LEVEL | {"E4": 3.0}  # the player brings the sharp note down by 15 cents


def test_a_note_that_the_player_bends_down_is_named_with_an_interval_for_all_notes_at_once():
    moved = {note: value + 7 + (1 if note == "D4" else 0) for note, value in BENT.items()}
    table = told([*take("m1", BENT), *take("m2", moved, number=2)], scale(LEVEL))
    bend = table.loc[("song", "bend_in_music")]
    assert bend["reason"] == "note E4" and bend["value"] == pytest.approx(-15)
    assert bend["against_scale"] == pytest.approx(18) and bend["n_takes"] == 2
    # pooled: five notes, two takes each, one pair apart by 1: variance 0.5 over 5 degrees of freedom
    half = stats.t.ppf(1 - 0.05 / 5, 5) * np.sqrt(0.5 / 5) * np.sqrt(1 / 2 + 1 / 2)
    assert [bend["low"], bend["high"]] == pytest.approx([-15 - half, -15 + half])


def test_each_note_of_a_phrase_without_a_scale_is_told_with_its_interval():
    moved = LEVEL | {"G4": 3.0}
    rows = told([*take("m1", LEVEL), *take("m2", moved, number=2)], scale(LEVEL).iloc[:0]).loc[
        ("song", "pitch_in_music")
    ]
    assert rows["reason"].tolist() == [f"note {note}, {times} in a take" for note, times in
                                       (("C4", 2), ("D4", 1), ("E4", 2), ("F4", 1), ("G4", 1))]  # fmt: skip
    # medians of the two takes: 0 and 2, so that every note moves by -2 but G4, by 3 - 2
    assert rows["value"].tolist() == pytest.approx([-1, 1, 17, -3, 0.5])
    half = stats.t.ppf(0.95, 5) * np.sqrt((4 * 2 + 0.5) / 5) * np.sqrt(1 / 2)
    assert (rows["high"] - rows["value"]).tolist() == pytest.approx([half] * 5)


def test_spread_of_the_phrase_beside_that_of_the_same_notes_on_the_scale():
    row = told(take("m1", BENT), scale(LEVEL | {"B4": 40.0})).loc[("song", "spread_in_music")]
    assert row["value"] == pytest.approx(np.std([0, 2, 3, -2, 0], ddof=1))
    assert row["against_scale"] == pytest.approx(np.std([0, 2, 18, -2, 0], ddof=1))
    assert row["reason"] == ONE_OF_PHRASE and np.isnan(row["low"])


def test_a_loud_phrase_is_held_against_the_loud_scale_where_there_is_one():
    sharper_when_loud = LEVEL | {"E4": 3.0}
    loud = scale(sharper_when_loud).assign(dynamic="f")
    rows = [*take("m1", BENT, "f"), *take("m2", BENT, "f", number=2)]
    alone = told(rows, scale(LEVEL)).loc[("song", "bend_in_music")]
    like = told(rows, pd.concat([scale(LEVEL), loud])).loc[("song", "bend_in_music")]
    assert alone["value"] == pytest.approx(-15) and like["value"] == pytest.approx(0)


def test_core_of_the_tone_and_span_from_soft_and_loud_takes_place_by_place():
    rows = [
        *take("l1", LEVEL, "f", 1, level=-14, brightness=-3), *take("l2", LEVEL, "f", 2, level=-13, brightness=-3),
        *take("s1", LEVEL, "p", 1, level=-24, brightness=-8), *take("s2", LEVEL, "p", 2, level=-25, brightness=-9),
    ]  # fmt: skip
    values = pd.DataFrame([{"instrument": "a", "state": "as_found", "criterion": "tone_hold", "value": 4.5}])
    table = told(rows, scale(LEVEL), values)
    assert table.loc[("song", "dynamic_span"), "value"] == pytest.approx((10 + 12) / 2)
    core = table.loc[("song", "tone_core")]
    assert core["value"] == pytest.approx((10 * 5 / 10 + 10 * 6 / 12) / 2) and core["against_scale"] == 4.5


def test_what_cannot_be_told_is_empty_with_the_reason():
    table = told(take("m1", LEVEL), scale(LEVEL).iloc[:0])
    assert table.loc[("song", "bend_in_music"), "reason"] == NO_SCALE
    assert table.loc[("song", "tone_core"), "reason"] == TWO_DYNAMICS
    unnamed = told(take("m1", LEVEL, passage=""), scale(LEVEL))
    assert (unnamed["reason"] == NO_NAME).all() and unnamed["value"].isna().all()
