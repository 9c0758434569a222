"""Whether an instrument recorded in several sessions is the same one in all of them, by its curve of pitch over the
notes.

The curve is an instrument's own: room and microphone do not move pitch, and what the whole take is off is taken out.
The mean square difference of an instrument's curves in two sessions is either what takes and days scatter (as assumed,
or as the nearest of the study's shared instruments show), or what two instruments differ by in the same two sessions
(the median over all pairs of different ones). Told is what is likelier the second, either being a chi-square of that
mean (a likelihood ratio of one). Where instruments differ by hardly more than days, as twins do, nothing is told.
Brightness does not serve: the links put it right, a wrong one too.

Cents; NaN where a note is missing. Own definition.
"""

from collections.abc import Iterator, Mapping
from itertools import combinations, product
from typing import NamedTuple

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats

# ASSUME: a note of one instrument scatters from day to day by so many standard deviations of single takes; no source
DAY_RATIO = 0.7
# ASSUME: own choice, no source.
FEWEST_SHARED = 12  # notes that two curves share
FEWEST_APART = 3  # pairs of different instruments
FEWEST_OWN = 3  # pairs of sessions with a shared instrument, of which the nearest say how far days lie apart
USUAL = 0.25  # of these pairs, so that the wrong ones do not count
# ASSUME: tuned by trial on drawn studies
FARTHER = 2.0  # times further (mean square) than from day to day different instruments must lie, to tell anything
FAR_NOTE = 3.0  # robust standard deviations beyond which a note counts no further, for slips happen
_MAD_TO_SD = 1.4826
_CELL = ["instrument", "state", "session"]
_NOTE = ["direction", "articulation", "midi"]


class Unlike(NamedTuple):
    """An instrument in a state whose notes in `session` lie from those in `other` as two instruments' do."""

    instrument: str
    state: str
    session: str
    other: str


def unlike_itself(notes: pd.DataFrame, families: Mapping[str, str], base_dynamic: str) -> list[Unlike]:
    """The instruments that are not the same in two sessions, with each such pair of sessions.

    `notes`: the table of notes, without those that do not count; `families`: family key per instrument.
    """
    at_base = notes[(notes["dynamic"] == base_dynamic) & notes["cents"].notna()]
    kinds = at_base["instrument"].map(families)
    return [one for _, of_kind in at_base.groupby(kinds) for one in _of_family(of_kind)]


def unlike_sessions(comparability: pd.DataFrame) -> dict[str, set[frozenset[str]]]:
    """Instrument -> the pairs of sessions in which it is not the same, from the table `comparability`."""
    pairs: dict[str, set[frozenset[str]]] = {}
    for session, name, others in comparability.dropna(subset="unlike")[["session", "instrument", "unlike"]].to_numpy():
        if others:
            pairs.setdefault(name, set()).update(frozenset((session, other)) for other in others.split())
    return pairs


def unlike_words(comparability: pd.DataFrame) -> dict[str, str]:
    """The same in words."""
    words = {}
    for name, pairs in unlike_sessions(comparability).items():
        told = ", ".join(" and ".join(pair) for pair in sorted(map(sorted, pairs)))
        words[name] = (
            f"{name} does not repeat itself: its notes lie as far apart in sessions {told} as those of two instruments."
            " Another instrument under this id, or changed between?"
        )
    return words


def _of_family(notes: pd.DataFrame) -> Iterator[Unlike]:
    takes = notes.groupby([*_CELL, "recording", *_NOTE])["cents"].mean().unstack(_NOTE)
    takes = takes.sub(takes.median(axis=1), axis=0)
    cells = takes.groupby(level=_CELL)
    takes_of = cells.transform("count")
    # of one take from the mean of all that hold the note, itself among them
    away = (takes - cells.transform("mean")) * np.sqrt(takes_of / (takes_of - 1).where(takes_of > 1))
    scatter = _MAD_TO_SD * float(np.nanmedian(np.abs(away.to_numpy()))) if away.notna().any(axis=None) else np.nan
    curves, counts = cells.mean(), cells.count().to_numpy(float)
    keys, values = curves.index.to_frame(index=False), curves.to_numpy(float)
    name, state = (keys[column].to_numpy(object) for column in ("instrument", "state"))
    places = keys.groupby("session").indices
    own: list[tuple[Unlike, float, float, float]] = []  # with its mean square, that of days, that of others
    for session, other in combinations(places, 2):
        pairs = list(product(places[session], places[other]))
        shared = [(i, j) for i, j in pairs if (name[i], state[i]) == (name[j], state[j])]
        if not shared or not scatter > 0:
            continue
        here, there = np.array([(i, j) for i, j in pairs if name[i] != name[j]], int).reshape(-1, 2).T
        apart = _mean_squares(values[here] - values[there])
        apart = apart[np.isfinite(apart)]
        if apart.size < FEWEST_APART:
            continue
        for i, j in shared:
            known = (counts[i] > 0) & (counts[j] > 0)
            noise = np.mean(1 / counts[i][known] + 1 / counts[j][known]) if known.any() else np.nan
            of_days = scatter**2 * (noise + 2 * DAY_RATIO**2)
            square = float(_mean_squares(values[[i]] - values[[j]])[0])
            own.append((Unlike(name[i], state[i], str(session), str(other)), square, of_days, float(np.median(apart))))
    squares = np.array([square for _, square, *_ in own if np.isfinite(square)])
    usual = np.quantile(squares, USUAL, method="lower") if squares.size >= FEWEST_OWN else 0.0
    for one, square, of_days, of_others in own:
        if _likelier(square, max(of_days, usual), of_others):
            yield one


def _likelier(square: float, same: float, different: float) -> bool:
    """Whether a mean square is likelier a chi-square of the mean `different` than of the mean `same`."""
    if not different >= FARTHER * same:
        return False
    return bool(square > same * different * np.log(different / same) / (different - same))


def _mean_squares(difference: Floats) -> Floats:
    """Mean squares (P,) of the known notes of curves (P, N) about their medians; NaN where they are few."""
    known = np.isfinite(difference).sum(axis=1)
    enough = known >= FEWEST_SHARED
    away = difference[enough] - np.nanmedian(difference[enough], axis=1, keepdims=True)
    most = FAR_NOTE * _MAD_TO_SD * np.nanmedian(np.abs(away), axis=1, keepdims=True)
    squares = np.full(known.size, np.nan)
    squares[enough] = np.nansum(np.clip(away, -most, most) ** 2, axis=1) / (known[enough] - 1)
    return squares
