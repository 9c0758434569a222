"""Notes and registers out of tune beyond the tolerance, after the instrument's own offset is taken out.

An instrument's cents at a note are the mean over its takes at the base dynamic, each take's own offset taken out (see
`alignment`: a take may lack notes); their median is the instrument's offset, and what a note differs from it is its
deviation. Its standard error comes from the scatter of repeat takes, pooled over the study.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.arrays import Floats, Ints
from evenbore.findings.rows import MIN_PEERS
from evenbore.judge.repeatability import OWNER
from evenbore.statistics.alignment import take_offsets
from evenbore.trade.families import Family

REPEAT = ["instrument", "state", "session", "articulation", "direction"]
CERTAIN = 1.96  # standard errors
# ASSUME: own choice, no source.
MIN_OUTLIER_RUN = 3
MIN_PAIRS = 4


@dataclass(frozen=True)
class OutOfTune:
    """`kind` intonation_outlier or register_shift; `first`, `last` written notes and `n` how many; `cents`: mean
    deviation (for a width, the mean deviation of the interval); `confidence` that it is beyond the tolerance, NaN
    when nothing was repeated; `alike` of `others` instruments lie the same way by at least half the tolerance;
    `what`: "note", "run", "register" or "width"; `effects` (T,): cents by single takes; `name`: the register's or
    vent's name; `design`: in words, how many units of the same model share it, empty where it is this unit's own."""

    kind: str
    first: int
    last: int
    n: int
    cents: float
    confidence: float
    alike: int
    others: int
    what: str
    effects: Floats
    name: str = ""
    design: str = ""


def note_deviations(notes: pd.DataFrame, written: Ints) -> tuple[pd.DataFrame, pd.DataFrame, float]:
    """Deviations in cents of every (instrument, state) by written note, the same of every take, and s_r of one take.

    `notes`: notes of the base dynamic of one family. s_r is NaN without repeats.
    """
    grid = notes.assign(written=written).groupby([*REPEAT, "recording", "written"])["cents"].mean().unstack("written")
    grid = grid.astype(float)
    for rows in grid.groupby(level=["instrument", "state"]).indices.values():
        grid.iloc[rows] -= take_offsets(grid.to_numpy()[rows])[:, None]
    by = grid.groupby(level=REPEAT)
    away = grid - by.transform("mean")
    # an offset was fitted to every take
    freedom = int((by.count() - 1).clip(lower=0).to_numpy().sum() - (by.size() - 1).sum())
    s_r = float(np.sqrt(np.nansum(away.to_numpy() ** 2) / freedom)) if freedom > 0 else np.nan
    owner = grid.groupby(level=OWNER)
    mean, middle = owner.mean(), owner.transform("mean").median(axis=1)
    return mean.sub(mean.median(axis=1), axis=0), grid.sub(middle, axis=0), s_r


def out_of_tune(
    away: pd.DataFrame, takes: pd.DataFrame, s_r: float, owner: tuple[str, str], family: Family, tolerance: float,
    model: Collection[str] = (),
) -> list[OutOfTune]:  # fmt: skip
    """Findings of one (instrument, state) of `note_deviations`; `model`: the other instruments of the same model."""
    values, own = cast(pd.Series, away.loc[owner]).dropna(), cast(pd.DataFrame, takes.xs(owner, level=OWNER))
    error = cast(pd.Series, s_r / np.sqrt(own.count()[values.index]))
    others = away[away.index.get_level_values("instrument") != owner[0]]
    others = others.groupby(level="instrument").mean()

    def told(
        kind: str, notes: list[int], what: str, mean: float, se: float, theirs: pd.Series, effects: pd.Series,
        name: str = "",
    ) -> OutOfTune:  # fmt: skip
        return OutOfTune(
            kind, notes[0], notes[-1], len(notes), mean, _confidence(mean, se, tolerance),
            *_alike(theirs, mean, tolerance), what, effects.to_numpy(), name, _design(theirs, mean, tolerance, model),
        )  # fmt: skip

    def of_notes(kind: str, notes: list[int], what: str, name: str = "") -> OutOfTune:
        mean, se = float(values[notes].mean()), float(np.sqrt((error[notes].to_numpy() ** 2).sum()) / len(notes))
        return told(
            kind, notes, what, mean, se, others.reindex(columns=notes).mean(axis=1), own[notes].mean(axis=1), name
        )

    shifted = _shifted_registers(family, values, tolerance)
    rest = values.drop([note for notes in shifted.values() for note in notes])
    beyond = (rest.abs() > tolerance) & ~(rest.abs() < CERTAIN * error[rest.index])
    found = [of_notes("register_shift", notes, "register", name) for name, notes in shifted.items()]
    for run in _runs(rest, beyond):
        found.append(of_notes("intonation_outlier", run, "run" if len(run) > 1 else "note"))
    # the mean width of octaves or twelfths
    pairs = [(note, family.partner(int(note))) for note in values.index]
    pairs = [(low, high) for low, high in pairs if high in values.index] if family.overblow else []
    if len(pairs) >= MIN_PAIRS:
        low, high = (list(side) for side in zip(*pairs, strict=True))
        mean = float(np.mean(values[high].to_numpy() - values[low].to_numpy()))
        se = float(np.sqrt((error[low].to_numpy() ** 2 + error[high].to_numpy() ** 2).sum()) / len(pairs))
        if abs(mean) > tolerance and abs(mean) >= CERTAIN * se:
            theirs, effects = (
                rows.reindex(columns=high).sub(rows.reindex(columns=low).to_numpy()).mean(axis=1)
                for rows in (others, own)
            )
            found.append(told("register_shift", high, "width", mean, se, theirs, effects))
    return found


def _confidence(cents: float, se: float, tolerance: float) -> float:
    """Probability that the true value is beyond the tolerance; NaN without a standard error."""
    return float(special.ndtr((abs(cents) - tolerance) / max(se, 1e-6))) if np.isfinite(se) else np.nan


def _runs(values: pd.Series, beyond: pd.Series) -> list[list[int]]:
    """Neighbouring notes beyond the tolerance on the same side."""
    runs: list[list[int]] = []
    for note in values.index[beyond]:
        if runs and runs[-1][-1] == note - 1 and np.sign(values[note - 1]) == np.sign(values[note]):
            runs[-1].append(int(note))
        else:
            runs.append([int(note)])
    return runs


def _alike(others: pd.Series, mean: float, tolerance: float) -> tuple[int, int]:
    others = others.dropna()
    return int(((others * np.sign(mean)) >= tolerance / 2).sum()), len(others)


def _shifted_registers(family: Family, values: pd.Series, tolerance: float) -> dict[str, list[int]]:
    """Registers or vents with all notes on one side and their mean beyond the tolerance: name -> played notes."""
    out: dict[str, list[int]] = {}
    for group in (*family.registers, *family.vents):
        inside = values[(values.index >= group.low) & (values.index <= group.high)]
        taken = any(set(inside.index) & set(notes) for notes in out.values())
        if len(inside) < MIN_OUTLIER_RUN or taken:
            continue
        if abs(inside.mean()) > tolerance and (np.sign(inside) == np.sign(inside.mean())).all():
            out[group.name] = [int(note) for note in inside.index]
    return out


def _design(others: pd.Series, mean: float, tolerance: float, model: Collection[str]) -> str:
    """How many units of the model share a deviation, in words, if most do and this unit goes no further than the
    tolerance beyond their median; empty otherwise."""
    units = others[others.index.isin(model)].dropna()
    alike, known = _alike(units, mean, tolerance)
    shared = known >= MIN_PEERS and 2 * alike > known and abs(mean - units.median()) <= tolerance
    return f"{alike} of the {known} other units of its model" if shared else ""
