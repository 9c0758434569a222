"""Whole studies of drawn values with known truth, judged by the program's own steps.

A study has twelve instruments of one family. Take = true value + what the session adds to all + the instrument's own
day + scatter of the take (standard deviation 1 unless said otherwise).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from evenbore.compare import pairs, rank
from evenbore.judge.assess import without_session_offsets
from evenbore.judge.repeatability import error_parts, repeatability
from evenbore.judge.values import criteria_table
from evenbore.statistics.student import CONFIDENCE, half_width

INSTRUMENTS = 12
STATE = "as_found"
NO_SHIFTS = pd.DataFrame(columns=["instrument", "state", "criterion", "component", "shift"])


@dataclass(frozen=True)
class Layout:
    """`sessions` sessions, the first `shared` instruments in all of them, the others in one each; `takes` in each."""

    sessions: int = 1
    shared: int = 0
    takes: int = 4

    def cells(self) -> np.ndarray:
        """Instrument and session of every take (T, 2)."""
        every = range(self.sessions)
        return np.array(
            [
                (i, s)
                for i in range(INSTRUMENTS)
                for s in (every if i < self.shared else [i % self.sessions])
                for _ in range(self.takes)
            ]
        )


def name(instrument: int) -> str:
    """Id of an instrument; ids sort as the numbers do."""
    return f"x{instrument:02d}"


def draw_takes(rng, layout: Layout, truth: Mapping[str, np.ndarray], sd: float = 1.0, session_sd=0.0, day_sd=0.0):
    """The takes table of a study; `truth`: criterion -> true values (I,)."""
    i, s = layout.cells().T
    parts = []
    for criterion, values in truth.items():
        session = rng.normal(0, session_sd, layout.sessions)
        day = rng.normal(0, day_sd, (INSTRUMENTS, layout.sessions))
        parts.append(
            pd.DataFrame(
                {
                    "instrument": [name(k) for k in i],
                    "state": STATE,
                    "session": [f"s{k}" for k in s],
                    "recording": [f"r{k}" for k in range(len(i))],
                    "direction": "up",
                    "criterion": criterion,
                    "value": np.asarray(values)[i] + session[s] + day[i, s] + rng.normal(0, sd, len(i)),
                }
            )
        )
    return without_session_offsets(pd.concat(parts, ignore_index=True))


def values_of(takes: pd.DataFrame) -> pd.DataFrame:
    """The instruments table of takes of one manner of playing, its group 1."""
    table = takes.groupby(["instrument", "state", "criterion"], as_index=False)["value"].mean()
    return table.assign(group=1, reason="")


def criteria_of(criteria, just_noticeable: Mapping[str, float]) -> pd.DataFrame:
    """Rows of the criteria table."""
    table = criteria_table(just_noticeable, "EUR")
    return table[table["criterion"].isin(list(criteria))]


def pairs_of(takes: pd.DataFrame, just_noticeable: Mapping[str, float]) -> pd.DataFrame:
    """The pairs table of a study."""
    table = values_of(takes)
    states = dict.fromkeys(table["instrument"].unique(), STATE)
    families = dict.fromkeys(states, "saxophone_alto")
    criteria = criteria_of(takes["criterion"].unique(), just_noticeable)
    return pd.concat(pairs.pairs_table(table, takes, NO_SHIFTS, criteria, states, families), ignore_index=True)


def covered(table: pd.DataFrame, truth: np.ndarray) -> float:
    """Share of the pairs of one criterion whose interval holds the true difference."""
    a, b = (table[side].str[1:].astype(int).to_numpy() for side in ("instrument_a", "instrument_b"))
    difference = truth[a] - truth[b]
    return float(((table["low"] <= difference) & (difference <= table["high"])).mean())


def values_covered(takes: pd.DataFrame, truth: np.ndarray) -> float:
    """Share of the instruments of a study of one criterion and session whose interval holds the true value."""
    known = repeatability(takes, additive=True)
    owners, of_takes, of_days = error_parts(takes, additive=True)
    scale = known.scale(np.diag(of_takes), np.diag(of_days))
    half = half_width(scale, known.freedom, known.shares, CONFIDENCE)
    value = takes.groupby(["instrument", "state"])["value"].mean().reindex(owners).to_numpy()
    return float((np.abs(value - truth) <= half).mean())


def first_places(takes: pd.DataFrame, truth: Mapping[str, np.ndarray], weights: np.ndarray, rng, draws: int):
    """Stated probabilities (I,) of the first place under `weights` (C,) of the criteria of `truth`, and the instrument
    that is truly first: by its true utility, under weights drawn as the program thinks a person means them."""
    criteria = criteria_of(truth, dict.fromkeys(truth, 1.0))
    table = values_of(takes)
    states = dict.fromkeys(table["instrument"].unique(), STATE)
    families = dict.fromkeys(states, "saxophone_alto")
    seed = int(rng.integers(2**31))
    (pool,) = rank.draw_pools(table, takes, NO_SHIFTS, criteria, states, families, seed, draws)
    given = {"own": dict(zip(truth, weights.tolist(), strict=True))}
    gates = dict.fromkeys(states, "pass")
    ranking = rank.rank_tables([pool], given, criteria, gates, set(), states, seed)["ranking"]
    stated = ranking.set_index("instrument")["p_first"].reindex(sorted(states)).to_numpy()

    meant = rng.dirichlet(rank.WEIGHT_CONCENTRATION * weights)
    utility = np.zeros(INSTRUMENTS)
    for (criterion, values), weight in zip(truth.items(), meant, strict=True):
        measured = table.loc[table["criterion"] == criterion, "value"].to_numpy()
        better = criteria.loc[criteria["criterion"] == criterion, "better"].item()
        middle = np.median(rank.oriented(measured, better))
        utility += weight * rank.utilities(rank.oriented(values, better)[None, :].copy(), middle, rng)[0]
    return stated, int(utility.argmax())
