"""More air noise than the others: told in the right direction, with an interval that holds the truth, or not at all."""

import numpy as np
import pytest

from evenbore.findings.diagnose import diagnose
from findings.simulated import CONFIG, study

PLANTED_DB = 6.0


def noises(seed, number=None, db=PLANTED_DB, hidden=(), **options):
    """The findings `noisy` of a study in which the tone of one instrument holds `db` more noise."""
    notes, sheet, families = study(seed, **options)
    if number is not None:
        notes.loc[notes["instrument"] == f"i{number:02d}", "noise_high_db"] += db
    for other in hidden:
        notes.loc[notes["instrument"] == f"i{other:02d}", "flags"] = "noise_limited:noise_high_db"
    found = diagnose(notes, sheet, families, CONFIG)
    return found[found["kind"] == "noisy"]


@pytest.mark.parametrize(("family", "sessions"), [("saxophone_alto", 1), ("clarinet_b_flat", 2)])
def test_six_decibels_more_noise_are_told_of_that_instrument_alone(family, sessions):
    (row,) = noises(41, 3, family_key=family, sessions=sessions).to_dict("records")
    assert (row["instrument"], row["unit"], row["scope"]) == ("i03", "dB", "unit")
    assert row["size"] == pytest.approx(PLANTED_DB, abs=1.5)
    low, high = (float(row["explanation"].split("90 % interval ")[1].split(" dB")[0].split(" to ")[i]) for i in (0, 1))
    assert low < PLANTED_DB < high


def test_a_quieter_instrument_and_a_small_difference_are_not_told():
    assert noises(41, 3, db=-PLANTED_DB).empty
    assert noises(41, 3, db=1.0).empty


def test_noise_that_the_room_hides_is_not_laid_to_the_instrument():
    assert noises(41, 3, hidden=[3]).empty
    assert len(noises(41, 3, hidden=[4, 5, 6])) == 1  # theirs is at most as much: a bound that holds


def test_sixty_healthy_instruments_are_not_noisy():
    told = [noises(seed, sessions=1 + seed % 2, dynamics=("mf",)) for seed in range(700, 706)]
    assert sum(map(len, told)) == 0


def test_too_few_others_tell_nothing():
    assert noises(41, 1, instruments=3).empty


def test_the_noise_of_a_loud_instrument_is_no_reason():
    notes, sheet, families = study(41)
    notes.loc[notes["instrument"] == "i03", "level_dbfs"] += 10
    assert not (diagnose(notes, sheet, families, CONFIG)["kind"] == "noisy").any()
    assert np.isfinite(notes["noise_high_db"]).all()
