import numpy as np
import pandas as pd
import pytest

from evenbore.files.tables import conform
from evenbore.setups.normalise import normalise
from evenbore.setups.profiles import band_profiles, note_profiles
from evenbore.trade.families import load_family
from simulate import study_tables

FAMILIES = {"saxophone_alto": load_family("saxophone_alto")}


def steep(frequency_hz):
    """A phone: -12 dB of gain, 6 dB per octave lost above 3 kHz and below 300 Hz."""
    f = np.asarray(frequency_hz, float)
    return -12.0 - 10 * np.log10(1 + (f / 3000) ** 2) - 10 * np.log10(1 + (300 / f) ** 2)


def sheet(tables):
    return {row["instrument"]: row for row in tables["instruments"].to_dict("records")}


def run(tables):
    return normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])


def test_note_profiles_average_takes_and_state_their_error():
    tables = study_tables({"s1": ["a", "b"]}, takes=4, directions=("up", "down"), written=(58, 70))
    profile = conform(pd.concat(note_profiles(run(tables), sheet(tables), FAMILIES)), "note_profiles")
    one = profile[(profile["instrument"] == "a") & (profile["midi"] == 52) & (profile["measure"] == "cents")].iloc[0]
    notes = tables["notes"]
    own = notes[(notes["instrument"] == "a") & (notes["midi"] == 52)]
    assert one["value"] == pytest.approx(own["cents"].mean())
    assert one["n_takes"] == 8
    assert one["register"] == "lower"
    cells = notes.groupby(["instrument", "direction", "midi"])["cents"]
    s_r = np.sqrt(((notes["cents"] - cells.transform("mean")) ** 2).sum() / (len(notes) - cells.ngroups))
    assert one["se"] == pytest.approx(s_r / np.sqrt(8))
    assert "attack_ms" not in set(profile["measure"])  # no tongued take


def test_a_partial_take_at_another_pitch_invents_no_step():
    # two takes without any scatter; the second is 20 cents sharper and stops after six of 13 notes
    tables = study_tables({"s1": ["a", "b"]}, takes=2, written=(58, 70), take_sd={"cents": 0, "note_cents": 0})
    notes = tables["notes"]
    second = notes["recording"] == "s1_a_mf_up_2"
    notes.loc[second, "cents"] += 20
    tables["notes"] = notes[~(second & (notes["step"] > 5))]
    profile = pd.concat(note_profiles(run(tables), sheet(tables), FAMILIES))
    cents = profile[(profile["measure"] == "cents") & (profile["instrument"] == "a")].set_index("midi")["value"]
    first = notes[notes["recording"] == "s1_a_mf_up_1"].set_index("midi")["cents"]
    assert (cents - first).to_numpy() == pytest.approx(10.0)  # half way between the takes, for every note


def test_band_profiles_of_twins_agree_through_different_chains():
    tables = study_tables(
        {"s1": ["ref", "a"], "s2": ["ref", "b"]}, twins={"b": "a"},
        chains={"s1": lambda f: np.zeros_like(f), "s2": steep}, noise_floor_db=-120,
    )  # fmt: skip
    profile = conform(band_profiles(run(tables), [tables["bands"]]), "band_profiles")
    whole = profile[profile["session"].isna()].set_index(["instrument", "band_hz"])
    assert whole.groupby("instrument")["level_db"].mean().to_numpy() == pytest.approx(0, abs=1e-9)
    a, b = whole.loc["a"], whole.loc["b"]
    shared = a.index.intersection(b.index)
    gap = (a["level_db"] - b["level_db"])[shared]
    assert len(shared) >= 15
    assert np.sqrt(((gap - gap.mean()) ** 2).mean()) < 1.0


def test_different_instruments_keep_their_true_differences():
    # what the chains add is 10 dB and more; level-centred profiles of a and b are compared with the truth's
    tables = study_tables(
        {"s1": ["ref", "a"], "s2": ["ref", "b"]}, instrument_sd={"tilt_db": 2.0}, seed=4,
        chains={"s1": lambda f: np.zeros_like(f), "s2": steep}, noise_floor_db=-120,
    )  # fmt: skip
    profile = band_profiles(run(tables), [tables["bands"]])
    whole = profile[profile["session"].isna()].set_index(["instrument", "band_hz"])["level_db"]
    truth = tables["truth"]
    bands = np.array(sorted(set(whole["a"].index) & set(whole["b"].index)))
    place = np.rint(10 * np.log10(truth["frequency_hz"][..., None] / bands)) == 0
    true = {
        name: 10 * np.log10((10 ** (truth["level_db"][name][..., None] / 10) * place).sum(axis=(0, 1))) for name in "ab"
    }
    found, expected = (whole["a"] - whole["b"])[bands], true["a"] - true["b"]
    assert np.corrcoef(found, expected)[0, 1] >= 0.98
    assert np.polyfit(expected, found, 1)[0] == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("left", ["nothing", "no harmonics"])
def test_a_study_without_usable_recordings_gives_empty_tables(left):
    tables = study_tables({"s1": ["a", "b"], "s2": ["a"]})
    if left == "nothing":
        tables["recordings"]["status"] = "set_aside"
    else:
        tables["harmonics"] = tables["harmonics"].iloc[:0]
    normalised = run(tables)
    bands = conform(band_profiles(normalised, [tables["bands"]]), "band_profiles")
    notes = conform(pd.concat(note_profiles(normalised, sheet(tables), FAMILIES)), "note_profiles")
    assert bands.empty
    assert "level_dbfs" not in set(notes["measure"])
