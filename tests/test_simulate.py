import numpy as np
import pytest

from evenbore.files.tables import conform
from simulate import BAND_HZ, TAKE_SD, study_tables

STEADY = dict.fromkeys(TAKE_SD, 0)


def test_tables_have_the_columns_of_the_results():
    tables = study_tables({"s1": ["a"], "s2": ["a", "b"]}, takes={"a": 2, "b": 1}, directions=("up", "down"))
    for table in ("notes", "harmonics", "bands"):
        conform(tables[table], table)
    assert len(tables["recordings"]) == 2 * (2 + 2 + 1)
    assert len(tables["notes"]) == 10 * 32


def test_without_scatter_a_harmonic_is_instrument_plus_chain():
    tables = study_tables({"s1": ["a"]}, take_sd=STEADY, noise_floor_db=-200, chains={"s1": lambda f: f / 1000})
    truth, rows = tables["truth"], tables["harmonics"]
    level = rows["level_db"].to_numpy().reshape(3, 32, 16)
    frequency = rows["frequency_hz"].to_numpy().reshape(3, 32, 16)
    assert level[0] == pytest.approx(truth["level_db"]["a"] + frequency[0] / 1000)
    cents = 1200 * np.log2(frequency[0] / truth["frequency_hz"])
    assert cents == pytest.approx(np.repeat(truth["cents"]["a"][:, None], 16, axis=1))


def test_twins_are_alike_and_single_notes_can_differ():
    truth = study_tables({"s1": ["a", "b"]}, twins={"b": "a"}, extra_cents={("b", 60): 30.0})["truth"]
    difference = truth["cents"]["b"] - truth["cents"]["a"]
    assert difference[2] == pytest.approx(30)
    assert np.delete(difference, 2) == pytest.approx(0)
    assert (truth["level_db"]["a"] == truth["level_db"]["b"]).all()


def test_bands_hold_the_power_of_the_harmonics():
    tables = study_tables({"s1": ["a"]}, takes=1, noise_floor_db=-200)
    power = (10 ** (tables["harmonics"]["level_db"] / 10)).sum()
    assert (10 ** (tables["bands"]["level_db"] / 10)).sum() == pytest.approx(power, rel=1e-6)
    assert BAND_HZ[14] == pytest.approx(1000)


def test_a_harmonic_under_the_noise_is_missing():
    assert study_tables({"s1": ["a"]}, noise_floor_db=-30)["harmonics"]["level_db"].min() > -30


def test_the_same_seed_draws_the_same_study():
    first, second = (study_tables({"s1": ["a"]}, seed=3)["notes"]["cents"] for _ in range(2))
    assert (first == second).all()
