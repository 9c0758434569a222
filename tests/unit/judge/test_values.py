"""Each criterion against a value worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest

from evenbore.facts.criteria import CRITERIA, MEASURED
from evenbore.files.tables import conform
from evenbore.judge.values import COLUMNS, DEVIATIONS, FUNCTIONS, TOGETHER, TakeNotes, criteria_table, unevenness


def take(cents, *, written=None, register=None, veiled=None, partner=None, nominal=1200.0, level=None, brightness=None,
         noise=None, attack=None, tilt=None, odd_even=None, fundamental=None):  # fmt: skip
    n = len(cents)
    blank = np.full(n, np.nan)

    def filled(values):
        return blank if values is None else np.asarray(values, float)

    return TakeNotes(
        written=np.arange(60, 60 + n) if written is None else np.asarray(written),
        register=np.zeros(n, int) if register is None else np.asarray(register),
        veiled=np.zeros(n, bool) if veiled is None else np.asarray(veiled),
        partner=np.full(n, -1) if partner is None else np.asarray(partner),
        nominal_cents=nominal,
        cents=np.asarray(cents, float),
        level=filled(level),
        brightness=filled(brightness),
        noise=filled(noise),
        attack=filled(attack),
        tilt=filled(tilt),
        odd_even=filled(odd_even),
        fundamental=filled(fundamental),
    )


def test_brightness_is_the_middle_notes_tilt():
    assert FUNCTIONS["brightness"](take(np.zeros(5), tilt=[0.5, -3.0, 0.75, 1.0, 9.0])) == 0.75
    assert np.isnan(FUNCTIONS["brightness"](take(np.zeros(5), tilt=[0.5, np.nan, 0.75, 1.0, 9.0])))


@pytest.mark.parametrize(
    ("criterion", "measure"), [("odd_even_ratio", "odd_even"), ("fundamental_strength", "fundamental")]
)
def test_other_colours_are_the_middle_notes(criterion, measure):
    assert FUNCTIONS[criterion](take(np.zeros(5), **{measure: [-2.0, 4.0, 0.5, 1.0, 9.0]})) == 1.0
    assert np.isnan(FUNCTIONS[criterion](take(np.zeros(5), **{measure: [-2.0, np.nan, 0.5, 1.0, 9.0]})))


def test_offset_spread_and_worst_note():
    notes = take([2.0, 4.0, 6.0, 8.0, 30.0])
    assert FUNCTIONS["tuning_offset"](notes) == 6.0
    # mean 10; squares 64 + 36 + 16 + 4 + 400 = 520; 520 / 4 = 130
    assert FUNCTIONS["intonation_spread"](notes) == pytest.approx(130**0.5)
    assert FUNCTIONS["worst_note_cents"](notes) == 24.0


def test_an_offset_moves_the_offset_only():
    cents = np.array([2.0, 4.0, 6.0, 8.0, 30.0])
    for name in ("intonation_spread", "worst_note_cents"):
        assert FUNCTIONS[name](take(cents + 17)) == pytest.approx(FUNCTIONS[name](take(cents)))
    assert FUNCTIONS["tuning_offset"](take(cents + 17)) == 23.0


def test_a_note_that_was_not_measured_is_left_out():
    assert FUNCTIONS["tuning_offset"](take([2.0, 4.0, 6.0, 8.0, 30.0, np.nan])) == 6.0


@pytest.mark.parametrize("criterion", [c for c in MEASURED if c.kind == "take"], ids=lambda c: c.name)
def test_too_few_notes_give_nothing(criterion):
    few = take([1.0, 2.0], level=[0, 0], brightness=[0, 0], noise=[-20, -20], attack=[30, 30])
    assert np.isnan(FUNCTIONS[criterion.name](few))


def test_register_width_of_octaves():
    # three octave pairs: 10 - 1, 14 - 2, 18 - 3 cents wide of 1200: mean 12
    notes = take(
        [1.0, 2.0, 3.0, 10.0, 14.0, 18.0], written=[60, 61, 62, 72, 73, 74], partner=[72, 73, 74, -1, -1, -1]
    )  # fmt: skip
    assert FUNCTIONS["register_width"](notes) == pytest.approx(12.0)


def test_register_width_of_twelfths_is_against_1900_cents():
    notes = take(
        [0.0, 0.0, 0.0, 5.0, 5.0, 5.0],
        written=[60, 61, 62, 79, 80, 81],
        partner=[79, 80, 81, -1, -1, -1],
        nominal=1900.0,
    )
    assert FUNCTIONS["register_width"](notes) == pytest.approx(5.0)


def test_a_straight_slope_is_perfectly_even():
    assert FUNCTIONS["level_evenness"](take(np.zeros(20), level=-20 + 0.7 * np.arange(20))) == pytest.approx(
        0, abs=1e-9
    )


def test_a_step_between_registers_is_not_uneven():
    level = np.r_[np.full(10, -20.0), np.full(10, -14.0)]
    register = np.r_[np.zeros(10, int), np.ones(10, int)]
    assert FUNCTIONS["level_evenness"](take(np.zeros(20), level=level, register=register)) == pytest.approx(0, abs=1e-9)


def test_one_note_that_sticks_out_by_hand():
    # In the middle of a flat stretch the local line is the weighted mean of 4 + 4 neighbours with tricube weights
    # w(d) = (1 - (d/5)³)³; a note 3 dB up is 3 / sqrt(1 + Σ p²) away, p = w / Σ w.
    level = np.zeros(19)
    level[9] = 3.0
    weight = (1 - (np.array([1, 2, 3, 4]) / 5) ** 3) ** 3
    share = np.r_[weight, weight] / (2 * weight.sum())
    away = unevenness(take(np.zeros(19)), level)
    assert away[9] == pytest.approx(3 / np.sqrt(1 + (share**2).sum()))
    # its neighbour one semitone up expects p(1) of it
    assert away[10] == pytest.approx(-3 * share[0] / np.sqrt(1 + (share**2).sum()))
    assert away[0] == pytest.approx(0)


def test_independent_unevenness_of_one_db_measures_one_db():
    rng = np.random.default_rng(7)
    squares = [unevenness(take(np.zeros(24)), rng.normal(0, 1, 24)) ** 2 for _ in range(2000)]
    by_note = np.mean(squares, axis=0)
    assert by_note == pytest.approx(np.ones(24), abs=0.15)  # ends as well as the middle


def test_veiled_notes_neither_count_nor_predict():
    level = np.zeros(19)
    level[9] = 9.0
    veiled = np.arange(19) == 9
    notes = take(np.zeros(19), level=level, veiled=veiled)
    assert np.isnan(unevenness(notes, level)[9])
    assert FUNCTIONS["level_evenness"](notes) == pytest.approx(0, abs=1e-9)


def test_noise_and_response_are_medians():
    notes = take(np.zeros(5), noise=[-20, -21, -22, -23, -60], attack=[30, 31, 35, 90, 200])
    assert FUNCTIONS["noise"](notes) == -22
    assert FUNCTIONS["response"](notes) == 35


def test_noise_that_the_room_hides_in_most_notes_is_not_told():
    told = [-20, -21, -22, -23, -60]
    assert FUNCTIONS["noise"](take(np.zeros(10), noise=[*told, *[np.nan] * 5])) == -22
    assert np.isnan(FUNCTIONS["noise"](take(np.zeros(11), noise=[*told, *[np.nan] * 6])))


def test_dynamics_by_hand():
    soft = take([0, 0, 0, 0, 0], level=[-30] * 5, brightness=[-25] * 5)
    loud = take([-6, -6, -6, -6, -6], level=[-15] * 5, brightness=[-19] * 5)
    assert FUNCTIONS["dynamic_range"](loud, soft) == 15
    assert FUNCTIONS["dynamic_drift"](loud, soft) == pytest.approx(-4.0)  # -6 cents over 15 dB
    assert FUNCTIONS["tone_hold"](loud, soft) == pytest.approx(4.0)  # 6 dB over 15 dB


def test_dynamics_too_close_say_nothing_about_drift():
    soft, loud = take(np.zeros(5), level=[-20] * 5), take(np.ones(5), level=[-18] * 5)
    assert FUNCTIONS["dynamic_range"](loud, soft) == 2
    assert np.isnan(FUNCTIONS["dynamic_drift"](loud, soft))


def test_every_measured_criterion_has_its_function_and_nothing_else_has():
    assert set(FUNCTIONS) == {criterion.name for criterion in MEASURED}
    assert {name: function.__name__ for name, function in FUNCTIONS.items()} == {name: name for name in FUNCTIONS}
    assert set(DEVIATIONS) | set(TOGETHER) <= {criterion.name for criterion in MEASURED if criterion.kind == "take"}
    assert {criterion.name for criterion in MEASURED if criterion.smoothed} <= set(DEVIATIONS)


def test_the_table_carries_the_configured_differences():
    table = conform(criteria_table({"level_evenness": 1, "noise": None}, "EUR"), "criteria").set_index("criterion")
    assert list(table.index) == list(CRITERIA)
    assert table.loc["level_evenness", "just_noticeable"] == 1
    assert np.isnan(table.loc["noise", "just_noticeable"])
    assert table.loc["total_cost", "unit"] == "EUR"
    assert table.loc["total_cost", "just_noticeable"] == 0
    assert table["better"].to_dict() == {name: criterion.better for name, criterion in CRITERIA.items()}


@pytest.mark.parametrize("name", [c.name for c in MEASURED if c.kind == "take" and c.name not in TOGETHER])
def test_notes_of_several_takes_tell_what_each_tells_alone(name):
    drawn = np.random.default_rng(5).normal(0, 5, (len(COLUMNS), 3, 14))
    drawn[..., 4] = np.nan
    same = take(np.zeros(14), partner=np.where(np.arange(14) < 7, np.arange(67, 81), -1), nominal=700.0)
    several = replace(same, **dict(zip(COLUMNS, drawn, strict=True)))
    each = [replace(same, **dict(zip(COLUMNS, of_take, strict=True))) for of_take in drawn.swapaxes(0, 1)]
    assert FUNCTIONS[name](several) == pytest.approx([FUNCTIONS[name](one) for one in each])
