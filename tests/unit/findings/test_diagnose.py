"""Findings on invented studies with known faults. The counts asserted are what was measured, with a little room."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from evenbore.files.tables import conform
from evenbore.findings.diagnose import diagnose
from evenbore.findings.dullness import dullness, robust_correlation
from evenbore.findings.intonation import note_deviations
from evenbore.findings.references import _scatter
from evenbore.findings.rows import MIN_PEERS, collect_rows, robust_sd
from evenbore.setups.octaves import OCTAVES
from evenbore.trade.families import load_family
from evenbore.trade.pitch import midi_to_note, note_to_midi
from findings import losses
from findings.simulated import CONFIG, study
from synth.instrument import Leak, StickyVent

PATTERNS = ["stuffy_run", "regulation_step", "vent_fault"]


def find(*args, **kwargs) -> pd.DataFrame:
    notes, sheet, families = study(*args, **kwargs)
    found = diagnose(notes, sheet, families, CONFIG)
    conform(found, "findings")
    return found


def of(found: pd.DataFrame, instrument: str, *kinds: str) -> pd.DataFrame:
    return found[(found["instrument"] == instrument) & found["kind"].isin(kinds or found["kind"].unique())]


def holds(row, hole: int) -> bool:
    return note_to_midi(row.region_low_note) <= hole <= note_to_midi(row.region_high_note)


@pytest.fixture(scope="module", params=["saxophone_alto", "clarinet_b_flat"])
def leaks(request) -> list[tuple[int, pd.DataFrame]]:
    """The hole of a leak on `i01` and the findings, three times; the other nine instruments are healthy."""
    key = load_family(request.param)
    holes = sorted(hole.first_open_for for hole in key.holes if hole.first_open_for - key.low >= 4)[:6:2]
    return [(hole, find(1300 + k, request.param, faults={1: (Leak(hole),)})) for k, hole in enumerate(holes)]


def test_healthy_instruments_have_no_false_pattern(leaks):
    # 27 instruments of each family here; of 320 measured, one had a false run and one a false vent
    found = pd.concat([found.query("instrument != 'i01'") for _, found in leaks])
    assert not (found["kind"] == "stuffy_run").any()
    assert found["kind"].isin(PATTERNS).sum() <= 1
    assert found["kind"].isin(["stuffy_note", "all_dull"]).sum() <= 2


def test_leaks_of_the_simulators_size_one_are_found_in_the_region(leaks):
    # Measured on 24 leaks of each family, three of which are here: saxophone 22 told as runs, 21 with a region, all
    # right; clarinet 22, 21 and 20 right. The rest were told as a regulation step or as dull throughout.
    located, told = 0, 0
    for hole, found in leaks:
        runs = of(found, "i01", "stuffy_run")
        told += len(runs)
        for row in runs.dropna(subset="region").itertuples():
            assert holds(row, hole), f"{midi_to_note(hole)} is not in {row.region_low_note} to {row.region_high_note}"
            located += 1
    assert told >= 2
    assert located >= 2


def test_explanations_give_numbers_other_causes_and_no_diagnosis(leaks):
    texts = [row.explanation for _, found in leaks for row in of(found, "i01", "stuffy_run").itertuples()]
    for part in (" dB", "at p, mf", "4 takes", "never a diagnosis", "warranty"):
        assert all(part in text for text in texts)
    assert any("What else fits" in text for text in texts)


def test_leaks_by_the_figures_of_another_model_are_found_and_small_ones_undecided_rather_than_misplaced():
    told, family = 0, load_family("clarinet_b_flat")
    for number, hole in enumerate((58, 62, 64)):
        leaking = {1: losses.tabled_leak(family, hole), 5: losses.tabled_leak(family, hole, 0.3)}
        found = find(300 + 4 * number, "clarinet_b_flat", planted=leaking)
        told += len(of(found, "i01", "stuffy_run"))
        for instrument in ("i01", "i05"):
            runs = of(found, instrument, "stuffy_run").dropna(subset="region")
            assert all(holds(row, hole) for row in runs.itertuples())
    assert told >= 2


@pytest.fixture(scope="module")
def mixed() -> list[pd.DataFrame]:
    """Findings, twice: `i01` a sharp-edged run, `i03` a duller reed, `i05` blown softer, `i07` one fingering dull."""
    planted = {1: losses.run(62, 68), 7: losses.tilted(4.0, (66, 78))}
    return [find(seed, planted=planted, reed={3: 3.0}, soft={5: 4.0}) for seed in (11, 12)]


def test_sharp_edged_run_is_found_with_its_top_note(mixed):
    # of 20 such studies: found 18 times, each time within a semitone, 16 times with the very top note
    tops = []
    for found in mixed:
        row = of(found, "i01", *PATTERNS).iloc[0]
        assert row["kind"] == "stuffy_run"
        assert pd.isna(row["region"])
        assert abs(note_to_midi(row["first_note"]) - 62) <= 1
        tops.append(note_to_midi(row["last_note"]))
    assert max(np.abs(np.array(tops) - 68)) <= 1
    assert 68 in tops


def test_dull_reed_and_soft_blowing_are_no_leak(mixed):
    for found in mixed:
        assert of(found, "i03", *PATTERNS).empty and of(found, "i05", *PATTERNS).empty
    assert "all_dull" in set(of(found, "i03")["kind"])


def test_linkage_fault_of_one_fingering_is_regulation_not_a_leak(mixed):
    for found in mixed:
        own = of(found, "i07").query("unit != 'cents'")
        assert set(own["kind"]) <= {"regulation_step", "stuffy_note"}
        assert {"F#4", "F#5"} <= {*own["first_note"], *own["last_note"]}


def test_sticking_octave_vent_is_a_vent_fault():
    told = [
        (row.kind, row.first_note, row.last_note)
        for seed in (21, 22)
        for row in find(seed, faults={1: (StickyVent(81, 89, dull_db_per_octave=5.0),)}).itertuples()
        if row.instrument == "i01" and row.kind in PATTERNS
    ]
    assert set(told) == {("vent_fault", "A5", "F6")}
    assert told


def test_note_weak_in_all_of_a_session_is_blamed_on_none():
    notes, sheet, families = study(51, instruments=9, sessions=3, takes=1)
    weak = (notes["session"] == "s1") & (notes["written_note"] == "F4")
    notes.loc[weak, ["level_dbfs", "brightness_db", *OCTAVES]] -= 8.0
    found = diagnose(notes, sheet, families, CONFIG)
    assert not ((found["kind"] == "stuffy_note") & (found["first_note"] == "F4")).any()
    effect = found[(found["kind"] == "session_effect") & (found["first_note"] == "F4")]
    assert len(effect) == 1
    assert effect["instrument"].isna().all()
    assert "session s1" in effect["explanation"].iloc[0]


def test_forte_alone_few_peers_and_empty_studies_give_no_dullness_finding():
    faults = {1: (Leak(70, 1.5),)}
    assert set(find(61, dynamics=("f",), faults=faults)["unit"]) <= {"cents"}
    assert set(find(62, instruments=MIN_PEERS, faults=faults)["unit"]) <= {"cents"}
    notes, sheet, families = study(63, instruments=2)
    assert conform(diagnose(notes[:0], sheet, families, CONFIG), "findings").empty


def test_intonation_of_one_instrument_alone():
    notes, sheet, families = study(71, instruments=1)
    family = families["saxophone_alto"]
    written = family.to_written(notes["midi"])
    rng = np.random.default_rng(1)
    notes["cents"] = 7.0 + rng.normal(0, 1.5, len(notes)) + 26.0 * (written >= 86) - 30.0 * (written == 65)
    found = diagnose(notes, sheet, families, CONFIG).set_index("kind")
    assert list(found.index) == ["register_shift", "intonation_outlier"]
    palm, low = found.loc["register_shift"], found.loc["intonation_outlier"]
    assert (palm["first_note"], palm["last_note"], palm["n_notes"]) == ("D6", "F6", 4)
    assert palm["size"] == pytest.approx(26, abs=2)
    assert (low["first_note"], low["last_note"]) == ("F4", "F4")
    assert low["size"] == pytest.approx(-30, abs=4)
    assert low["confidence"] > 0.99


def test_wide_octaves():
    notes, sheet, families = study(72, instruments=1)
    written = families["saxophone_alto"].to_written(notes["midi"])
    notes["cents"] = np.random.default_rng(2).normal(0, 1.5, len(notes)) + 26.0 * ((written >= 74) & (written < 86))
    found = diagnose(notes, sheet, families, CONFIG)
    assert "register_shift" in set(found["kind"])
    width = found[found["explanation"].str.startswith("Octaves")].iloc[0]
    assert width["size"] > 20


def test_a_partial_take_at_another_pitch_bends_no_deviation():
    # true deviations -10 ... 10; the second take is 30 cents sharper and stops after five of eleven notes
    true = np.arange(-10.0, 11.0, 2.0)
    rows = [("r1", 60 + i, cents) for i, cents in enumerate(true)]
    rows += [
        ("r2", 60 + i, cents + 30 + error)
        for i, (cents, error) in enumerate(zip(true, [1, -1, 0, 1, -1], strict=False))
    ]
    notes = pd.DataFrame(rows, columns=["recording", "written", "cents"])
    notes[["instrument", "state", "session", "articulation", "direction"]] = ["a", "x", "s", "slurred", "up"]
    half_errors = np.array([1, -1, 0, 1, -1] + 6 * [0]) / 2
    away, takes, s_r = note_deviations(notes, notes["written"].to_numpy())
    assert away.loc[("a", "x")].to_numpy() == pytest.approx(true + half_errors)
    assert takes.count().tolist() == [2] * 5 + [1] * 6
    # five notes twice, one offset between the takes: 4 degrees of freedom; each pair differs by 1, 0 or -1
    assert s_r == pytest.approx(np.sqrt(4 * 0.5 / 4))


def test_no_repeats_leave_the_confidence_of_intonation_empty():
    notes, sheet, families = study(73, instruments=1, takes=1)
    notes["cents"] = 40.0 * (families["saxophone_alto"].to_written(notes["midi"]) == 65)
    row = diagnose(notes, sheet, families, CONFIG).iloc[0]
    assert np.isnan(row["confidence"])
    assert "not known" in row["explanation"]


def test_robust_sd_of_normal_noise():
    # the median of |x| of a standard normal is its 75 % quantile
    assert robust_sd(np.random.default_rng(0).normal(0, 3, 100_000)) == pytest.approx(3, rel=0.02)
    assert 1 / stats.norm.ppf(0.75) == pytest.approx(1.4826, abs=1e-4)
    assert np.isnan(robust_sd(np.array([np.nan])))


def test_scatter_of_few_instruments_is_drawn_to_that_of_all_notes():
    z = np.random.default_rng(3).normal(0, 1, (10, 40))
    z[:, 0] *= 6
    few, many = _scatter(z), _scatter(np.tile(z, (20, 1)))
    assert 1 < few[0] < many[0]


def test_a_reference_never_holds_the_instrument_itself():
    notes, _, families = study(81)
    rows = collect_rows(notes, families["saxophone_alto"].to_written(notes["midi"].to_numpy()))
    rows = replace(rows, value={name: values.copy() for name, values in rows.value.items()})
    before = dullness(rows).z
    own = (rows.keys["instrument"] == "i03").to_numpy()
    for measure in rows.value:
        rows.value[measure][own, 5] -= 0.3
    after = dullness(rows).z
    assert after[3, 5] > before[3, 5]


def test_takes_without_noise_or_brightness_give_no_made_up_finding():
    notes, sheet, families = study(82, instruments=5)
    notes["noise_high_db"] = np.nan
    diagnose(notes, sheet, families, CONFIG)
    notes[["brightness_db", "level_dbfs", *OCTAVES]] = np.nan
    assert set(diagnose(notes, sheet, families, CONFIG)["unit"]) <= {"cents"}


def test_missing_low_notes_alone_are_a_question_and_none_where_the_sheet_does_not_ask_for_them():
    missing = set(range(58, 65))
    notes, sheet, families = study(83, silent={4: {"p": missing, "mf": missing}})
    [row] = of(diagnose(notes, sheet, families, CONFIG), "i04", *PATTERNS).to_dict("records")
    assert (row["kind"], row["if_tried"]) == ("stuffy_run", "Bb3 to E4 at mf, Bb3 to E4 at p")
    assert np.isnan(row["confidence"]) and np.isnan(row["size"])
    assert row["explanation"].startswith("All of this rests on notes missing in all of its takes: Bb3 to E4")
    asked = {name: np.arange(65, 93) for name in notes.loc[notes["instrument"] == "i04", "recording"]}
    assert of(diagnose(notes, sheet, families, CONFIG, expected=asked), "i04", *PATTERNS).empty


def test_what_most_units_of_a_model_share_is_a_trait_of_the_design():
    # C#5 and E6 are 28 cents sharp on every unit of one model; one unit has a note of its own
    sharp = {73: 28.0, 88: 28.0}
    bent = {number: dict(sharp) for number in range(7)} | {7: {80: 40.0}}
    notes, sheet, families = study(77, instruments=8, bent=bent)
    sheet = {
        name: row | {"maker": "Maker A", "model": "One" if name != "i07" else "Two"} for name, row in sheet.items()
    }
    found = diagnose(notes, sheet, families, CONFIG).query("kind == 'intonation_outlier'")
    shared = found[found["first_note"].isin(["C#5", "E6"])]
    assert shared["instrument"].nunique() >= 5 and set(shared["scope"]) == {"design"}
    assert shared["explanation"].str.contains("6 other units of its model share it").all()
    own = found[found["instrument"] == "i07"]
    assert "unit" in set(own["scope"])
    nameless = diagnose(notes, {n: {"family": row["family"]} for n, row in sheet.items()}, families, CONFIG)
    assert set(nameless["scope"]) == {"unit"}


def test_a_unit_far_beyond_its_design_is_told_of_its_own():
    bent = {number: {73: 25.0} for number in range(7)} | {0: {73: 60.0}}
    notes, sheet, families = study(78, instruments=7, bent=bent)
    sheet = {name: row | {"model": "One"} for name, row in sheet.items()}
    found = diagnose(notes, sheet, families, CONFIG).query("first_note == 'C#5' and kind == 'intonation_outlier'")
    assert found.set_index("instrument")["scope"]["i00"] == "unit"


def test_correlations_of_few_notes_can_be_inverted():
    for seed in range(200):
        few = np.random.default_rng(seed).standard_t(1, (5, 2, 3))
        assert np.linalg.eigvalsh(robust_correlation(list(few)))[0] > 0.05
    unlike = [np.full((2, 3), np.nan), np.ones((2, 3))]
    assert (robust_correlation(unlike) == np.eye(2)).all()
