"""Factors and mixed models against certified values, textbook designs and examples checked with R."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
import statsmodels.regression.tests as statsmodels_tests
from scipy import stats

from evenbore.compare.components import components
from evenbore.compare.factors import Factor, judge_factor
from evenbore.statistics import mixed

NIST = Path(scipy.stats.__file__).parent / "tests/data/nist_anova"
R_CHECKED = Path(statsmodels_tests.__file__).parent / "results"
COLUMNS = ["instrument", "session", "player", "direction", "articulation", "value"]


def judged(rows, levels):
    """Contrasts of a factor on takes given as rows of COLUMNS, by their words."""
    factor = Factor("factor", levels, {})
    takes = pd.DataFrame(rows, columns=COLUMNS).assign(state="x")
    results = judge_factor(takes, factor, [], factor.contrasts(), np.random.default_rng(1))
    return {result["contrast"]: result for result in results}


# NIST Statistical Reference Datasets, one-way analysis of variance, as shipped with SciPy (scipy/stats/tests/data);
# certified to 15 digits. SmLs07, of higher difficulty, has 13 constant leading digits: its own double-precision
# rounding leaves about two digits to any algorithm. Read from the files: nothing is typed here.
@pytest.mark.parametrize(
    ("name", "digits"), [("SiRstv", 10), ("AtmWtAg", 7), ("SmLs01", 10), ("SmLs04", 6), ("SmLs07", 1)]
)
def test_certified_one_way_analyses(require_file, name, digits):
    text = require_file(f"the NIST data of SciPy ({name})", NIST / f"{name}.dat").read_text()
    certified = [float(x) for x in re.search(r"Between.*", text)[0].split() if re.match(r"[\d.]+E", x)]
    sd = float(re.search(r"Standard Deviation\s+(\S+)", text)[1])
    data = np.array([line.split() for line in text.splitlines()[60:] if line.strip()], float)
    # every observation is one instrument with one take: the instrument is the unit
    rows = [(f"u{i}", "s", "", "up", "slurred", y) for i, (_, y) in enumerate(data)]
    found = judged(rows, {f"u{i}": f"{int(t)}" for i, (t, _) in enumerate(data)})
    treatments, n = np.unique(data[:, 0]), int((data[:, 0] == 1).sum())
    k = len(treatments)
    square = sum(result["estimate"] ** 2 for result in found.values()) * n / k / (k - 1)
    error = next(iter(found.values()))["se"] ** 2 * n / 2
    assert error**0.5 == pytest.approx(sd, rel=10.0**-digits)
    assert square / error == pytest.approx(certified[-1], rel=10.0**-digits)
    assert {result["df"] for result in found.values()} == {len(data) - k}
    if k == 2:
        assert next(iter(found.values()))["p"] == pytest.approx(stats.f.sf(certified[-1], 1, len(data) - k), rel=1e-6)


# Balanced incomplete blocks: Montgomery, Design and Analysis of Experiments, catalysts in batches of raw material. Data
# read in example 19 of N. Ravishanker's page for A First Course in Linear Model Theory (University of Connecticut,
# merlot.stat.uconn.edu/~nalini/fcilmweb/example19.html); from memory the adjusted means (71.375, 71.625, 72.000,
# 75.000) and the error mean square (0.65 on 5 degrees of freedom), here also reckoned by the book's formulas.
BIBD = {1: {1: 73, 2: 74, 4: 71}, 2: {2: 75, 3: 67, 4: 72}, 3: {1: 73, 2: 75, 3: 68}, 4: {1: 75, 3: 72, 4: 75}}
ADJUSTED = {1: 71.375, 2: 71.625, 3: 72.0, 4: 75.0}


def bibd():
    cells = [(c, b, y) for c, batches in BIBD.items() for b, y in batches.items()]
    return (np.array(column) for column in zip(*cells, strict=True))


def test_balanced_incomplete_blocks_by_the_books_formulas():
    # Q = treatment total less the means of its blocks; effect k Q / (lambda a), with k = 3, lambda = 2, a = 4
    catalyst, batch, y = bibd()
    totals = {b: y[batch == b].sum() for b in set(batch)}
    q = np.array([y[catalyst == c].sum() - sum(totals[b] for b in batch[catalyst == c]) / 3 for c in ADJUSTED])
    assert y.mean() + 3 * q / 8 == pytest.approx(list(ADJUSTED.values()))
    blocks = sum(total**2 for total in totals.values()) / 3 - y.sum() ** 2 / 12
    error = ((y - y.mean()) ** 2).sum() - blocks - 3 * (q**2).sum() / 8
    assert error / 5 == pytest.approx(0.65)


def test_balanced_incomplete_blocks_within_blocks():
    catalyst, batch, y = bibd()
    design = np.column_stack([mixed.indicators(catalyst), mixed.indicators(batch)[:, 1:]])
    found = mixed.fit(y, design, {})
    for a in ADJUSTED:
        for b in range(1, a):
            weights = np.zeros(design.shape[1])
            weights[[a - 1, b - 1]] = 1, -1
            difference, se, df = found.contrast(weights)
            assert difference == pytest.approx(ADJUSTED[a] - ADJUSTED[b], abs=1e-9)
            assert se == pytest.approx(np.sqrt(2 * 3 * 0.65 / (2 * 4)), rel=1e-9)  # sqrt(2 k s² / (lambda a))
            assert df == pytest.approx(5)


def test_balanced_incomplete_blocks_with_random_blocks():
    # sessions random, as in the factors table: the batches differ so much that hardly anything is gained from their
    # means, so the differences are near the adjusted ones, and far from those of raw means (-1.33 between 1 and 2)
    catalyst, batch, y = bibd()
    rows = [(f"u{i}", f"s{b}", "", "up", "slurred", v) for i, (b, v) in enumerate(zip(batch, y, strict=True))]
    found = judged(rows, {f"u{i}": str(c) for i, c in enumerate(catalyst)})
    for words, result in found.items():
        a, b = map(int, words.split(" - "))
        assert result["estimate"] == pytest.approx(ADJUSTED[a] - ADJUSTED[b], abs=0.1)
        assert result["se"] == pytest.approx(0.6982, rel=0.02)


# Split plots: Yates 1935, J. R. Stat. Soc. Suppl. 2, 181, oats: 6 blocks, 3 varieties on whole plots, 4 doses of
# nitrogen on sub-plots. Data read in data/yates.oats.txt of kwstat/agridat on GitHub. Whole-plot analysis read in the
# scripts of R's package HH (Heiberger & Holland, Statistical Analysis and Data Display, dsgntwo.tex): variety 1786.361
# on 2, mean square 893.1806, error 601.3306 on 10 degrees of freedom, F 1.48534, p 0.2723869; the same to fewer digits
# in R's manual page of MASS::oats. Means of Golden rain by nitrogen (80.0, 98.5, 114.7, 124.8) from the emmeans manual.
OATS = {
    "Victory": ["111 130 157 174", "61 91 97 100", "68 64 112 86", "74 89 81 122", "62 90 100 116", "53 74 118 113"],
    "Golden rain": ["117 114 161 141", "70 108 126 149", "60 102 89 96", "64 103 132 133", "80 82 94 126",
                    "89 82 86 104"],
    "Marvellous": ["105 140 118 156", "96 124 121 144", "89 129 132 124", "70 89 104 117", "63 70 109 99",
                   "97 99 119 121"],
}  # fmt: skip


def oats():
    """A whole plot is an instrument, its block the session, its sub-plots takes in manners of their own."""
    return [
        (f"{variety}{block}", f"b{block}", "", "up", f"n{dose}", float(value))
        for variety, blocks in OATS.items()
        for block, values in enumerate(blocks)
        for dose, value in enumerate(values.split())
    ]


def test_split_plot_data_are_the_published_ones():
    frame = pd.DataFrame(oats(), columns=COLUMNS)
    golden = frame[frame["instrument"].str.startswith("Golden")].groupby("articulation")["value"].mean()
    assert golden.tolist() == pytest.approx([80.0, 98.5, 114.7, 124.8], abs=0.05)


def test_split_plot_judges_whole_plots_by_whole_plots():
    found = judged(oats(), {f"{variety}{block}": variety for variety in OATS for block in range(6)})
    assert {result["method"] for result in found.values()} == {"mixed model"}
    for result in found.values():
        assert result["se"] == pytest.approx(np.sqrt(2 * 601.3306 / 24), rel=1e-5)
        assert result["df"] == pytest.approx(10, abs=0.01)
    square = sum(result["estimate"] ** 2 for result in found.values()) * 24 / 3 / 2
    assert square == pytest.approx(893.1806, abs=1e-3)
    error = next(iter(found.values()))["se"] ** 2 * 24 / 2
    assert square / error == pytest.approx(1.48534, abs=1e-4)
    assert stats.f.sf(square / error, 2, 10) == pytest.approx(0.2723869, abs=1e-5)


# Fitted with lme4 in R; values and data ship with statsmodels (regression/tests/test_lme.py).
def test_paste_strength_as_in_r(require_file):
    data = pd.read_csv(require_file("the paste data of statsmodels", R_CHECKED / "pastes.csv"))
    cask = data["batch"].astype(str) + data["cask"].astype(str)
    found = mixed.fit(
        data["strength"], np.ones((len(data), 1)), {"batch": data["batch"].to_numpy(), "cask": cask.to_numpy()}
    )
    mean, se, _ = found.contrast(np.ones(1))
    assert (mean, se) == (pytest.approx(60.0533, abs=5e-5), pytest.approx(0.6769, abs=5e-5))
    assert found.variances["batch"] == pytest.approx(1.657, abs=5e-4)
    assert found.variances["take"] == pytest.approx(0.678, abs=5e-4)


def test_pig_growth_as_in_r(require_file):
    data = pd.read_csv(require_file("the pig data of statsmodels", R_CHECKED / "dietox.csv"))
    design = np.column_stack([np.ones(len(data)), data["Time"]])
    found = mixed.fit(data["Weight"], design, {"pig": data["Pig"].to_numpy()})
    assert found.b == pytest.approx([15.723523, 6.942505], rel=1e-6)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([0.78805374, 0.03338727], rel=1e-5)
    assert found.variances == pytest.approx({"pig": 40.39395, "take": 11.36692}, rel=1e-5)


# A balanced layout has its estimates in closed form (Searle, Casella & McCulloch 1992, Variance Components, ch. 4, from
# memory): where the mean square of a grouping is below the residual one, its variance is zero and the residual one is
# that of both sums of squares together.
def test_a_grouping_that_adds_nothing_has_no_variance():
    rows, columns = (grid.ravel() for grid in np.mgrid[:6, :4])
    residual = np.cos(7.0 * rows + 3.0 * columns**2)
    apart = np.column_stack([mixed.indicators(rows), mixed.indicators(columns)])
    residual -= apart @ np.linalg.lstsq(apart, residual, rcond=None)[0]
    of_rows, of_columns = 4.0 * np.arange(6.0), 0.01 * np.array([1.0, -1.0, 2.0, -2.0])
    y = of_rows[rows] + of_columns[columns] + residual
    found = mixed.fit(y, np.ones((24, 1)), {"row": rows, "column": columns})
    pooled = (6 * (of_columns**2).sum() + (residual**2).sum()) / (3 + 15)
    assert found.variances["column"] == 0
    assert found.variances["take"] == pytest.approx(pooled, rel=1e-5)
    assert found.variances["row"] == pytest.approx(of_rows.var(ddof=1) - pooled / 4, rel=1e-5)


# Penicillin: 24 plates crossed with 6 samples (Davies & Goldsmith 1972). Data as read in csv/lme4/Penicillin.csv of
# vincentarelbundock/Rdatasets on GitHub; lme4's standard deviations by REML (plate 0.8467, sample 1.9316, residual
# 0.5499) as read at bookdown.org/jmichaelrosenberg/comparing_crossed_effects_models.
PENICILLIN = """
    27 23 26 23 23 21, 27 23 26 23 23 21, 25 21 25 24 24 20, 26 23 25 23 23 20, 25 22 26 22 23 20, 24 22 25 23 22 19,
    24 20 23 21 22 19, 26 22 26 24 24 21, 24 21 24 22 22 20, 24 21 24 23 22 19, 26 23 26 24 24 21, 25 22 26 24 24 20,
    26 24 26 24 25 22, 26 23 26 23 23 20, 26 23 25 24 24 22, 25 22 25 23 23 20, 25 21 24 23 23 20, 25 22 24 23 23 19,
    24 21 23 21 21 19, 26 23 26 24 24 21, 25 21 24 22 22 18, 25 22 25 22 22 20, 24 21 24 22 24 19, 24 21 24 22 21 18
"""


def test_crossed_components_of_penicillin():
    diameter = np.array([plate.split() for plate in PENICILLIN.split(",")], float)
    plate, sample = (axis.ravel() for axis in np.indices(diameter.shape))
    found = mixed.fit(diameter.ravel(), np.ones((diameter.size, 1)), {"plate": plate, "sample": sample})
    sd = {name: variance**0.5 for name, variance in found.variances.items()}
    assert sd == pytest.approx({"plate": 0.8467, "sample": 1.9316, "take": 0.5499}, abs=5e-5)
    # of a balanced design the mean squares of the analysis of variance give the same (Searle, Casella & McCulloch 1992)
    mean = diameter.mean()
    plates = 6 * diameter.mean(axis=1).var(ddof=1)
    samples = 24 * diameter.mean(axis=0).var(ddof=1)
    left = diameter - diameter.mean(axis=1, keepdims=True) - diameter.mean(axis=0) + mean
    error = (left**2).sum() / (23 * 5)
    assert list(found.variances.values()) == pytest.approx([(plates - error) / 6, (samples - error) / 24, error])
    # variance of the mean, and Satterthwaite's degrees of freedom of that sum of mean squares
    squares = np.array([plates, samples, -error])
    estimate, se, df = found.contrast(np.ones(1))
    assert (estimate, se) == pytest.approx((mean, (squares.sum() / 144) ** 0.5))
    assert df == pytest.approx(squares.sum() ** 2 / (squares**2 / [23, 5, 115]).sum())


# Productivity of six workers on three machines (nlme's `Machines`; Milliken & Johnson), data as read in
# csv/nlme/Machines.csv of vincentarelbundock/Rdatasets on GitHub. Repeats do not stand in for workers: standard error
# of a difference 2.17698 (nlme, from memory; here also from the mean square of workers and machines), not 0.3205.
MACHINES = {
    1: "52 52.8 53.1 62.1 62.6 64 67.5 67.2 66.9", 2: "51.8 52.8 53.1 59.7 60 59 61.5 61.7 62.3",
    3: "60 60.2 58.4 68.6 65.8 69.7 70.8 70.6 71", 4: "51.1 52.3 50.3 63.2 62.8 62.2 64.1 66.2 64",
    5: "50.9 51.8 51.4 64.8 65 65.4 72.1 72 71.1", 6: "46.4 44.8 49.2 43.7 44.2 43 62 61.4 60.5",
}  # fmt: skip


def test_repeats_do_not_stand_in_for_units():
    # a worker at a machine is the unit (here instrument), the worker the block (session), the machine the factor
    rows = [
        (f"{machine}{worker}", f"w{worker}", "", "up", "slurred", float(value))
        for worker, values in MACHINES.items()
        for machine, value in zip("AAABBBCCC", values.split(), strict=True)
    ]
    found = judged(rows, {f"{machine}{worker}": machine for machine in "ABC" for worker in MACHINES})
    means = {"A": 52.3556, "B": 60.3222, "C": 66.2722}
    cells = np.array([values.split() for values in MACHINES.values()], float).reshape(6, 3, 3).mean(axis=2)
    left = cells - cells.mean(axis=1, keepdims=True) - cells.mean(axis=0) + cells.mean()
    assert (2 * (left**2).sum() / 10 / 6) ** 0.5 == pytest.approx(2.17698, rel=1e-5)
    for words, result in found.items():
        a, b = words.split(" - ")
        assert result["se"] == pytest.approx(2.17698, rel=1e-4)
        assert result["estimate"] == pytest.approx(means[a] - means[b], abs=1e-3)
        assert result["df"] == pytest.approx(10, abs=0.05)


# Yield of dyestuff, six batches of five (Davies & Goldsmith 1972), data as read in csv/lme4/Dyestuff.csv of
# vincentarelbundock/Rdatasets on GitHub. Standard deviations 42.0006 between batches and 49.5101 within (lme4, from
# memory; here also from the mean squares).
DYESTUFF = [
    "1545 1440 1440 1520 1580", "1540 1555 1490 1560 1495", "1595 1550 1605 1510 1560",
    "1445 1440 1595 1465 1545", "1595 1630 1515 1635 1625", "1520 1455 1450 1480 1445",
]  # fmt: skip


def test_components_of_dyestuff():
    rows = [(f"b{i}", "s", "", "up", "slurred", float(v)) for i, batch in enumerate(DYESTUFF) for v in batch.split()]
    takes = pd.DataFrame(rows, columns=COLUMNS).assign(state="x")
    found = {row["component"]: row for row in components(takes, np.full(len(takes), "f"), np.nan)}
    yields = np.array([batch.split() for batch in DYESTUFF], float)
    within, between = yields.var(axis=1, ddof=1).mean(), 5 * yields.mean(axis=1).var(ddof=1)
    assert [within**0.5, ((between - within) / 5) ** 0.5] == pytest.approx([49.5101, 42.0006], abs=5e-5)
    assert found["instrument"]["sd"] == pytest.approx(42.0006, abs=1e-3)
    assert found["take"]["sd"] == pytest.approx(49.5101, abs=1e-3)
    # 24 s² / chi-square, exact for the scatter within: chi-square 36.415 and 13.848 at 5 and 95 % with 24 degrees
    assert found["take"]["low"] == pytest.approx(49.5101 * np.sqrt(24 / 36.415), rel=1e-4)
    assert found["take"]["high"] == pytest.approx(49.5101 * np.sqrt(24 / 13.848), rel=1e-4)
    assert found["session"]["reason"] == "only one session"
