"""What a note's flags put in doubt is left out, here and for all stages: its measure becomes "not measured".

Left out and not weighed down: a flag says that a value may be wrong by any amount, not that it scatters more.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Bools
from evenbore.facts.flags import Flag, Flagged, read_flags
from evenbore.facts.measures import MEASURES
from evenbore.facts.words import plain

_NAMES = [measure.name for measure in MEASURES]


def doubted(flags: pd.Series) -> Bools:
    """Whether each of MEASURES is in doubt (N, M), from the column `flags`."""
    return _by_cell(flags, lambda one: np.isin(_NAMES, one.doubts))


def loudness_doubted(flags: pd.Series) -> Bools:
    """Whether the note's harmonics are as loud as they were (N,) is in doubt; of one that the noise hides it is not."""
    return _by_cell(flags, lambda one: np.array("level_dbfs" in one.flag.doubts))


def left_out(flags: pd.Series, measures: tuple[str, ...]) -> pd.Series:
    """The words, in plain letters, of the first flag of each note that puts one of these measures in doubt, same index;
    missing where none does."""
    words = {
        cell: next((plain(one.flag.word) for one in read_flags(cell) if {*one.doubts} & {*measures}), None)
        for cell in flags.fillna("").unique()
    }
    return flags.fillna("").map(words)


def without_doubted(notes: pd.DataFrame) -> pd.DataFrame:
    """`notes` with NaN for every measure in doubt."""
    doubts = doubted(notes["flags"])
    columns = {name: notes[name].mask(doubts[:, m]) for m, name in enumerate(_NAMES) if doubts[:, m].any()}
    return notes.assign(**columns)


def flagged(flags: pd.Series, word: str, listing: str = "") -> Bools:
    """Whether each note has this flag (N,), and where `listing` is a measure, whether the flag lists it."""
    return _by_cell(flags, lambda one: np.array(one.flag.word == word and (not listing or listing in one.listed)))


def _by_cell(flags: pd.Series, told: Callable[[Flagged], Bools]) -> Bools:
    """`told` of any of a note's flags: most notes have one of few combinations."""
    which, cells = pd.factorize(flags.fillna(""))
    none = told(Flagged(Flag(word="", sentence=""), ()))
    of_cells = [np.any([none, *map(told, read_flags(cell))], axis=0) for cell in cells]
    return np.array(of_cells, bool).reshape(len(cells), *none.shape)[which]
