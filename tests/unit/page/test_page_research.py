"""The report's section on factors says what is compared, once where it is always the same."""

from types import SimpleNamespace

import pandas as pd

from evenbore.page.research import factors

ROW = {
    "factor": "body_material", "family": "flute", "criterion": "tuning_offset", "contrast": "silver - wood",
    "estimate": 3.0, "low": -1.0, "high": 7.0, "p_adjusted": 0.2, "p_permutation": 0.3, "n_instruments": 12,
    "smallest_detectable": 6.0, "just_noticeable": 5.0, "unit": "cents", "verdict": "undecided", "reason": None,
}  # fmt: skip


def section(*changes, tone=()):
    rows = pd.DataFrame([ROW | change for change in changes])
    study = SimpleNamespace(families={"flute": SimpleNamespace(name="flute")})
    curve = pd.DataFrame(tone, columns=["factor", "family", "contrast", "harmonic", "estimate", "low", "high",
                                        "p_adjusted", "most_db"])  # fmt: skip
    return factors(SimpleNamespace(tables={"factors": rows, "tone_factors": curve}, study=study))


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


def test_the_tone_is_drawn_harmonic_by_harmonic():
    rows = [("body_material", "flute", "silver - wood", h, value, value - 1.0, value + 1.0, 0.03, 3.0)
            for h, value in ((1, -2.0), (2, 0.0), (3, 2.0))]  # fmt: skip
    (found,) = section({}, tone=rows)
    (curve,) = found["tone"]
    assert curve.sentence == (
        "silver minus wood: the curve as a whole differs beyond chance (p 0.03);"
        " by the band no harmonic differs by more than 3.0 dB."
    )
    points = [tuple(map(float, point.split(","))) for point in curve.line.split()]
    assert [x for x, _ in points] == sorted(x for x, _ in points)
    assert points[0][1] > curve.zero == points[1][1] > points[2][1]  # upwards: more
    assert len(curve.band.split()) == 6
    (without,) = section({}, tone=[(*rows[0][:4], None, None, None, None, None)])
    assert without["tone"] == []
