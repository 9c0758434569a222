"""Brightness at matched loudness: a take blown harder must not look like a brighter instrument.

A wind instrument gets brighter when blown harder. How much, in dB of brightness per dB of level, soft and loud takes
tell; with that slope every take is brought to a common loudness. Levels and brightness are those after set-up
normalisation; keys as in notes.tsv.
"""

import pandas as pd

# ASSUME: own choice, no source.
LEAST_STEP_DB = 3.0  # between the softest and the loudest take: less is the player's own scatter
LEAST_SLOPE_NOTES = 5
_OWNER = ["instrument", "state"]
_NOTE = [*_OWNER, "session", "articulation", "direction", "midi"]


def brightness_slopes(notes: pd.DataFrame) -> pd.Series:
    """Slope of brightness_db over level_dbfs in dB per dB, indexed by instrument and state.

    Least squares over all notes recorded at more than one dynamic, each note of a session on its own level (so that
    neither the room's resonances nor the notes' own differences count). Only instruments with at least
    LEAST_SLOPE_NOTES such notes and, in the median, LEAST_STEP_DB between their softest and loudest dynamic.

    >>> piano = pd.DataFrame({"midi": range(60, 65), "dynamic": "p", "level_dbfs": -30.0, "brightness_db": -20.0})
    >>> forte = piano.assign(dynamic="f", level_dbfs=-20.0, brightness_db=-15.0)
    >>> keys = {"instrument": "a", "state": "new", "session": "s", "articulation": "slurred", "direction": "up"}
    >>> brightness_slopes(pd.concat([piano, forte]).assign(**keys)).tolist()  # (−15 + 20) / (−20 + 30)
    [0.5]
    """
    table = notes.dropna(subset=["brightness_db", "level_dbfs"])
    means = table.groupby([*_NOTE, "dynamic"])[["brightness_db", "level_dbfs"]].mean()
    cells = means.groupby(level=_NOTE)
    means = means[cells["level_dbfs"].transform("size") > 1]
    cells = means.groupby(level=_NOTE)
    centred = means - cells.transform("mean")
    step = (cells["level_dbfs"].max() - cells["level_dbfs"].min()).groupby(level=_OWNER)
    enough = (step.size() >= LEAST_SLOPE_NOTES) & (step.median() >= LEAST_STEP_DB)
    products = pd.DataFrame({"xy": centred["brightness_db"] * centred["level_dbfs"], "xx": centred["level_dbfs"] ** 2})
    sums = products.groupby(level=_OWNER).sum()[enough]
    return sums["xy"] / sums["xx"]


def at_common_loudness(notes: pd.DataFrame) -> pd.Series:
    """brightness_db as each take would have it at the loudness common to its group and dynamic, same index.

    brightness − slope · (how much louder the take is than the group's instruments usually are at that dynamic). How
    loud a take is: the median over its notes of the level less the group's mean level of the same note. Only the take
    as a whole is moved: the level of single notes is the room's and the instrument's too. An instrument without soft
    and loud takes gets the median slope of the study; without any in the study nothing is changed.

    >>> piano = pd.DataFrame({"midi": range(60, 65), "dynamic": "p", "level_dbfs": -30.0, "brightness_db": -20.0})
    >>> forte = piano.assign(dynamic="f", level_dbfs=-20.0, brightness_db=-15.0)
    >>> keys = {"state": "new", "session": "s", "articulation": "slurred", "direction": "up", "group": 1}
    >>> other = forte.assign(instrument="b", recording="b1", level_dbfs=-16.0, brightness_db=-12.0)
    >>> soft, loud = piano.assign(instrument="a", recording="a1"), forte.assign(instrument="a", recording="a2")
    >>> notes = pd.concat([soft, loud, other])
    >>> matched = at_common_loudness(notes.assign(**keys).reset_index(drop=True))
    >>> matched.groupby(notes["recording"].to_numpy()).first().to_dict()  # slope 0.5; at f the usual level is −18
    {'a1': -20.0, 'a2': -14.0, 'b1': -13.0}
    """
    slopes = brightness_slopes(notes)
    if slopes.empty:
        return notes["brightness_db"]
    slope = slopes.reindex(pd.MultiIndex.from_frame(notes[_OWNER])).fillna(slopes.median()).to_numpy()
    same = [notes["group"], notes["dynamic"], notes["midi"]]
    by_instrument = notes.groupby([*same, notes["instrument"], notes["state"]])["level_dbfs"].mean()
    usual = by_instrument.groupby(level=["group", "dynamic", "midi"]).mean()
    over = notes["level_dbfs"] - usual.reindex(pd.MultiIndex.from_arrays(same)).to_numpy()
    matched: pd.Series = notes["brightness_db"] - slope * over.groupby(notes["recording"]).transform("median")
    return matched
