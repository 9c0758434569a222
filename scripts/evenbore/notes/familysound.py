"""Whether a take sounds like its family: held beside the study's other takes, for a single one has no others.

The tone colour of each note is compared with that of the same sounding note in other takes, played as loud. A take is
spoken of only where it lies as near to the takes of another family as those lie to each other, and far from those of
its own, of other instruments where there are enough. Few takes or few notes in common tell nothing.

Conventions: a colour is the place of the centroid among the harmonics, in steps of a twentieth of an octave, and the
level of odd over even harmonics, in dB; NaN: not measured. A distance is the mean absolute difference of both over the
notes that two takes have in common; to a family, the mean of those to its nearest takes; NaN: not known.
"""

from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from evenbore.facts.arrays import Floats
from evenbore.facts.rows import Row

_Names: TypeAlias = NDArray[np.str_]
# ASSUME: tuned by trial on development takes (tests/accuracy/takes.py names their sources); no source.
_NEAREST = 3  # takes of a family, at the least, that a take is held beside
_LEAST_NOTES = 8  # in common
_TOP_DB = 20.0  # odd and even harmonics further apart than this are as good as alone
_FARTHER = 2.0  # times as far from the own family as from the other one
_AMONG = 1.5  # times as far from the other family as its own takes mostly (three quarters of them) lie from it


def unlike_their_family(recordings: list[Row], notes: pd.DataFrame) -> dict[str, str]:
    """Recording -> what to ask, of those that sound like another family of the study than their own."""
    doubts: dict[str, str] = {}
    colours = _colours(notes)
    known = [row for row in recordings if row.get("family") and row["recording"] in colours.index]
    for dynamic in sorted({row["dynamic"] for row in known}):
        rows = [row for row in known if row["dynamic"] == dynamic]
        family, instrument = (np.array([row[key] for row in rows]) for key in ("family", "instrument"))
        families = np.unique(family)
        if len(families) < 2:
            continue
        of_takes = colours.loc[[row["recording"] for row in rows]].to_numpy()
        near = np.array([_to_families(k, of_takes, family, instrument, families) for k in range(len(rows))])
        own = np.searchsorted(families, family)
        for place, name in enumerate(families):
            inside = near[family == name, place]
            if np.isnan(inside).all():
                continue
            usual = np.nanpercentile(inside, 75)
            unlike = (near[np.arange(len(rows)), own] > _FARTHER * near[:, place]) & (near[:, place] <= _AMONG * usual)
            for k in np.nonzero(unlike)[0]:
                doubts[rows[k]["recording"]] = (
                    f"sounds like the study's takes of {name} and not of {family[k]}: another instrument than the sheet"
                    " says, or a very unusual sound (mouthpiece, reed, microphone)?"
                )
    return doubts


def _colours(notes: pd.DataFrame) -> pd.DataFrame:
    """Colour of every note of every recording: a row each, columns part and midi."""
    parts = notes[["recording", "midi"]].assign(
        centroid=20 * np.log2(notes["centroid_order"]), odd_even=notes["odd_even_db"].clip(-_TOP_DB, _TOP_DB)
    )
    return parts.pivot_table(index="recording", columns="midi")


def _to_families(k: int, colours: Floats, family: _Names, instrument: _Names, families: _Names) -> list[float]:
    """Distances of take k to each of the families."""
    apart = np.abs(colours - colours[k])
    known = np.sum(~np.isnan(apart), axis=1)
    distance = np.where(known >= 2 * _LEAST_NOTES, np.nansum(apart, axis=1) / np.maximum(known, 1), np.nan)
    distance[k] = np.nan
    distances = []
    for name in families:
        there = (family == name) & ~np.isnan(distance)
        others = there & (instrument != instrument[k])
        there = others if others.sum() >= _NEAREST else there
        distances.append(float(np.sort(distance[there])[:_NEAREST].mean()) if there.sum() >= _NEAREST else np.nan)
    return distances
