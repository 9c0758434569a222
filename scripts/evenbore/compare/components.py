"""Where the scatter of a criterion comes from: instrument, session, player, take, and single notes within a take.

Instrument, session, player and take: variances of the mixed model of `factors`, without factors, by REML. The interval
of each takes its estimate as chi-square distributed with the degrees of freedom 2 v² / var(v) (Satterthwaite 1946,
Biometrics Bull. 2, 110), an approximation. A component that the sessions and players do not tell from another has no
value, and the reason says so.

Note: what the take's own scatter would be if nothing but single notes scattered, as they do between repeat takes once
each take's shift as a whole is gone: the criterion is computed anew from a cell's mean notes with such scatter drawn
upon them (parametric bootstrap, Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 6, from memory). The
component `take` is what the takes scatter beyond that. Not split for the criteria of two dynamics.
"""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import reduce
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from evenbore.compare.factors import SAME_VALUE
from evenbore.compare.pairs import of_criterion
from evenbore.facts.arrays import Floats
from evenbore.facts.columns import names
from evenbore.facts.criteria import MEASURED, Criterion
from evenbore.facts.rows import Row
from evenbore.judge.takes import prepared_takes
from evenbore.judge.values import COLUMNS, DEVIATIONS, FUNCTIONS, TOGETHER, TakeNotes
from evenbore.setups.comparability import session_groups
from evenbore.statistics import mixed
from evenbore.statistics.student import CONFIDENCE
from evenbore.trade.families import Family

BLOCKS = ("session", "player")
NOTE_DRAWS, CELL_DRAWS = 4000, 40  # of note scatter in all, and of a cell at the least: the SD is told to a hundredth
MOST_CELLS = 400  # of which it is drawn, evenly out of all
SAME = ("instrument", "state", "session", "direction", "articulation")  # of repeat takes
_Repeats: TypeAlias = tuple[Row, list[TakeNotes]]
ONE = "only one"
TANGLED = "not to be told from the instruments: record some instruments in several"
NOT_TOLD_APART = "no repeat takes: not to be told from the instruments"


def variance_table(
    played: pd.DataFrame, notes: pd.DataFrame, sheet: dict[str, Row], families: dict[str, Family], base_dynamic: str,
    seed: int,
) -> pd.DataFrame:  # fmt: skip
    """The variance table. `played`: takes as from `factors.played_takes`; `notes`: as from `normalise`."""
    cells = _cells(notes[notes["dynamic"] == base_dynamic], sheet, families)
    scatter = _note_scatter(cells)
    rows = []
    for number, criterion in enumerate(MEASURED):
        takes = of_criterion(played, criterion.name)
        if takes.empty:
            continue
        noted = note_variance(criterion, cells, scatter, [seed, number]) if criterion.kind == "take" else np.nan
        kinds = np.array([sheet[name]["family"] for name in takes["instrument"]])
        rows += [{"criterion": criterion.name, "unit": criterion.unit} | row for row in components(takes, kinds, noted)]
    return pd.DataFrame(rows, columns=names("variance"))


def components(takes: pd.DataFrame, kinds: NDArray[np.str_], noted: float) -> list[Row]:
    """Rows of one criterion. `kinds` (n,): family of each take; `noted`: variance that single notes make, or NaN."""
    groups = takes["session"].map(session_groups(takes.assign(status="ok")))
    fixed = np.column_stack([np.ones(len(takes)), mixed.indicators(kinds), mixed.indicators(groups)])
    fixed = fixed[:, mixed.independent_columns(np.empty((len(takes), 0)), fixed)]
    owner = (takes["instrument"] + "\n" + takes["state"]).to_numpy()
    labels, reasons = {"instrument": owner}, {}
    within = _within(fixed, owner)
    within = within[:, mixed.independent_columns(np.empty((len(takes), 0)), within)]
    for block in BLOCKS:
        if takes[block].nunique() < 2:
            reasons[block] = f"{ONE} {block}"
        elif not mixed.independent_columns(within, _within(mixed.indicators(takes[block]), owner)).any():
            reasons[block] = TANGLED
        else:
            labels[block] = takes[block].to_numpy()
    manners = np.column_stack([mixed.indicators(takes[column]) for column in ("direction", "articulation")])
    fixed = np.column_stack([fixed, manners[:, mixed.independent_columns(fixed, manners)]])
    owners = pd.Series(owner).nunique()
    beside = [mixed.indicators(levels) for name, levels in labels.items() if name != "instrument"]
    if owners < 2:
        reasons["instrument"] = f"{ONE} instrument"
        labels.pop("instrument")
    if owners + np.linalg.matrix_rank(_within(np.column_stack([fixed, *beside]), owner)) >= len(takes):
        return [
            _row(name, np.nan, np.nan, 0, reasons.get(name, NOT_TOLD_APART))
            for name in ("instrument", *BLOCKS, mixed.RESIDUAL)
        ]
    try:
        if np.ptp(takes["value"]) == 0:
            raise mixed.NoScatter(SAME_VALUE)
        fit = mixed.fit(takes["value"].to_numpy(float), fixed, labels)
    except mixed.NoScatter as why:
        return [_row(name, np.nan, np.nan, 0, str(why)) for name in ("instrument", *BLOCKS, mixed.RESIDUAL)]
    n = {name: len(set(levels)) for name, levels in labels.items()} | {mixed.RESIDUAL: len(takes)}
    error = dict(zip(fit.variances, np.diag(fit.variance_errors), strict=True))
    variance = {name: (v, error[name]) for name, v in fit.variances.items()}
    if np.isfinite(noted):
        variance |= _split(variance[mixed.RESIDUAL], noted)
        n["note"] = len(takes)
    total = sum(v for v, _ in variance.values())
    rows = [_row(name, *variance.get(name, (np.nan, np.nan)), n.get(name, 0), reasons.get(name, ""))
            for name in ("instrument", *BLOCKS, mixed.RESIDUAL, *(["note"] if "note" in variance else []))]  # fmt: skip
    for row in rows:
        row["share"] = row["sd"] ** 2 / total if total > 0 else np.nan
    return rows


def _within(columns: Floats, owner: NDArray[np.str_]) -> Floats:
    """What is left of columns (n, q) when each owner's mean is taken out: what an indicator of each owner does not
    explain, without so many columns."""
    frame = pd.DataFrame(columns)
    return (frame - frame.groupby(owner).transform("mean")).to_numpy()


def _split(residual: tuple[float, float], noted: float) -> dict[str, tuple[float, float]]:
    """Take and note out of the scatter between takes; each keeps the relative error of the whole."""
    whole, error = residual
    note = min(noted, whole)
    relative = error / whole**2 if whole > 0 else 0.0
    return {mixed.RESIDUAL: (whole - note, relative * (whole - note) ** 2), "note": (note, relative * note**2)}


def _row(component: str, variance: float, error: float, n: int, reason: str) -> Row:
    low = high = np.nan
    if error > 0:
        df = 2 * variance**2 / error
        if df > 0.5:
            quantiles = 2 * special.gammaincinv(df / 2, [(1 + CONFIDENCE) / 2, (1 - CONFIDENCE) / 2])
            low, high = np.sqrt(df * variance / quantiles)
        else:  # hardly any: nothing but an upper end can be told
            low, high = 0.0, np.sqrt(variance + special.ndtri((1 + CONFIDENCE) / 2) * np.sqrt(error))
    sd = np.sqrt(variance)
    return {"component": component, "sd": sd, "low": low, "high": high, "n": n or pd.NA, "reason": reason}


def _cells(notes: pd.DataFrame, sheet: dict[str, Row], families: dict[str, Family]) -> list[_Repeats]:
    """Repeat takes of the same thing (two or more), cut to the notes that all of them hold, with the key of the first;
    in no order but that of their keys."""
    cells: dict[tuple[str, ...], list[tuple[Row, TakeNotes]]] = {}
    for key, take in prepared_takes(notes, sheet, families):
        cells.setdefault(tuple(key[k] for k in SAME), []).append((key, take))
    repeated = []
    for _, members in sorted(cells.items()):
        if len(members) > 1:
            shared = reduce(np.intersect1d, (take.written for _, take in members))
            repeated.append((members[0][0], [take.only(shared) for _, take in members]))
    return repeated


def _note_scatter(cells: Sequence[_Repeats]) -> dict[str, float]:
    """Measure -> standard deviation of single notes between repeats, each take's own mean taken out; NaN if unknown."""
    scatter = {}
    for measure in COLUMNS:
        squares, freedom = 0.0, 0
        for _, takes in cells:
            values = np.array([getattr(take, measure) for take in takes])
            values = values[:, np.isfinite(values).all(axis=0)]
            if values.shape[1] < 2:
                continue
            left = values - values.mean(axis=0) - values.mean(axis=1, keepdims=True) + values.mean()
            squares += (left**2).sum()
            freedom += (values.shape[0] - 1) * (values.shape[1] - 1)
        scatter[measure] = np.sqrt(squares / freedom) if freedom else np.nan
    return scatter


def note_variance(
    criterion: Criterion, cells: Sequence[_Repeats], scatter: Mapping[str, float], seed: list[int]
) -> float:
    """Variance that the scatter of single notes makes in a criterion, mean over the cells; NaN where unknown."""
    variances = []
    cells = [(key, takes) for key, takes in cells if criterion.articulation in ("", key["articulation"])]
    cells = cells[:: -(-len(cells) // MOST_CELLS) or 1]
    for key, takes in cells:
        # a cell's draws are its own, whatever other cells there are
        rng = np.random.default_rng([*seed, zlib.crc32("\n".join(key[k] for k in SAME).encode())])
        middle = {measure: np.mean([getattr(take, measure) for take in takes], axis=0) for measure in COLUMNS}
        notes = np.array([*middle.values()])
        scattered = rng.normal(0.0, 1.0, (max(CELL_DRAWS, -(-NOTE_DRAWS // len(cells))), *notes.shape))
        scattered = notes + scattered * np.array([scatter[measure] for measure in middle])[:, None]
        drawn = dict(zip(middle, scattered.swapaxes(0, 1), strict=True))
        if criterion.name in TOGETHER:
            values = np.array(TOGETHER[criterion.name]([replace(takes[0], cents=cents) for cents in drawn["cents"]]))
        else:
            values = np.broadcast_to(FUNCTIONS[criterion.name](replace(takes[0], **drawn)), len(scattered))
        if criterion.name in DEVIATIONS:  # the inflation by the scatter is taken out of the value, as in `assess`
            still = FUNCTIONS[criterion.name](replace(takes[0], **middle))
            values = np.sqrt(np.maximum(values**2 - (values**2).mean() + still**2, 0.0))
        variances.append(values.var(ddof=1))
    variances = [variance for variance in variances if np.isfinite(variance)]
    return float(np.mean(variances)) if variances else np.nan
