"""The odd one out: an instrument unlike the others of its model as a whole.

Each instrument in a state is a point of few features; the others' middle and scatter are estimated robustly by the
minimum covariance determinant (Rousseeuw & Van Driessen 1999, Technometrics 41, 212; scikit-learn), which a few odd
ones cannot pull. How far the farthest of so many like instruments lies by chance is found by drawing normal ones.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.arrays import Floats
from evenbore.findings.rows import MAD_TO_SD
from evenbore.setups.octaves import OCTAVES

# In the order in which few instruments can afford them.
FEATURES = {
    "spread": "spread of pitch",
    "bright": "treble",
    "offset": "overall pitch",
    "noise": "noise against tone",
    "level": "level",
}
# ASSUME: own choice, no source.
FEWEST_OF_MODEL = 8  # instruments of a model
EACH = 6  # instruments that every feature needs
CHANCE = 0.02  # that any of a model's instruments is called odd
CHANCE_DRAWS = 200


@dataclass(frozen=True)
class Odd:
    """`owner`: (instrument, state); `p`: how often the farthest of like instruments lies as far; `away`: feature ->
    robust standard deviations from the others; `others`: how many."""

    owner: tuple[str, str]
    p: float
    away: dict[str, float]
    others: int


def features(notes: pd.DataFrame) -> pd.DataFrame:
    """FEATURES of every (instrument, state): medians over takes and notes of `notes` played alike."""
    bright = notes[OCTAVES[1]] - notes["level_dbfs"]
    notes = notes.assign(bright=bright, noise=notes["noise_high_db"], level=notes["level_dbfs"], offset=notes["cents"])
    for name in ("bright", "noise", "level"):
        notes[name] -= notes.groupby("midi")[name].transform("median")
    owner = notes.groupby(["instrument", "state"], sort=False)
    table = owner[["bright", "noise", "level", "offset"]].median()
    away = notes["cents"] - owner["cents"].transform("median")
    scatter = MAD_TO_SD * away.abs().groupby([notes["instrument"], notes["state"]], sort=False).median()
    table["spread"] = np.log(np.maximum(scatter, 0.1))
    return table[list(FEATURES)].astype(float)


def odd_ones(table: pd.DataFrame) -> list[Odd]:
    """The odd ones among the instruments of one model, `table` as from `features`."""
    table = table.dropna(axis=1, how="any")
    count = len(table)
    table = table.iloc[:, : count // EACH]
    if count < FEWEST_OF_MODEL or table.shape[1] == 0:
        return []
    values = table.to_numpy()
    middle = np.median(values, axis=0)
    sd = np.maximum(MAD_TO_SD * np.median(np.abs(values - middle), axis=0), 1e-6)
    standard = (values - middle) / sd
    distance = distances(standard)
    # robust distances reach further by chance than those from a known middle, which are chi-square: spare the drawing
    if distance.max() < 2 * special.gammaincinv(table.shape[1] / 2, (1 - CHANCE) ** (1 / count)):
        return []
    by_chance, odd_instruments = farthest_by_chance(count, table.shape[1]), []
    for i in np.flatnonzero(distance > np.quantile(by_chance, 1 - CHANCE)).tolist():
        p = (1 + int((by_chance >= distance[i]).sum())) / (1 + CHANCE_DRAWS)
        away = dict(zip(table.columns, standard[i].tolist(), strict=True))
        odd_instruments.append(Odd(table.index[i], p, away, count - 1))
    return odd_instruments


def distances(values: Floats) -> Floats:
    """Robust squared distance (n,) of each row of values (n, p) from their middle."""
    # here, because it costs half a second and few studies have so many of a model
    from sklearn.covariance import MinCovDet  # type: ignore[import-untyped]  # the library has no types

    squared: Floats = MinCovDet(random_state=0).fit(values).mahalanobis(values)
    return squared


@cache
def farthest_by_chance(n: int, p: int) -> Floats:
    """Largest of the robust distances of n normal points in p dimensions, (CHANCE_DRAWS,)."""
    rng = np.random.default_rng([n, p])
    return np.array([distances(rng.standard_normal((n, p))).max() for _ in range(CHANCE_DRAWS)])
