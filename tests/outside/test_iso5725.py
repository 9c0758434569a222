"""Repeatability against published worked examples.

- ISO 5725-2:1994, Annex B.1: sulfur content of coal, 8 laboratories, 4 levels (the identical national text
  IS 15393-2:2003 is public).
- ASTM E691: glucose in serum, materials A and B, 8 laboratories x 3 (data set `Glucose` of the R package ILS).
- NIST StRD one-way analysis of variance, SiRstv: certified residual standard deviation.
- Shrout & Fleiss 1979, Psychol. Bull. 86, 420: four judges rate six targets; mean squares behind the intraclass
  correlations.
- The days' scatter: statsmodels' mixed model fitted by REML.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from evenbore.judge.repeatability import RATIOS, Days, assumed_days, errors_of, own_days

PRIOR = {"whole": 0.7, "between_notes": 0.3}
NO_DAYS = Days(np.zeros(1), np.ones(1), 0.0)

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


def repeatability(takes):
    """s_r and its degrees of freedom."""
    found = errors_of(takes, False, NO_DAYS)
    return found.s_r, found.df


def takes_of(text, **columns):
    """Laboratories as sessions of one instrument, results as takes."""
    cells = [np.array(cell.split(), float) for cell in text.split(";")]
    session = np.repeat(np.arange(len(cells)), [len(cell) for cell in cells])
    same = {"instrument": "coal", "state": "as_found", "direction": "up"} | columns
    return pd.DataFrame({"session": session, "value": np.concatenate(cells)}).assign(**same)


@pytest.mark.parametrize("level", SULFUR)
def test_sulfur_in_coal(level):
    text, (_, s_r, _) = SULFUR[level]
    found, df = repeatability(takes_of(text))
    assert found == pytest.approx(s_r, abs=0.0005)  # to the digits that the standard prints
    assert df == len(text.replace(";", " ").split()) - 8


@pytest.mark.parametrize(("text", "s_r"), [(GLUCOSE_A, 1.0632), (GLUCOSE_B, 1.4949)])
def test_glucose_in_serum(text, s_r):
    assert repeatability(takes_of(text))[0] == pytest.approx(s_r, abs=0.0001)


@pytest.mark.parametrize("level", SULFUR)
def test_days_are_as_likely_as_a_mixed_model_says(level):
    # the laboratories' own scatter as days of one instrument, in a criterion of which nothing is taken out for sessions
    # and whose measure no other one of its kind reads; what was assumed is taken out again
    takes = takes_of(SULFUR[level][0], criterion="timbre_evenness")
    found = own_days(takes, [], PRIOR)["between_notes"]
    fitted = sm.MixedLM(takes["value"], np.ones(len(takes)), groups=takes["session"]).fit(reml=True)
    ratio = np.sqrt(fitted.cov_re.iloc[0, 0] / fitted.scale)
    assert found.witnesses == 7
    log = np.log(found.shares) - np.log(assumed_days(PRIOR)["between_notes"].shares)
    at = log.argmax()
    assert RATIOS[at - 1] < ratio < RATIOS[at + 1]
    likely = np.array([restricted_likelihood(takes, ratio) for ratio in RATIOS])
    assert log - log[at] == pytest.approx(likely - likely[at], abs=1e-6)


def restricted_likelihood(takes, ratio):
    """Logarithm of the restricted likelihood of one mean and random days, the scale profiled, up to a constant: by its
    definition with whole matrices (Patterson & Thompson 1971)."""
    value, day = takes["value"].to_numpy(), takes["session"].to_numpy()
    inverse = np.linalg.inv(np.eye(value.size) + ratio**2 * (day[:, None] == day))
    of_mean = inverse.sum()
    left = value @ inverse @ value - (inverse.sum(axis=0) @ value) ** 2 / of_mean
    return 0.5 * (np.linalg.slogdet(inverse)[1] - np.log(of_mean) - (value.size - 1) * np.log(left))


def test_judges_and_targets():
    rated = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float)
    takes = pd.DataFrame(
        {
            "instrument": np.repeat(list("abcdef"), 4), "value": rated.ravel(), "judge": np.tile(list("wxyz"), 6),
            "state": "x", "session": "s", "direction": "up",
        }
    )  # fmt: skip
    assert repeatability(takes)[0] ** 2 == pytest.approx(6.2639, abs=5e-5)  # within targets
    # judges as a manner of playing, a fixed effect: the residual mean square, on 15 degrees of freedom
    s_r, df = repeatability(takes.assign(articulation=takes["judge"]))
    assert (s_r**2, df) == (pytest.approx(1.0194, abs=5e-5), 15)


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
    assert repeatability(takes)[0] == pytest.approx(0.104076068334656, rel=1e-10)
