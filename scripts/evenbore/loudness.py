"""Brightness at matched loudness: a take blown harder must not look like a brighter instrument.

A wind instrument gets brighter when blown harder. How much, in dB of brightness per dB of level, soft and loud takes
tell; with that slope every note is brought to a common loudness. Levels and brightness are those after set-up
normalisation; keys as in notes.tsv.
"""

import numpy as np
import pandas as pd

LEAST_STEP_DB = 3.0  # between the softest and the loudest take: less is the player's own scatter
LEAST_NOTES = 5
_OWNER = ["instrument", "state"]
_NOTE = [*_OWNER, "session", "articulation", "direction", "midi"]


def brightness_slopes(notes: pd.DataFrame) -> pd.Series:
    """Slope of brightness_db over level_dbfs in dB per dB, indexed by instrument and state.

    Least squares over all notes recorded at more than one dynamic, each note of a session on its own level (so that
    neither the room's resonances nor the notes' own differences count). Only instruments with at least LEAST_NOTES
    such notes and, in the median, LEAST_STEP_DB between their softest and loudest dynamic.
    """
    table = notes.dropna(subset=["brightness_db", "level_dbfs"])
    means = table.groupby([*_NOTE, "dynamic"])[["brightness_db", "level_dbfs"]].mean()
    cells = means.groupby(level=_NOTE)
    means = means[cells["level_dbfs"].transform("size") > 1]
    cells = means.groupby(level=_NOTE)
    centred = means - cells.transform("mean")
    step = (cells["level_dbfs"].max() - cells["level_dbfs"].min()).groupby(level=_OWNER)
    enough = (step.size() >= LEAST_NOTES) & (step.median() >= LEAST_STEP_DB)
    products = pd.DataFrame({"xy": centred["brightness_db"] * centred["level_dbfs"], "xx": centred["level_dbfs"] ** 2})
    sums = products.groupby(level=_OWNER).sum()[enough]
    return sums["xy"] / sums["xx"]


def at_common_loudness(notes: pd.DataFrame, base_dynamic: str) -> pd.Series:
    """brightness_db of each note brought to a common loudness, same index; unchanged where no slope is known.

    brightness − slope · (level − reference). The reference of a note is the instrument's own mean level of that note
    over its takes at `base_dynamic` in the same session, moved as a whole so that its median over the notes is the
    comparability group's: what one take or one player's force adds goes, the instrument's own unevenness stays.
    An instrument without soft and loud takes gets the median slope of the study.
    """
    slopes = brightness_slopes(notes)
    if slopes.empty:
        return notes["brightness_db"]
    owners = pd.MultiIndex.from_frame(notes[_OWNER])
    slope = slopes.reindex(owners).fillna(slopes.median()).to_numpy()
    base = notes[notes["dynamic"] == base_dynamic]
    of_note = base.groupby([*_OWNER, "session", "midi"])["level_dbfs"].mean()
    of_session = of_note.groupby(level=[*_OWNER, "session"]).median()
    groups = base.drop_duplicates([*_OWNER, "session"]).set_index([*_OWNER, "session"])["group"]
    of_group = of_session.groupby(groups.reindex(of_session.index)).median()
    place = pd.MultiIndex.from_frame(notes[[*_OWNER, "session", "midi"]])
    whole = pd.MultiIndex.from_frame(notes[[*_OWNER, "session"]])
    own_curve = of_note.reindex(place).to_numpy() - of_session.reindex(whole).to_numpy()
    reference = own_curve + notes["group"].map(of_group).to_numpy()
    matched = notes["brightness_db"] - slope * (notes["level_dbfs"] - reference)
    return matched.where(np.isfinite(reference), notes["brightness_db"])
