"""How well the same thing measured again agrees: ISO 5725-2:1994 for tables of repeat takes.

A cell is one instrument in one state; a laboratory of the standard is a recording session here, a test result
is a take. Standard deviations are in the unit of the values; NaN = not known.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

CELL = ["instrument", "state", "session"]


class Precision(NamedTuple):
    """One level of ISO 5725-2: mean, and repeatability, between-laboratory and reproducibility SD."""

    mean: float
    s_r: float
    s_l: float
    s_reproducibility: float


class Repeatability(NamedTuple):
    """Of one criterion, pooled over a study: `s_r` between takes of one cell and session, `df` its degrees of
    freedom; `s_s` between sessions of one instrument (0 when the data show none), `df_s` (0: nothing to tell by)."""

    s_r: float
    df: int
    s_s: float
    df_s: int


def precision(laboratories: list[np.ndarray]) -> Precision:
    """Precision of one level from each laboratory's results (ISO 5725-2:1994, 7.4 and 7.5).

    s_r² = Σ(n_i - 1)s_i² / Σ(n_i - 1); s_d² = Σ n_i (ȳ_i - m)² / (p - 1); n̿ = (Σn - Σn²/Σn) / (p - 1);
    s_L² = max(0, (s_d² - s_r²) / n̿); s_R² = s_r² + s_L².
    """
    n = np.array([len(results) for results in laboratories])
    means = np.array([np.mean(results) for results in laboratories])
    within = sum(
        ((np.asarray(results) - mean) ** 2).sum() for results, mean in zip(laboratories, means, strict=True)
    )
    p, total = len(n), n.sum()
    s_r2 = within / (total - p)
    mean = (n * means).sum() / total
    s_d2 = (n * (means - mean) ** 2).sum() / (p - 1)
    s_l2 = max(0.0, (s_d2 - s_r2) / ((total - (n**2).sum() / total) / (p - 1)))
    return Precision(float(mean), s_r2**0.5, s_l2**0.5, (s_r2 + s_l2) ** 0.5)


def direction_effects(takes: pd.DataFrame) -> pd.Series:
    """Effect of each direction (up, down, up-down) on the value, averaging zero over the directions.

    `takes`: columns CELL, direction, value. Directions are compared within cells only; a direction that no cell
    shares with another has no known effect and gets 0.
    """
    directions = pd.get_dummies(takes["direction"], dtype=float)
    within = directions - directions.groupby([takes[key] for key in CELL]).transform("mean")
    value = takes["value"] - takes.groupby(CELL)["value"].transform("mean")
    # the least-norm solution averages zero over directions joined within cells
    effects, *_ = np.linalg.lstsq(within.to_numpy(), value.to_numpy(float), rcond=1e-9)
    return pd.Series(effects, index=directions.columns)


def repeatability(takes: pd.DataFrame) -> Repeatability:
    """Pooled repeatability of one criterion from `takes` (columns CELL, direction, value; no NaN)."""
    adjusted = takes.assign(value=takes["value"] - takes["direction"].map(direction_effects(takes)))
    cells = adjusted.groupby(CELL)["value"]
    n_cells = cells.ngroups
    n_effects = takes.groupby(CELL)["direction"].nunique().max() - 1
    df = len(takes) - n_cells - n_effects
    if df <= 0:
        return Repeatability(np.nan, 0, 0.0, 0)
    s_r2 = float(((adjusted["value"] - cells.transform("mean")) ** 2).sum() / df)
    s_s2, df_s = _between_sessions(cells.agg(["mean", "size"]).reset_index(), s_r2)
    return Repeatability(s_r2**0.5, int(df), s_s2**0.5, df_s)


def _between_sessions(cells: pd.DataFrame, s_r2: float) -> tuple[float, int]:
    """Variance between sessions of one instrument in one state, pooled, by the method of moments."""
    keys = [cells["instrument"], cells["state"]]
    cells = cells[cells.groupby(keys)["session"].transform("size") > 1]
    keys = [cells["instrument"], cells["state"]]
    df = len(cells) - cells.groupby(keys).ngroups
    if df == 0:
        return 0.0, 0
    total = cells["size"].groupby(keys).transform("sum")
    centre = (cells["mean"] * cells["size"]).groupby(keys).transform("sum") / total
    mean_square = (cells["size"] * (cells["mean"] - centre) ** 2).sum() / df
    weight = (cells["size"].sum() - (cells["size"] ** 2 / total).sum()) / df
    return float(max(0.0, (mean_square - s_r2) / weight)), int(df)
