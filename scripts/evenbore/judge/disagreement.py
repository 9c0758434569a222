"""Takes that disagree: repeats of the same thing that lie further apart than those of the other instruments.

A cell is an instrument in a state and session; k is the standard deviation of its takes over that pooled from all cells
(Mandel's k, ISO 5725-2:1994, 7.3.1, from memory; a laboratory of the standard is a cell here). Its chance is that of F,
its variance over that of the other cells. Mandel's h, how far a laboratory's mean lies from the others', has no place
here: instruments do differ. Told is what chance gives to a study in FALSE_REMARKS, and what can be heard: takes further
apart than a just-noticeable step.
"""

from collections.abc import Iterable
from typing import cast

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.arrays import Floats
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.words import joined
from evenbore.judge.repeatability import OWNER, played_alike

FALSE_REMARKS = 0.05  # chance of any in a study whose takes all scatter alike
ONE_APART = 3  # takes from which one can be told from the others


def mandel_k(squares: Floats, freedom: Floats) -> tuple[Floats, Floats]:
    """Mandel's k (C,) of cells and the chance of one as large, from their sums of squares (C,) and degrees of freedom
    (C,); NaN without any."""
    with np.errstate(divide="ignore", invalid="ignore"):
        k = np.sqrt(squares / freedom / (squares.sum() / freedom.sum()))
        others = (squares.sum() - squares) / (freedom.sum() - freedom)
        chance = special.fdtrc(freedom, freedom.sum() - freedom, squares / freedom / others)
    return k, np.asarray(chance)


def disagreeing(takes: pd.DataFrame) -> dict[tuple[str, str, str], str]:
    """(instrument, state, criterion) -> in words, which takes disagree. `takes`: as from `assess`."""
    tested = [one for criterion, of_one in takes.groupby("criterion") for one in _tested(str(criterion), of_one)]
    words: dict[tuple[str, str, str], list[str]] = {}
    for owner, chance, said in tested:
        if chance * len(tested) <= FALSE_REMARKS and said:
            words.setdefault(owner, []).append(said)
    return {owner: "; ".join(said) for owner, said in words.items()}


def with_disagreements(instruments: pd.DataFrame, takes: pd.DataFrame) -> pd.DataFrame:
    """The table `instruments` with `disagreeing` among the reasons."""
    told = disagreeing(takes)
    keys = zip(*(instruments[key] for key in (*OWNER, "criterion")), strict=True)
    reasons = zip(instruments["reason"], keys, strict=True)
    return instruments.assign(reason=[joined(why, told.get(key)) for why, key in reasons])


def _tested(criterion: str, takes: pd.DataFrame) -> Iterable[tuple[tuple[str, str, str], float, str]]:
    """Of every cell of several takes of one criterion: its owner, the chance of its k, and what would be told."""
    takes = takes.assign(value=played_alike(takes)[1])
    cells = [
        (cast(tuple[str, str, str], key), rows) for key, rows in takes.groupby([*OWNER, "session"]) if len(rows) > 1
    ]
    squares = np.array([rows["value"].var(ddof=0) * len(rows) for _, rows in cells])
    _, chances = mandel_k(squares, np.array([len(rows) - 1.0 for _, rows in cells]))
    step = CRITERIA[criterion].just_noticeable or CRITERIA[criterion].step or 0.0
    for (key, rows), chance in zip(cells, chances, strict=True):
        heard = np.ptp(rows["value"]) > step
        yield (key[0], key[1], criterion), float(chance), _words(rows) if heard else ""


def _words(rows: pd.DataFrame) -> str:
    """Which take stands apart; of two, or where none does, that they disagree."""
    away = (rows["value"] - rows["value"].median()).abs().sort_values()
    if len(rows) >= ONE_APART and away.iloc[-1] > 2 * away.iloc[-2]:
        return f"take {rows.loc[away.index[-1], 'recording']} stands apart from its other takes: listen to it"
    names = " and ".join(sorted(rows["recording"])) if len(rows) == 2 else f"of session {rows['session'].iloc[0]}"
    return f"its takes {names} lie further apart than others' do: listen to them"
