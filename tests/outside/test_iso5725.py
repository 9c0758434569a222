"""Repeatability against published worked examples.

- ISO 5725-2:1994, Annex B.1: sulfur content of coal, 8 laboratories, 4 levels (the identical national text
  IS 15393-2:2003 is public).
- ASTM E691: glucose in serum, materials A and B, 8 laboratories x 3 (data set `Glucose` of the R package ILS).
- NIST StRD one-way analysis of variance, SiRstv: certified residual standard deviation.
"""

import numpy as np
import pandas as pd
import pytest

from evenbore.repeatability import precision, repeatability

SULFUR = {
    1: (
        ".71 .71 .70 .71; .69 .67 .68; .66 .65 .69; .67 .65 .66; .70 .69 .66 .71 .69; .73 .74 .73; .71 .71 .69;"
        " .70 .65 .68",
        (0.690, 0.015, 0.026),
    ),
    2: (
        "1.20 1.18 1.23 1.21; 1.22 1.21 1.22; 1.28 1.31 1.30; 1.23 1.18 1.20; 1.31 1.22 1.22 1.24; 1.39 1.36 1.37;"
        " 1.20 1.26 1.26; 1.24 1.22 1.30",
        (1.252, 0.029, 0.061),
    ),
    3: (
        "1.68 1.70 1.68 1.69; 1.64 1.64 1.65; 1.61 1.61 1.62; 1.68 1.66 1.66; 1.64 1.67 1.60 1.66 1.68;"
        " 1.70 1.73 1.73; 1.69 1.70 1.68; 1.67 1.68 1.67",
        (1.667, 0.017, 0.035),
    ),
    4: (
        "3.26 3.26 3.20 3.24; 3.20 3.20 3.20; 3.37 3.36 3.38; 3.16 3.22 3.23; 3.20 3.19 3.18 3.27 3.24;"
        " 3.27 3.31 3.29; 3.27 3.24 3.23; 3.25 3.26 3.26",
        (3.250, 0.026, 0.058),
    ),
}
GLUCOSE_A = (
    "41.03 41.45 41.37; 41.17 42.00 41.15; 41.01 40.68 42.66; 39.37 42.37 42.63; 41.88 41.19 41.32;"
    " 43.28 40.50 42.28; 41.08 41.27 39.02; 43.36 42.65 41.72"
)
GLUCOSE_B = (
    "78.28 78.18 78.49; 77.78 80.38 79.54; 79.18 79.72 80.81; 84.08 78.60 81.92; 78.16 79.58 78.33;"
    " 78.66 79.27 81.75; 79.76 81.45 77.35; 80.44 80.80 79.80"
)


def laboratories(text):
    return [np.array(cell.split(), float) for cell in text.split(";")]


@pytest.mark.parametrize("level", SULFUR)
def test_sulfur_in_coal(level):
    text, expected = SULFUR[level]
    found = precision(laboratories(text))
    # to the digits that the standard prints
    assert (found.mean, found.s_r, found.s_reproducibility) == pytest.approx(expected, abs=0.0005)


@pytest.mark.parametrize(
    ("text", "expected"), [(GLUCOSE_A, (41.5183, 1.0632, 1.0632)), (GLUCOSE_B, (79.6796, 1.4949, 1.5796))]
)
def test_glucose_in_serum(text, expected):
    found = precision(laboratories(text))
    assert (found.mean, found.s_r, found.s_reproducibility) == pytest.approx(expected, abs=0.0001)


@pytest.mark.parametrize("level", SULFUR)
def test_pooling_over_a_study_is_the_standards_repeatability(level):
    # laboratories as sessions of one instrument, results as takes
    cells = laboratories(SULFUR[level][0])
    takes = pd.DataFrame(
        {
            "session": np.repeat(np.arange(8), [len(cell) for cell in cells]),
            "value": np.concatenate(cells),
            "instrument": "coal", "state": "as_found", "direction": "up",
        }
    )  # fmt: skip
    found, standard = repeatability(takes), precision(cells)
    assert found.s_r == pytest.approx(standard.s_r)
    assert found.s_s == pytest.approx(standard.s_l)
    assert (found.df, found.df_s) == (sum(map(len, cells)) - 8, 7)


def test_nist_silicon_resistivity():
    # 5 instruments x 5 replicates, certified residual standard deviation 0.104076068334656
    values = np.array(
        [
            [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
            [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
            [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
            [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
            [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
        ]
    )
    takes = pd.DataFrame(
        {
            "instrument": np.repeat(list("abcde"), 5),
            "value": values.ravel(),
            "state": "x",
            "session": "s",
            "direction": "up",
        }
    )
    assert repeatability(takes).s_r == pytest.approx(0.104076068334656, rel=1e-10)
