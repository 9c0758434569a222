"""Tone at equal pitch: every note's harmonics against the usual ones of that note on instruments of its kind.

The usual harmonics of a note are the median over the instruments (in each state) of the mean of their takes, each take
at its own note's level. What an instrument's harmonics are more or less than these is a curve over the harmonics; its
slope per octave is how much brighter the note is. Tilts of the instruments' own spectra would not do: which harmonics
are strong enough to count changes with the brightness itself. Here the usual spectrum alone says how much each harmonic
counts, so a tone that is brighter by 1 dB per octave comes out brighter by 1. Other measures of the harmonics are told
against their own usual value at the note: what a take lacks of the notes does not shift it.

Levels dB after set-up normalisation, (N, H) as in `normalise`; NaN where a harmonic is missing.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats, Floats32
from evenbore.facts.measures import TILT_FADE_DB, TILT_RANGE_DB, line_over_octaves
from evenbore.setups.harmonics import against_all
from evenbore.statistics.grouped import grouped_means, row_groups

RELATIVE_TILT = "relative_tilt_db"  # column of the normalised notes, dB per octave
RELATIVE = {"odd_even_db": "relative_odd_even_db", "fundamental_db": "relative_fundamental_db"}
"""Measure of a note -> column of the normalised notes with it against the usual one, dB."""
LEAST_OWNERS = 2  # with one alone there is nothing usual to compare with
TONE_COLUMNS = ["recording", "harmonic", "level_db", "n_notes"]


def against_usual_value(notes: pd.DataFrame, measure: str, kinds: Mapping[str, str]) -> pd.Series:
    """The measure of each note less the median of the same note over the instruments (in each state) of its kind and
    group, index of the notes; NaN where fewer than LEAST_OWNERS know it. `kinds`: as for `against_usual`.

    >>> notes = pd.DataFrame({"instrument": list("abc"), "state": "new", "group": 1, "midi": 60, "x": [1.0, 2.0, 5.0]})
    >>> against_usual_value(notes, "x", {}).tolist()
    [-1.0, 0.0, 3.0]
    """
    same = [_kinds(notes, kinds), notes["group"], notes["midi"]]
    owners = notes[measure].groupby([*same, notes["instrument"], notes["state"]]).mean().groupby(level=[0, 1, 2])
    usual = owners.median().where(owners.count() >= LEAST_OWNERS)
    relative: pd.Series = notes[measure] - usual.reindex(pd.MultiIndex.from_arrays(same)).to_numpy()
    return relative


def _kinds(notes: pd.DataFrame, kinds: Mapping[str, str]) -> pd.Series:
    return pd.Series([kinds.get(name, "") for name in notes["instrument"]], notes.index, dtype=object)


def against_usual(notes: pd.DataFrame, level_db: Floats32, kinds: Mapping[str, str]) -> tuple[Floats, pd.DataFrame]:
    """The slope (N,) of each note's harmonics against the usual ones, dB per octave, and each take's mean curve over
    its notes (TONE_COLUMNS: dB against the usual, the tone as a whole as loud).

    `kinds`: instrument -> its kind; instruments without one count as of one kind.
    """
    slope = np.full(len(notes), np.nan)
    recording, names = pd.factorize(notes["recording"])
    sums, counts = np.zeros((2, len(names), level_db.shape[1]))
    owner = notes.groupby(["instrument", "state"]).ngroup().to_numpy()
    for rows in row_groups(notes.groupby([_kinds(notes, kinds), notes["group"], notes["midi"]])):
        own = np.unique(owner[rows], return_inverse=True)[1]
        level = level_db[rows].astype(float)
        heard = np.isfinite(level).any(axis=1)
        if np.unique(own[heard]).size < LEAST_OWNERS:
            continue
        level = against_all(level)
        means = grouped_means(level, own, own.max() + 1)[0]
        known = np.isfinite(means).any(axis=0)
        usual = np.full(level.shape[1], np.nan)
        usual[known] = np.nanmedian(means[:, known], axis=0)
        counting = np.nan_to_num(np.clip((usual - np.nanmax(usual) + TILT_RANGE_DB) / TILT_FADE_DB, 0, 1))
        away = level - usual
        weight = np.where(np.isfinite(away), counting, 0.0)
        slope[rows] = line_over_octaves(away, weight)[0]
        with np.errstate(invalid="ignore"):
            away -= np.nansum(weight * away, axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
        used = weight > 0
        np.add.at(sums, recording[rows], np.where(used, away, 0.0))
        np.add.at(counts, recording[rows], used)
    take, harmonic = np.nonzero(counts)
    mean = sums[take, harmonic] / counts[take, harmonic]
    curves = (names[take], harmonic + 1, mean, counts[take, harmonic].astype(int))
    return slope, pd.DataFrame(dict(zip(TONE_COLUMNS, curves, strict=True)))
