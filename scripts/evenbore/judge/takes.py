"""The takes as the criteria see them: their notes, repeats averaged, and those that an instrument is judged by."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, TypeAlias, cast

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats, Floats32, Ints
from evenbore.facts.rows import Row
from evenbore.judge.repeatability import Owner
from evenbore.judge.values import COLUMNS, TakeNotes
from evenbore.statistics.alignment import take_offsets
from evenbore.statistics.grouped import grouped_means
from evenbore.trade.families import Family

DYNAMICS = ("pp", "p", "mp", "mf", "f", "ff")
LEAST_SHARE = 0.9  # ASSUME: a take with fewer of the notes would hide too many of the others'
_FIXED = ("written", "register", "veiled", "partner")  # fields of TakeNotes that no take changes
_KEYS = ["recording", "instrument", "state", "session", "take", "dynamic", "articulation", "direction"]
Played: TypeAlias = tuple[Row, TakeNotes]
"""The keys of a take (_KEYS) and its notes."""
ByOwner: TypeAlias = dict[Owner, list[Played]]


def prepared_takes(notes: pd.DataFrame, instruments: dict[str, Row], families: dict[str, Family]) -> list[Played]:
    """Every recording's keys and notes, repeats of a note within it averaged."""
    if notes.empty:
        return []
    keys = cast(list[Row], notes.drop_duplicates("recording")[_KEYS].to_dict("records"))
    midi, places, bounds = played_notes(notes)
    columns: dict[str, Any] = {
        name: note_means(notes[column].to_numpy(float), places) for name, column in COLUMNS.items()
    }
    names: dict[tuple[str, bytes], dict[str, Any]] = {}  # most takes hold the same notes
    out = []
    for key, first, last in zip(keys, bounds[:-1], bounds[1:], strict=True):
        family, played = instruments[key["instrument"]]["family"], midi[first:last]
        same = family, played.tobytes()
        if same not in names:
            names[same] = _note_names(families[family], played)
        out.append((key, TakeNotes(**names[same], **{name: values[first:last] for name, values in columns.items()})))
    return out


def played_notes(notes: pd.DataFrame) -> tuple[Ints, Ints, Ints]:
    """The notes (U,) of all recordings in their order, ascending; the place in them of every row of `notes`; where each
    recording begins, and the end."""
    recording, names = pd.factorize(notes["recording"])
    pairs, places = np.unique(np.column_stack([recording, notes["midi"]]), axis=0, return_inverse=True)
    return pairs[:, 1], places.ravel(), np.searchsorted(pairs[:, 0], np.arange(len(names) + 1))


def note_means(values: Floats | Floats32, places: Ints) -> Floats:
    """Means of the known values (N,) or (N, K) at every place; NaN where none is known."""
    return grouped_means(values, places, places.max() + 1)[0]


def _note_names(family: Family, midi: Ints) -> dict[str, Any]:
    """The fields of TakeNotes that the family tells of sounding notes."""
    written = family.to_written(midi)
    registers = [family.register_of(int(note)) for note in written]
    partners = [family.partner(int(note)) if family.overblow else None for note in written]
    return {
        "written": written,
        "register": np.array([-1 if r is None else family.registers.index(r) for r in registers]),
        "veiled": np.isin(written, list(family.veiled)),
        "partner": np.array([-1 if p is None else p for p in partners]),
        "nominal_cents": 100.0 * family.overblow,
    }


def of_same_notes(members: list[Played]) -> list[Played]:
    """One instrument's takes, all with the same notes.

    A take that misses a bad note must not look better for it, nor may instruments be judged by different notes: what a
    take lacks is filled in from the mean of the others that hold it, where at least half of all do, as much higher or
    lower as the whole take is. Takes with less than LEAST_SHARE of the notes of the fullest are dropped.
    """
    least = LEAST_SHARE * max(take.written.size for _, take in members)
    kept = [(key, take) for key, take in members if take.written.size >= least]
    held = np.concatenate([take.written for _, take in kept])
    notes, first, count = np.unique(held, return_index=True, return_counts=True)
    judged = 2 * count >= len(kept)
    notes, first = notes[judged], first[judged]
    fixed: dict[str, Any] = {name: np.concatenate([getattr(take, name) for _, take in kept])[first] for name in _FIXED}
    filled = {name: np.full((len(kept), notes.size), np.nan) for name in COLUMNS}
    for number, (_, take) in enumerate(kept):
        known = np.isin(take.written, notes)
        place = np.searchsorted(notes, take.written[known])
        for name, values in filled.items():
            values[number, place] = getattr(take, name)[known]
    for values in filled.values():
        _fill(values)
    whole: list[dict[str, Any]] = [{name: values[n] for name, values in filled.items()} for n in range(len(kept))]
    return [(key, replace(take, **fixed, **own)) for (key, take), own in zip(kept, whole, strict=True)]


def _fill(values: Floats) -> None:
    """Fill in what takes lack of `values` (T, N) where at least half of them know it; a take that knows fewer than half
    would be made of the others'."""
    known = np.isfinite(values)
    told, knowing = 2 * known.sum(axis=0) >= len(values), 2 * known.sum(axis=1) >= values.shape[1]
    lacking = ~known & told & knowing[:, None]
    if not lacking.any():
        return
    offset = np.nan_to_num(take_offsets(values))[:, None]
    mean = np.nansum(values - offset, axis=0) / np.maximum(known.sum(axis=0), 1)
    values[lacking] = (mean + offset)[lacking]


def dynamic_pairs(takes: Sequence[Played]) -> Iterator[tuple[Row, TakeNotes, TakeNotes]]:
    """Loudest and softest takes of the same instrument, session, articulation and direction, in take order."""
    same = ("instrument", "state", "session", "articulation", "direction")
    for soft, loud in soft_and_loud([key for key, _ in takes], same):
        (key, quiet), (_, strong) = takes[soft], takes[loud]
        common = np.intersect1d(quiet.written, strong.written)
        yield key, strong.only(common), quiet.only(common)


def soft_and_loud(keys: Sequence[Row], same: Sequence[str]) -> Iterator[tuple[int, int]]:
    """Places in `keys` of takes at the softest and the loudest dynamic of all, paired in take order where they are
    alike in `same`."""
    used = [d for d in DYNAMICS if any(key["dynamic"] == d for key in keys)]
    if len(used) < 2:
        return
    sets: dict[tuple[str, ...], dict[str, list[int]]] = {}
    for place, key in enumerate(keys):
        if key["dynamic"] in (used[0], used[-1]):
            both = sets.setdefault(tuple(key[k] for k in same), {used[0]: [], used[-1]: []})
            both[key["dynamic"]].append(place)
    for both in sets.values():
        soft, loud = (sorted(both[d], key=lambda place: keys[place]["take"]) for d in (used[0], used[-1]))
        yield from zip(soft, loud, strict=False)
