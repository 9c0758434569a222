"""The report's section on factors says what is compared, once where it is always the same."""

from types import SimpleNamespace

import pandas as pd

from evenbore.page.research import factors

ROW = {
    "factor": "body_material", "family": "flute", "criterion": "tuning_offset", "contrast": "silver - wood",
    "estimate": 3.0, "low": -1.0, "high": 7.0, "p_adjusted": 0.2, "p_permutation": 0.3, "n_instruments": 12,
    "smallest_detectable": 6.0, "just_noticeable": 5.0, "unit": "cents", "verdict": "undecided", "reason": None,
}  # fmt: skip


def section(*changes):
    rows = pd.DataFrame([ROW | change for change in changes])
    study = SimpleNamespace(families={"flute": SimpleNamespace(name="flute")})
    return factors(SimpleNamespace(tables={"factors": rows}, study=study))


def test_two_levels_are_named_above_the_table():
    (found,) = section({}, {"criterion": "noise", "contrast": None, "verdict": "not_comparable", "estimate": None})
    assert found["contrast"] == "silver minus wood"
    assert found["rows"][0]["estimate"] == "3.00 (−1.00 to 7.00) cents"


def test_several_levels_are_named_in_every_row():
    (found,) = section({}, {"contrast": "silver - brass - lacquered"})
    assert found["contrast"] == ""
    assert [row["contrast"] for row in found["rows"]] == ["silver minus wood", "silver - brass - lacquered"]


def test_no_audible_difference_tells_its_margin():
    (found,) = section({"verdict": "no_audible_difference", "low": -1.0, "high": 4.0})
    assert found["rows"][0]["sentence"] == "within ± 5 cents, the least that is heard"
