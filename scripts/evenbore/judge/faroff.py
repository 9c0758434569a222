"""Notes that are not within half a semitone of their place in most takes: found far off (flag `far_off`), or not found.

A note that a take lacks tells only where the notes on either side of it are there: what a broken-off or noisy take
lacks is no fault of the instrument, nor is what most other instruments lack too (but for units of one
model, whose design it may be). Own definition.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple, cast

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.arrays import Ints
from evenbore.facts.rows import Row
from evenbore.setups.comparability import usable
from evenbore.setups.doubts import flagged
from evenbore.study.sheets import same_model
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_note
from evenbore.trade.scale import expected_scale

FAR_CENTS = 50.0
MIN_FAR_TAKES = 2
MIN_OTHERS = 3
FALSE_FAR = 0.05  # chance of any note of an instrument told wrongly
# ASSUME: takes' notes that say "missing by chance" beforehand: one in twenty, as much as twenty notes would tell
_PRIOR_FAR, _PRIOR_NOTES = 1.0, 20.0
_SCALE = ("pattern", "low", "high", "direction", "notes")


class FarOff(NamedTuple):
    """A written note of an instrument in a state that is far from its place in `takes` of the `of` takes that tell;
    `cents`: how far in those that found it, from the take's median, NaN where none did; `confidence`: that it is no
    chance; `shared`: most units of its model share it."""

    instrument: str
    state: str
    written: int
    takes: int
    of: int
    cents: float
    confidence: float
    shared: bool

    def words(self) -> str:
        """What was found, as a clause."""
        share = f"in {self.takes} of {self.of} takes"
        if np.isnan(self.cents):
            return f"{midi_to_note(self.written)} was not found within {FAR_CENTS:g} cents of its place {share}"
        side = "sharp" if self.cents > 0 else "flat"
        return f"{midi_to_note(self.written)} is {abs(self.cents):.0f} cents {side} {share}"


def far_off(
    notes: pd.DataFrame, recordings: pd.DataFrame, sheet: Iterable[Row], instruments: Mapping[str, Row],
    families: Mapping[str, Family],
) -> list[FarOff]:  # fmt: skip
    """The notes far from their place of all instruments.

    `notes`: normalised notes; `recordings`: the table of that name; `sheet`: its rows in the recordings sheet.
    """
    used = usable(recordings)
    heard = set(used.loc[used["notes_expected"] > 0, "recording"])
    sheet = [row for row in sheet if row["recording"] in heard]
    marked = notes.assign(**{flag: flagged(notes["flags"], flag) for flag in ("unsure", "far_off")})
    by_recording = dict(list(marked[["recording", "midi", "cents", "unsure", "far_off"]].groupby("recording")))
    places = [
        place.assign(recording=row["recording"], instrument=row["instrument"], state=row["state"])
        for row in sheet
        if row["recording"] in by_recording
        for place in [_places(by_recording[row["recording"]], row, families[instruments[row["instrument"]]["family"]])]
    ]
    if not places:
        return []
    told = pd.concat(places, ignore_index=True).dropna(subset="far")
    kind = told["instrument"].map(lambda name: instruments[name]["family"])
    return [one for _, of_kind in told.groupby(kind, sort=False) for one in _of_kind(of_kind, instruments)]


def expected_notes(row: Row, family: Family) -> Ints:
    """The written notes (N,) that a row of the recordings sheet asks for, each once, ascending."""
    return np.unique(expected_scale(family, *(row[key] for key in _SCALE)))


def _places(notes: pd.DataFrame, row: Row, family: Family) -> pd.DataFrame:
    """A take's expected notes: `written`, `far` (1.0, 0.0, NaN: the take cannot tell), `cents` from its median where
    far."""
    expected = expected_notes(row, family)
    written, cents = np.asarray(family.to_written(notes["midi"].to_numpy(int))), notes["cents"].to_numpy(float)
    doubted, off = notes["unsure"].to_numpy(), notes["far_off"].to_numpy() & ~notes["unsure"].to_numpy()
    there, away = np.isin(expected, written[~doubted & ~off]), np.isin(expected, written[off])
    unsure = np.isin(expected, written) & ~there & ~away
    beside = np.zeros(expected.size, bool)
    beside[1:-1] = there[:-2] & there[2:]
    own = cents[~doubted & np.isfinite(cents)]
    apart = np.full(expected.size, np.nan)
    for place in np.flatnonzero(away & ~there):
        heard = cents[off & (written == expected[place]) & np.isfinite(cents)]
        apart[place] = heard.mean() - np.median(own) if heard.size and own.size else np.nan
    far = np.where(there, 0.0, np.where(away, 1.0, np.where(beside & ~unsure, 1.0, np.nan)))
    return pd.DataFrame({"written": expected, "far": far, "cents": apart})


def _of_kind(places: pd.DataFrame, instruments: Mapping[str, Row]) -> list[FarOff]:
    """Of instruments of one kind; `places`: those of their takes that tell."""
    notes = places.groupby(["instrument", "state", "written"], sort=False)
    counts = notes.agg(takes=("far", "sum"), of=("far", "count"), cents=("cents", "mean")).reset_index()
    counts["mostly"] = counts["takes"] > counts["of"] / 2
    size = counts.groupby(["instrument", "state"])["written"].transform("size")
    # what is missing elsewhere tells how often a note is missing by chance
    far, known = counts["takes"].sum() - counts["takes"], counts["of"].sum() - counts["of"]
    by_chance = (far + _PRIOR_FAR) / (known + _PRIOR_NOTES)
    fewer, of = (counts["takes"] - 1).to_numpy(float), counts["of"].to_numpy(int)
    counts["p"] = special.bdtrc(fewer, of, by_chance.to_numpy(float)) * size
    told = counts["mostly"] & (counts["takes"] >= MIN_FAR_TAKES) & (counts["p"] <= FALSE_FAR)
    out = []
    for row in cast(list[Row], counts[told].to_dict("records")):
        alike = counts[(counts["written"] == row["written"]) & (counts["instrument"] != row["instrument"])]
        by_model = alike[alike["instrument"].isin(same_model(row["instrument"], instruments))]
        if (shared := _most(by_model)) or not _most(alike):
            owner = row["instrument"], row["state"], row["written"]
            out.append(FarOff(*owner, int(row["takes"]), row["of"], row["cents"], 1 - row["p"], shared))
    return out


def _most(others: pd.DataFrame) -> bool:
    """Whether the note is far from its place on most of the other instruments."""
    mostly = others.groupby("instrument")["mostly"].any()
    return bool(mostly.size >= MIN_OTHERS and 2 * mostly.sum() > mostly.size)
