"""The harmonics of all notes as arrays, from the long table: a row is a note, a column is a harmonic."""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats, Floats32

PLAYED = ["recording", "step"]
NOTES_AT_ONCE = 4096


class HarmonicArrays(NamedTuple):
    """Harmonics (N, H) of N notes: frequency in Hz, also of those not heard; level in dB re full scale and distance to
    the noise in dB, NaN where not heard. float32: exact to 0.0002 cent and 0.00001 dB."""

    frequency_hz: Floats32
    level_db: Floats32
    above_noise_db: Floats32


def blocks(notes: int) -> Iterator[slice]:
    """Slices of the notes, so that what is computed from all their harmonics needs little memory at a time."""
    return (slice(first, first + NOTES_AT_ONCE) for first in range(0, notes, NOTES_AT_ONCE))


def against_all(level_db: Floats) -> Floats:
    """Levels (N, H) relative to all harmonics of the note together, dB."""
    with np.errstate(divide="ignore"):
        whole: Floats = 10 * np.log10(np.nansum(10 ** (level_db / 10), axis=1, keepdims=True))
    return level_db - whole


def harmonic_arrays(notes: pd.DataFrame, parts: Iterable[pd.DataFrame]) -> HarmonicArrays:
    """Arrays in the order of `notes` (columns PLAYED and f0_hz) from the rows of the harmonics table, which comes in
    parts so that it need not be held as a whole; rows of other notes are left out."""
    rows = pd.MultiIndex.from_frame(notes[PLAYED])
    arrays = [np.full((len(notes), 1), np.nan, np.float32) for _ in HarmonicArrays._fields]
    for part in parts:
        note = rows.get_indexer(pd.MultiIndex.from_frame(part[PLAYED]))
        used = note >= 0
        harmonic = part["harmonic"].to_numpy(int)[used] - 1
        more = max(int(harmonic.max(initial=-1)) + 1 - arrays[0].shape[1], 0)
        for number, column in enumerate(HarmonicArrays._fields):
            if more:  # one after the other, for they are large
                arrays[number] = np.pad(arrays[number], ((0, 0), (0, more)), constant_values=np.nan)
            arrays[number][note[used], harmonic] = part[column].to_numpy(np.float32)[used]
    frequency, multiple = arrays[0], np.arange(1, arrays[0].shape[1] + 1, dtype=np.float32)
    for block in blocks(len(notes)):
        f0 = notes["f0_hz"].to_numpy(np.float32)[block, None]
        frequency[block] = np.where(np.isnan(frequency[block]), f0 * multiple, frequency[block])
    return HarmonicArrays(*arrays)
