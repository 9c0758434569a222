"""Brightness at matched loudness: a take blown harder must not look like a brighter instrument.

A wind instrument gets brighter when blown harder. How much, in dB of brightness per dB of level, soft and loud takes
tell; with that slope every take is brought to a common loudness. Levels and brightness are those after set-up
normalisation; keys as in notes.tsv.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from evenbore.statistics.grouped import combined, grouped_means

# ASSUME: own choice, no source.
LEAST_STEP_DB = 3.0  # between the softest and the loudest take: less is the player's own scatter
LEAST_SLOPE_NOTES = 5
UNKNOWN_SHARE = 0.5  # of a slope that nothing tells the error of: its standard error
_OWNER = ["instrument", "state"]
_PLAYED = [*_OWNER, "session", "articulation", "direction"]


class Matched(NamedTuple):
    """A measure at matched loudness: its `values`, index of the notes; `over`, how much louder each recording is than
    usual at its dynamic (dB); the `slopes` by instrument and state that were taken (see `loudness_slopes`; empty where
    nobody has soft and loud takes) and whether each is its `own`."""

    values: pd.Series
    over: pd.Series
    slopes: pd.DataFrame


def loudness_slopes(notes: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Slope of the measure over level_dbfs in dB per dB and its standard error `se`, by instrument and state.

    The take is the unit: each note on its own level (so that neither the room's resonances nor the notes' own
    differences count), then the mean over a take's notes, least squares over the takes played alike in a session. Only
    instruments with takes of at least LEAST_SLOPE_NOTES notes and LEAST_STEP_DB between their softest and loudest. The
    errors come from what the takes of the whole study scatter about their slopes; empty where none is left over.

    >>> piano = pd.DataFrame({"midi": range(60, 65), "dynamic": "p", "level_dbfs": -30.0, "brightness_db": -20.0})
    >>> forte = piano.assign(dynamic="f", level_dbfs=-20.0, brightness_db=-15.0)
    >>> keys = {"instrument": "a", "state": "new", "session": "s", "articulation": "slurred", "direction": "up"}
    >>> notes = pd.concat([piano.assign(recording="soft"), forte.assign(recording="loud")]).assign(**keys)
    >>> loudness_slopes(notes, "brightness_db")["slope"].tolist()  # (−15 + 20) / (−20 + 30)
    [0.5]
    """
    known = notes[[measure, "level_dbfs"]].notna().all(axis=1).to_numpy()
    table = notes.loc[known, [*_PLAYED, "recording", "dynamic", "midi", "level_dbfs", measure]]
    take, names = pd.factorize(table["recording"])
    keys = table.drop_duplicates("recording")[[*_PLAYED, "recording", "dynamic"]]
    # takes played alike in a session, by number
    played = keys.groupby(_PLAYED).ngroup().to_numpy()
    note = combined(played[take], table["midi"].to_numpy())
    levels = table[["level_dbfs", measure]].to_numpy(float)
    centred = levels - grouped_means(levels, note, note.max(initial=-1) + 1)[0][note]
    of_take, count = grouped_means(centred, take, len(names))
    enough = count[:, 0] >= LEAST_SLOPE_NOTES
    x, y = (of_take - grouped_means(of_take[enough], played[enough], len(names))[0][played])[enough].T
    takes = keys[_OWNER][enough].assign(
        played=played[enough], level=of_take[enough, 0], x=x, y=y, xy=x * y, xx=x * x, yy=y * y
    )
    alike = takes.groupby([*_OWNER, "played"])["level"]
    step = (alike.max() - alike.min()).groupby(level=_OWNER).max()
    owners = takes.groupby(_OWNER)
    sums = owners[["xy", "xx", "yy"]].sum()
    freedom = owners.size() - owners["played"].nunique() - 1
    usable = (step >= LEAST_STEP_DB) & (keys.groupby(_OWNER)["dynamic"].nunique().reindex(step.index) > 1)
    sums, freedom = sums[usable], freedom[usable]
    slope = sums["xy"] / sums["xx"]
    left = (sums["yy"] - slope * sums["xy"]).sum()
    scatter = left / freedom.sum() if freedom.sum() > 0 else np.nan
    return pd.DataFrame({"slope": slope, "se": np.sqrt(scatter / sums["xx"])})


def match_loudness(notes: pd.DataFrame, measure: str, kinds: Mapping[str, str] | None = None) -> Matched:
    """The measure as each take would have it at the loudness common to its kind, group and dynamic.

    measure − slope · (how much louder the take is than the group's instruments usually are at that dynamic). How
    loud a take is: the median over its notes of the level less the group's mean level of the same note. Only the take
    as a whole is moved: the level of single notes is the room's and the instrument's too. An instrument without soft
    and loud takes gets the median slope of the study, with an error of what the slopes scatter; without any in the
    study nothing is changed. `kinds`: instrument -> its kind; none: all are of one.

    >>> piano = pd.DataFrame({"midi": range(60, 65), "dynamic": "p", "level_dbfs": -30.0, "brightness_db": -20.0})
    >>> forte = piano.assign(dynamic="f", level_dbfs=-20.0, brightness_db=-15.0)
    >>> keys = {"state": "new", "session": "s", "articulation": "slurred", "direction": "up", "group": 1}
    >>> other = forte.assign(instrument="b", recording="b1", level_dbfs=-16.0, brightness_db=-12.0)
    >>> soft, loud = piano.assign(instrument="a", recording="a1"), forte.assign(instrument="a", recording="a2")
    >>> notes = pd.concat([soft, loud, other])
    >>> matched = match_loudness(notes.assign(**keys).reset_index(drop=True), "brightness_db").values
    >>> matched.groupby(notes["recording"].to_numpy()).first().to_dict()  # slope 0.5; at f the usual level is −18
    {'a1': -20.0, 'a2': -14.0, 'b1': -13.0}
    """
    owner = notes.groupby(_OWNER, sort=False).ngroup().to_numpy()
    owners = pd.MultiIndex.from_frame(notes[_OWNER].drop_duplicates())
    kind = pd.factorize(owners.get_level_values("instrument").map(lambda name: (kinds or {}).get(name, "")))[0][owner]
    same = combined(kind, *(pd.factorize(notes[key])[0] for key in ("group", "dynamic", "midi")))
    of_owner, first, place = np.unique(combined(same, owner), return_index=True, return_inverse=True)
    by_instrument = grouped_means(notes["level_dbfs"].to_numpy(float), place, of_owner.size)[0]
    usual = grouped_means(by_instrument, same[first], same.max(initial=-1) + 1)[0]
    over = (notes["level_dbfs"] - usual[same]).groupby(notes["recording"]).median()
    known = loudness_slopes(notes, measure)
    if known.empty:
        return Matched(notes[measure], over, known.assign(own=pd.Series(dtype=bool)))
    slopes = known.reindex(owners).assign(own=owners.isin(known.index))
    middle, spread = known["slope"].median(), known["slope"].std()
    slopes["se"] = slopes["se"].where(slopes["own"], spread).fillna(UNKNOWN_SHARE * abs(middle))
    slopes["slope"] = slopes["slope"].fillna(middle)
    slope = slopes["slope"].to_numpy()[owner]
    return Matched(notes[measure] - slope * notes["recording"].map(over), over, slopes)
