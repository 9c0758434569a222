import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.facts.criteria import CRITERIA
from evenbore.facts.days import DAY_KINDS
from evenbore.files.tables import conform
from evenbore.judge.assess import (
    NO_REPEATS,
    NO_SESSIONS,
    NOT_ABOVE,
    NOT_AT_BASE,
    NOT_SURELY_ABOVE,
    ONE_TAKE,
    PASSAGES,
    ROOM_IN_IT,
    assess,
)
from evenbore.judge.evenness import roots
from evenbore.judge.takes import _fill
from evenbore.judge.values import FUNCTIONS, TakeNotes
from evenbore.setups.normalise import normalise
from evenbore.trade.families import load_family
from simulate import study_tables

FAMILIES = {"saxophone_alto": load_family("saxophone_alto")}
CONFIG = {"base_dynamic": "mf", "currency": "EUR", "states": ["as_found", "after_setup"], "own_days": DAY_KINDS}


def run(tables, inspection=()):
    normalised = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])
    instruments = {row["instrument"]: row for row in tables["instruments"].to_dict("records")}
    found = assess(normalised.notes, normalised.errors, tables["recordings"], instruments, inspection, FAMILIES, CONFIG)
    conform(found.instruments, "instruments")
    return found


def value(found, instrument, criterion):
    table = found.instruments
    return table[(table["instrument"] == instrument) & (table["criterion"] == criterion)].iloc[0]


@pytest.fixture(scope="module")
def apart():
    """Two sessions that nothing links."""
    return run(study_tables({"s1": ["a", "b"], "s2": ["c"]}))


@pytest.fixture(scope="module")
def linked():
    """Two sessions that an instrument links."""
    return run(study_tables({"s1": ["ref", "a"], "s2": ["ref", "b"]}, seed=2))


def test_every_instrument_has_every_criterion_or_a_reason(apart):
    table = apart.instruments
    assert len(table) == 3 * len(CRITERIA)
    assert (table.loc[table["value"].isna(), "reason"] != "").all()
    assert table["group"].tolist() == [1, 1, 2] * len(CRITERIA)


def test_value_and_interval_by_hand():
    tables = study_tables({"s1": ["a", "b"]}, takes=3, seed=5)
    found = run(tables)
    row = value(found, "a", "tuning_offset")
    ratio = found.takes.query("instrument == 'a'")["scatter_ratio"].iloc[0]
    medians = tables["notes"].groupby(["instrument", "recording"])["cents"].median()
    own = medians.groupby("instrument").var()
    # two degrees of freedom of its own and six of the pool, which with equal numbers of takes is the mean variance,
    # times how much more a's takes scatter in all criteria
    variance = (2 * own["a"] + 6 * ratio * own.mean()) / 8
    assert row["value"] == pytest.approx(medians["a"].mean())
    # no surer than the pool, 2 (3 - 1)
    half = stats.t.ppf(0.95, 4) * np.sqrt(variance / 3)
    assert (row["low"], row["high"]) == pytest.approx((row["value"] - half, row["value"] + half))
    assert (row["n_takes"], row["reason"]) == (3, "")


def test_one_take_borrows_the_studys_repeatability_and_says_so():
    row = value(run(study_tables({"s1": ["a", "b"]}, takes={"a": 1, "b": 4})), "a", "intonation_spread")
    assert row["reason"] == ONE_TAKE
    assert row["low"] < row["value"] < row["high"]


def test_no_repeats_anywhere_gives_no_interval():
    row = value(run(study_tables({"s1": ["a", "b"]}, takes=1)), "a", "intonation_spread")
    assert row["reason"] == NO_REPEATS
    assert np.isfinite(row["value"])
    assert np.isnan(row["low"])
    assert np.isnan(row["high"])


def test_days_and_rooms_that_nothing_links_are_said_to_be_in_no_interval_and_in_evenness(apart, linked):
    assert value(apart, "a", "tuning_offset")["reason"] == NO_SESSIONS
    assert value(linked, "a", "tuning_offset")["reason"] == ""
    for criterion in ("timbre_evenness", "level_evenness"):
        assert ROOM_IN_IT in value(apart, "a", criterion)["reason"]
        assert ROOM_IN_IT not in value(linked, "a", criterion)["reason"]
    assert ROOM_IN_IT not in value(apart, "a", "noise")["reason"]


def test_rooms_do_not_make_instruments_uneven():
    # the same instruments, with and without rooms that add 1.5 dB to every harmonic of every note
    layout = {"s1": ["ref", *"abcdefghij"], "s2": ["ref", *"klmnopqrst"]}
    studies = [run(study_tables(layout, room_db=room_db, seed=1)).instruments for room_db in (0.0, 1.5)]
    for criterion in ("timbre_evenness", "level_evenness"):
        dry, live = (found[found["criterion"] == criterion] for found in studies)
        assert live["value"].mean() == pytest.approx(dry["value"].mean(), abs=0.15)
        assert (live["high"] - live["low"]).mean() > (dry["high"] - dry["low"]).mean()


def test_what_was_not_played_is_the_reason():
    tables = study_tables({"s1": ["a", "b", "c"]}, takes=2)
    recordings, notes = tables["recordings"], tables["notes"]
    recordings.loc[recordings["instrument"] == "b", "notes_expected"] = 0  # as of a passage of music
    for frame in (recordings, notes):
        frame.loc[frame["instrument"] == "c", "dynamic"] = "f"
    tables["notes"] = notes[notes["instrument"] != "b"]
    found = run(tables)
    assert value(found, "a", "noise")["reason"] == ""
    assert {value(found, "b", c)["reason"] for c in ("noise", "response", "tone_hold")} == {PASSAGES}
    assert {value(found, "c", c)["reason"] for c in ("noise", "response")} == {NOT_AT_BASE}
    assert "softest and loudest" in value(found, "c", "tone_hold")["reason"]
    assert value(found, "b", "total_cost")["reason"] == "no price in the instruments sheet"


def test_other_dynamics_do_not_move_the_base_values():
    loud = study_tables({"s1": ["a"]}, dynamics=("mf", "pp", "ff"), seed=2)
    notes = loud["notes"]
    loud["notes"] = notes.assign(cents=notes["cents"].where(notes["dynamic"] == "mf", notes["cents"] + 50))
    found = run(loud)
    mf = notes[notes["dynamic"] == "mf"].groupby("recording")["cents"].median().mean()
    assert value(found, "a", "tuning_offset")["value"] == pytest.approx(mf)
    assert value(found, "a", "tuning_offset")["n_takes"] == 3
    level = notes.set_index(["dynamic", "take", "midi"])["level_dbfs"]
    by_take = (level["ff"] - level["pp"]).groupby("take").median()
    assert value(found, "a", "dynamic_range")["value"] == pytest.approx(by_take.mean(), abs=1e-6)


def test_response_needs_tongued_takes():
    assert np.isnan(value(run(study_tables({"s1": ["a"]})), "a", "response")["value"])
    tongued = study_tables({"s1": ["a"]}, articulation="tongued")
    expected = tongued["notes"].groupby("recording")["attack_ms"].median().mean()
    assert value(run(tongued), "a", "response")["value"] == pytest.approx(expected)


@pytest.mark.parametrize("lacking", [1, 2])
def test_a_note_counts_that_at_least_half_of_the_takes_hold(lacking):
    tables = study_tables({"s1": ["a"]}, extra_cents={("a", 70): 60.0}, seed=4)
    everywhere = value(run(tables), "a", "worst_note_cents")["value"]
    takes = [f"s1_a_mf_up_{number}" for number in (2, 3)][:lacking]
    gone = tables["notes"]["recording"].isin(takes) & (tables["notes"]["midi"] == 61)
    tables["notes"] = tables["notes"][~gone]
    row = value(run(tables), "a", "worst_note_cents")
    assert everywhere > 40
    if lacking == 1:
        assert row["value"] == pytest.approx(everywhere, rel=0.1)
        assert row["reason"] == ""
    else:
        assert row["value"] < 40
        assert row["reason"] == "judged by 31 of 32 notes: most of its takes lack the others"


def test_what_a_take_lacks_is_the_others_mean_at_its_own_offset_by_hand():
    # the third take lies 3 above the middle of the others where all are known, and they mean 6 at the note it lacks
    values = np.array([[0.0, 0, 5], [0, 0, 7], [3, 3, np.nan]])
    _fill(values)
    assert values == pytest.approx(np.array([[0.0, 0, 5], [0, 0, 7], [3, 3, 9]]))
    # known in one of three: nothing to fill in from
    values = np.array([[0.0, 0, 5], [0, 0, np.nan], [3, 3, np.nan]])
    _fill(values)
    assert np.isnan(values[1:, 2]).all()
    # the second take knows one note of three: filled in, it would be the first one over again
    values = np.array([[0.0, 1, 5], [0, np.nan, np.nan]])
    _fill(values)
    assert np.isnan(values[1, 1:]).all()


def test_a_take_whose_noise_is_hidden_is_not_made_of_the_others():
    tables = study_tables({"s1": ["a", "b"]}, takes=3)
    hidden = tables["notes"]["recording"].str.endswith("_2") & (tables["notes"]["step"] % 3 > 0)
    tables["notes"].loc[hidden, "noise_high_db"] = np.nan
    assert value(run(tables), "a", "noise")["n_takes"] == 2


def test_a_scrap_of_a_take_does_not_cost_the_others_their_notes():
    tables = study_tables({"s1": ["a"]}, takes=3)
    scrap = (tables["notes"]["recording"] == "s1_a_mf_up_2") & (tables["notes"]["step"] > 6)
    tables["notes"] = tables["notes"][~scrap]
    assert value(run(tables), "a", "register_width")["n_takes"] == 2


def test_up_and_down_are_averaged_with_one_effect_of_direction():
    tables = study_tables({"s1": ["a", "b"]}, takes=2, directions=("up", "down"), seed=6)
    notes = tables["notes"]
    tables["notes"] = notes.assign(cents=notes["cents"] + np.where(notes["direction"] == "down", 8.0, 0.0))
    medians = tables["notes"].groupby(["instrument", "recording"])["cents"].median()
    row = value(run(tables), "a", "tuning_offset")
    assert row["value"] == pytest.approx(medians["a"].mean())
    assert row["high"] - row["low"] < 8  # the 8 cents between directions are not scatter


def test_a_noisier_room_does_not_make_noisier_instruments():
    tables = study_tables(
        {"s1": ["ref", "a"], "s2": ["ref", "b"], "s3": ["c"]}, twins={"b": "a", "c": "a"}, takes=4, seed=9
    )  # fmt: skip
    loud = tables["notes"]["session"] == "s2"
    tables["notes"].loc[loud, "noise_high_db"] += 10
    found = run(tables)
    a, b = value(found, "a", "noise"), value(found, "b", "noise")
    assert a["value"] == pytest.approx(b["value"], abs=1.5)
    assert a["low"] <= b["value"] <= a["high"]
    assert a["high"] - a["low"] < 3


def test_a_room_that_lengthens_attacks_does_not_make_slower_instruments():
    # reverberation adds 25 ms in s2; the shared instrument shows it, s3 has no link and keeps its own
    tables = study_tables(
        {"s1": ["ref", "a"], "s2": ["ref", "b"], "s3": ["c"]}, twins={"b": "a", "c": "a"}, takes=4, seed=9,
        articulation="tongued", take_sd={"attack": 0.02},
    )  # fmt: skip
    live = tables["notes"]["session"] == "s2"
    tables["notes"].loc[live, "attack_ms"] += 25
    found = run(tables)
    a, b = value(found, "a", "response"), value(found, "b", "response")
    # four means of four takes that scatter by 2 % of about 45 ms: standard error 0.9 ms
    assert a["value"] == pytest.approx(b["value"], abs=3)
    assert CRITERIA["response"].chain_dependent


def test_errors_of_linked_set_ups_widen_the_intervals(apart, linked):
    assert set(linked.shifts["criterion"]) == {"timbre_evenness", "level_evenness"}
    assert (linked.shifts.groupby("instrument")["shift"].apply(lambda s: (s**2).sum()) > 0).all()
    assert apart.shifts.empty


def test_a_second_session_widens_the_interval_of_what_was_recorded_in_one(linked):
    # takes of the same scatter: what another day would have given is less sure than what this day gave
    alone = run(study_tables({"s1": ["ref", "a"]}, seed=2))
    width = [value(found, "a", "intonation_spread") for found in (alone, linked)]
    assert width[1]["high"] - width[1]["low"] > width[0]["high"] - width[0]["low"]


def test_evenness_of_twins_through_different_chains_agrees():
    tables = study_tables(
        {"s1": ["ref", "a"], "s2": ["ref", "b"]}, twins={"b": "a"}, takes=4, seed=8,
        extra_tilt_db={("a", 70): -3.0, ("b", 70): -3.0},
    )  # fmt: skip
    found = run(tables)
    a, b = value(found, "a", "timbre_evenness"), value(found, "b", "timbre_evenness")
    assert a["value"] == pytest.approx(b["value"], abs=0.3)


def test_total_cost_by_hand():
    tables = study_tables({"s1": ["a", "b"]}, prices={"a": 900.0})
    tables["instruments"]["setup_cost"] = [120.0, None]
    inspection = [
        {"instrument": "a", "cost": 35.0},
        {"instrument": "a", "cost": None},
        {"instrument": "b", "cost": 9.0},
    ]
    tables["instruments"] = tables["instruments"].astype(object).where(tables["instruments"].notna(), None)
    found = run(tables, inspection)
    row = value(found, "a", "total_cost")
    assert (row["value"], row["low"], row["high"], row["unit"]) == (1055.0, 1055.0, 1055.0, "EUR")
    assert "price" in value(found, "b", "total_cost")["reason"]
    tables["instruments"]["price_rate"] = [0.5, None]  # of the price alone
    assert value(run(tables, inspection), "a", "total_cost")["value"] == 605.0


def test_an_instrument_set_aside_everywhere_is_listed_with_reasons():
    tables = study_tables({"s1": ["a", "b"]})
    tables["recordings"].loc[tables["recordings"]["instrument"] == "b", "status"] = "set_aside"
    found = run(tables)
    row = value(found, "b", "tuning_offset")
    assert np.isnan(row["value"])
    assert row["reason"] == "no usable recording"


def test_the_players_scatter_is_taken_out_of_the_spread_by_hand():
    # two takes of five notes: true cents -2 -1 0 1 2, played with ± 1, alternating, opposite in the second take
    notes = study_tables({"s1": ["a"]}, takes=2, written=(60, 64))
    true, error = np.array([-2.0, -1, 0, 1, 2]), np.array([1.0, -1, 1, -1, 0])
    notes["notes"] = notes["notes"].assign(cents=np.r_[true + error, true - error])
    found = run(notes).takes.query("criterion == 'intonation_spread'")["value"]
    # between the takes the products of a note's two values are true² - error²: (10 - 4) / 4
    assert found.mean() == pytest.approx(np.sqrt(1.5))
    # sum of squares about the mean: 10 + 4 ± 2 * 0 (error sums to 0, products -2 +1 +0 -1 +0 = -2, so ∓ 4): the takes
    # lie 4 / 4 from the mean square, and the slope of the root is 1 / 2 over the root
    assert found.tolist() == pytest.approx([np.sqrt(1.5) - 0.5 / np.sqrt(1.5), np.sqrt(1.5) + 0.5 / np.sqrt(1.5)])


def test_takes_lie_about_the_root_of_their_mean_square():
    for squares, scatter, root in (([25.0, 9.0, 5.0], 4.0, 3.0), ([1.0, 2.0], 3.0, 0.0), ([4.0, np.nan], 0.0, 2.0)):
        values, _ = roots(np.array(squares), scatter)
        assert np.nanmean(values) == pytest.approx(root)


def test_instruments_played_less_evenly_are_no_less_even():
    # twenty times the same instrument, half of them played with a scatter of 0.5 and half with one of 2 of its own
    # unevenness of 3 cents; what scatters in all of them together would take too much from the first and too little
    # from the others: the roots of 9 + 0.25 - 2.1 and of 9 + 4 - 2.1 are 2.7 and 3.3
    names = [f"i{number:02d}" for number in range(20)]
    tables = study_tables(
        {"s1": names}, twins=dict.fromkeys(names[1:], names[0]), takes=4, n_harmonics=3, seed=11,
        take_sd={"note_cents": 0.5}, instrument_sd={"scale_cents": 3.0},
    )  # fmt: skip
    notes, rng = tables["notes"], np.random.default_rng(12)
    more = np.where(notes["instrument"] < "i10", 0.0, np.sqrt(2.0**2 - 0.5**2))
    tables["notes"] = notes.assign(cents=notes["cents"] + more * rng.normal(size=len(notes)))
    found = run(tables).instruments.query("criterion == 'intonation_spread'")["value"].to_numpy()
    quiet, loud = found[:10], found[10:]
    error = np.sqrt((quiet.var(ddof=1) + loud.var(ddof=1)) / 10)
    assert error < 0.1  # so that the 0.6 of the pooled scatter would show
    assert abs(quiet.mean() - loud.mean()) < 3 * error


def test_an_evenness_within_the_players_scatter_says_so_and_is_never_below_zero():
    # instruments without any unevenness of pitch, played with a scatter of 5 cents from note to note
    tables = study_tables(
        {"s1": ["a", "b", "c"]}, take_sd={"note_cents": 5}, instrument_sd={"scale_cents": 0}, seed=3
    )  # fmt: skip
    found = run(tables)
    rows = [value(found, name, "intonation_spread") for name in "abc"]
    assert all(row["low"] == 0 <= row["value"] < row["high"] for row in rows)
    assert {row["reason"] for row in rows} <= {NOT_ABOVE, NOT_SURELY_ABOVE}
    uneven = study_tables({"s1": ["a", "b", "c"]}, instrument_sd={"scale_cents": 10}, seed=3)
    row = value(run(uneven), "a", "intonation_spread")
    assert row["low"] > 0 and row["reason"] == ""


def test_intervals_cover_the_truth():
    # 15 studies of 8 instruments: 120 intervals each; 90 % stated, binomial scatter about 3 %
    hits = pd.Series(0.0, ["tuning_offset", "intonation_spread", "level_evenness"])
    for seed in range(15):
        tables = study_tables({"s1": list("abcdefgh")}, takes=3, seed=seed, n_harmonics=3)
        found = run(tables)
        for name in "abcdefgh":
            for criterion, truth in _truth(tables["truth"], name).items():
                row = value(found, name, criterion)
                hits[criterion] += row["low"] <= truth <= row["high"]
    assert hits.between(0.83 * 120, 0.97 * 120).all(), hits / 120


def _truth(truth, name):
    """True criteria of a simulated alto; with one chain for all, the chain belongs to the levels."""
    frequency, midi = truth["frequency_hz"], truth["midi"]
    heard = truth["level_db"][name] + truth["chain"]["s1"](frequency * 2 ** (truth["cents"][name][:, None] / 1200))
    level = 10 * np.log10((10 ** (heard / 10)).sum(axis=1))
    family = FAMILIES["saxophone_alto"]
    written = family.to_written(midi)
    register = np.array([family.registers.index(family.register_of(int(note))) for note in written])
    blank = np.full(midi.size, np.nan)
    notes = TakeNotes(
        written=written, register=register, veiled=np.isin(written, list(family.veiled)), partner=blank,
        nominal_cents=1200, cents=truth["cents"][name], level=level, brightness=blank, noise=blank,
        attack=blank, tilt=blank, odd_even=blank, fundamental=blank,
    )  # fmt: skip
    return {name: FUNCTIONS[name](notes) for name in ("tuning_offset", "intonation_spread", "level_evenness")}


def cut(tables, recording, keep):
    """The tables with only the first `keep` notes of a recording."""
    notes = tables["notes"]
    late = (notes["recording"] == recording) & (notes["step"] >= keep)
    return tables | {"notes": notes[~late]}


def test_a_take_that_was_cut_off_does_not_hide_a_bad_note():
    tables = study_tables({"s1": ["a", "b"]}, extra_cents={("a", 85): 60.0})
    recording = tables["notes"].loc[tables["notes"]["instrument"] == "a", "recording"].iloc[0]
    whole, found = run(tables), run(cut(tables, recording, 20))
    assert value(whole, "a", "worst_note_cents")["value"] > 40
    row = value(found, "a", "worst_note_cents")
    assert row["value"] == pytest.approx(value(whole, "a", "worst_note_cents")["value"], rel=0.1)
    assert (row["n_takes"], row["reason"]) == (2, "1 of 3 takes left out: they lack too many notes")
    assert value(found, "b", "worst_note_cents")["reason"] == ""


def test_takes_that_miss_two_notes_count_and_the_notes_left_out_are_said():
    tables = study_tables({"s1": ["a", "b"]})
    first, second, _ = tables["notes"].loc[tables["notes"]["instrument"] == "a", "recording"].unique()
    tables = cut(tables, first, 30)
    row = value(run(tables), "a", "intonation_spread")
    assert (row["n_takes"], row["reason"]) == (3, "")
    row = value(run(cut(tables, second, 30)), "a", "intonation_spread")
    assert (row["n_takes"], row["reason"]) == (3, "judged by 30 of 32 notes: most of its takes lack the others")
