"""What a property of the instruments does to the tone, harmonic by harmonic: a curve with one band, and one test.

Conventions
- The unit of replication is the instrument: its curve is the mean over its takes at the base dynamic, each session,
  player and manner counting alike, brought to the common loudness, from its own mean over the harmonics.
- A linear model of the instruments' curves, one harmonic as the other: the factor beside the blocks of instruments
  recorded in the same sessions by the same players (what these add is the same for all of a block).
- What chance does is drawn by exchanging the instruments' whole residual curves within their blocks and fitting anew
  (ter Braak 1992, in Bootstrapping and Related Techniques, 79, from memory).
- The band holds all harmonics at once: the standard errors times the 90 % point of the largest |t| over the harmonics
  (after Westfall & Young 1993, Resampling-Based Multiple Testing, from memory).
- One p for the curve as a whole, by the sum of t² over the harmonics; adjusted over the contrasts of a factor.
- `most_db`: no harmonic differs by more than this, by the band. What listeners notice of brightness as a whole stands
  with the criterion in the table `factors`.
Levels dB; arrays over instruments n and harmonics H.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from evenbore.compare.factors import (
    NOT_APART,
    ONE_EACH,
    PERMUTATIONS,
    STRATUM,
    TOO_FEW,
    Factor,
    exchanged,
    factor_of,
    models,
    played_on,
)
from evenbore.compare.multiplicity import adjusted
from evenbore.facts.arrays import Floats, Ints
from evenbore.facts.columns import names
from evenbore.facts.rows import Row
from evenbore.setups.loudness import match_loudness
from evenbore.setups.tone import RELATIVE_TILT
from evenbore.statistics import mixed
from evenbore.statistics.student import CONFIDENCE

_MOST_HARMONICS = 20
LEAST_HARMONICS = 3
LEAST_NOTES = 5  # of a take that hold the harmonic
AT_ONCE = 2_000_000  # numbers of exchanged curves held in memory at a time
LEAST_DB = 1e-9  # an error: of curves that are all alike
NO_CURVES = "fewer than three harmonics that all instruments have"


def tone_factors_table(
    tone: pd.DataFrame, notes: pd.DataFrame, sheet: Mapping[str, Row], recordings: Mapping[str, Row],
    states: Mapping[str, str], base_dynamic: str, setting: str | list[str], seed: int,
) -> pd.DataFrame:  # fmt: skip
    """The tone_factors table of a study.

    `tone`, `notes`: from `normalise`; `sheet`, `recordings`: rows of the sheets by id; `states`: state compared per
    instrument; `setting`: the config's `factors`.
    """
    curves = played_curves(tone, notes, sheet, recordings, states, base_dynamic)
    rows: list[Row] = []
    kinds = dict.fromkeys(sheet[name]["family"] for name in sheet if name in states)
    for column in dict.fromkeys(column for columns in models(setting, sheet) for column in columns):
        for family in kinds:
            own = curves[np.array([sheet[name]["family"] == family for name in curves["instrument"]], bool)]
            factor = factor_of(column, sheet, own["instrument"].unique().tolist())
            base = {"factor": column, "family": family, "unit": "dB"}
            found = judge_tone(own, factor, np.random.default_rng([seed, len(rows)]))
            rows += [base | row for row in _adjusted(found)]
    return pd.DataFrame(rows, columns=names("tone_factors"))


def played_curves(
    tone: pd.DataFrame, notes: pd.DataFrame, sheet: Mapping[str, Row], recordings: Mapping[str, Row],
    states: Mapping[str, str], base_dynamic: str,
) -> pd.DataFrame:  # fmt: skip
    """One row per take at the base dynamic: its STRATUM, instrument, and its curve (columns 1 ... H), at the common
    loudness: what the take's being louder adds along its instrument's curve over loudness is taken off."""
    takes = notes.drop_duplicates("recording").set_index("recording")
    takes = takes[(takes["dynamic"] == base_dynamic) & (takes["state"] == takes["instrument"].map(states))]
    heard = tone[(tone["n_notes"] >= LEAST_NOTES) & (tone["harmonic"] <= _MOST_HARMONICS)]
    wide = heard.pivot(index="recording", columns="harmonic", values="level_db")
    takes = takes[takes.index.isin(wide.index)]
    wide = wide.reindex(takes.index)
    matched = match_loudness(notes, RELATIVE_TILT, {name: row["family"] for name, row in sheet.items()})
    if not matched.slopes.empty:
        slope = matched.slopes["slope"].reindex(pd.MultiIndex.from_frame(takes[["instrument", "state"]])).to_numpy()
        over = slope * matched.over.reindex(takes.index).to_numpy()
        wide = wide - over[:, None] * np.log2(wide.columns.to_numpy(float))
    keys = takes[["instrument", "session", "direction", "articulation"]]
    return keys.assign(**played_on(takes.index, recordings)).join(wide)


def judge_tone(curves: pd.DataFrame, factor: Factor, rng: np.random.Generator) -> list[Row]:
    """Test one factor on the curves (rows of `played_curves`) of one kind of instrument: a row for each contrast and
    harmonic, or one with the reason."""
    contrasts = factor.contrasts()
    if not contrasts:
        return [{"n_instruments": len(factor.levels), "reason": ONE_EACH}]
    means, block = instrument_curves(curves)
    means = means.dropna(axis=1)
    if means.shape[1] < LEAST_HARMONICS:
        return [{"contrast": text, "n_instruments": len(members), "reason": NO_CURVES}
                for text, _, members in contrasts]  # fmt: skip
    units, level = means.index.tolist(), means.to_numpy(float)
    level = level - level.mean(axis=1, keepdims=True)
    beside = mixed.indicators(block)
    wanted = factor.columns(units)
    kept = mixed.independent_columns(beside, wanted)
    design = np.column_stack([beside, wanted[:, kept]])
    df = len(units) - design.shape[1]
    rows: list[Row] = []
    for text, weights, members in contrasts:
        base: Row = {"contrast": text, "n_instruments": len(members)}
        if df < 2 or weights[~kept].any():
            rows.append(base | {"reason": TOO_FEW if df < 2 else NOT_APART})
            continue
        full = np.concatenate([np.zeros(beside.shape[1]), weights[kept]])
        estimate, reach, p = simultaneous_band(level, design, full, block, rng)
        ends = np.abs(estimate) + reach
        rows += [
            base | {"harmonic": harmonic, "estimate": estimate[h], "low": estimate[h] - reach[h],
                    "high": estimate[h] + reach[h], "p": p, "most_db": ends.max()}
            for h, harmonic in enumerate(means)
        ]  # fmt: skip
    return rows


def instrument_curves(curves: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Mean curves by instrument, a column for each harmonic, NaN where no take has it, and the block (n,) of each:
    those recorded in the same strata. Each STRATUM counts alike."""
    columns = [column for column in curves.columns if isinstance(column, int)]
    means = curves.groupby(["instrument", *STRATUM], sort=False)[columns].mean()
    of_instrument = means.groupby(level="instrument", sort=False)
    strata = {name: frozenset(index[1:] for index in part.index) for name, part in of_instrument}
    mean = of_instrument.mean()
    known: dict[frozenset[tuple[str, ...]], int] = {}
    block = np.array([known.setdefault(strata[name], len(known)) for name in mean.index], int)
    return mean, block


def simultaneous_band(
    level: Floats, design: Floats, full: Floats, block: Ints, rng: np.random.Generator
) -> tuple[Floats, Floats, float]:
    """Estimate (H,) of the contrast `full` of the design's columns, half of its band over all harmonics (H,), and p."""
    solve = np.linalg.pinv(design)
    left = level - design @ (solve @ level)
    take = full @ solve
    df = len(design) - design.shape[1]
    unit = np.sqrt(take @ take / df)

    def error(residual: Floats) -> Floats:
        errors: Floats = unit * np.sqrt(np.square(residual - design @ (solve @ residual)).sum(axis=-2))
        return errors

    drawn = []
    at_once = max(1, AT_ONCE // level.size)
    for done in range(0, PERMUTATIONS + 1, at_once):
        chance = left[exchanged(block, min(at_once, PERMUTATIONS + 1 - done), rng)]
        t = np.abs(take @ chance) / np.maximum(error(chance), LEAST_DB)
        drawn.append(np.column_stack([t.max(axis=1), np.square(t).sum(axis=1)]))
    largest, squares = np.concatenate(drawn).T
    estimate, own = take @ level, error(left)
    seen = np.square(estimate / np.maximum(own, LEAST_DB)).sum()
    p = (1 + (squares >= seen * (1 - 1e-9)).sum()) / (1 + squares.size)
    return estimate, np.quantile(largest, CONFIDENCE) * own, float(p)


def _adjusted(rows: list[Row]) -> list[Row]:
    """The rows of one factor with p_adjusted over its contrasts."""
    known = {row["contrast"]: row["p"] for row in rows if np.isfinite(row.get("p", np.nan))}
    if known:
        told = dict(zip(known, adjusted(np.array([*known.values()])).tolist(), strict=True))
        for row in rows:
            row["p_adjusted"] = told.get(row["contrast"], np.nan)
    return rows
