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
    heard = [(np.empty(0, np.int32), np.empty(0, np.int16), np.empty((0, len(HarmonicArrays._fields)), np.float32))]
    for part in parts:
        note = rows.get_indexer(pd.MultiIndex.from_frame(part[PLAYED]))
        used = note >= 0
        values = part.loc[used, list(HarmonicArrays._fields)].to_numpy(np.float32)
        heard.append((note[used].astype(np.int32), part["harmonic"].to_numpy(np.int16)[used] - 1, values))
    note, harmonic, values = (np.concatenate(columns) for columns in zip(*heard, strict=True))
    size = len(notes), int(harmonic.max(initial=0)) + 1
    multiples = notes["f0_hz"].to_numpy(np.float32)[:, None] * np.arange(1, size[1] + 1, dtype=np.float32)
    arrays = HarmonicArrays(multiples, *np.full((2, *size), np.nan, np.float32))
    for array, column in zip(arrays, values.T, strict=True):
        array[note, harmonic] = column
    return arrays
