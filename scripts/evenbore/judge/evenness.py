"""Criteria that are a root mean square of a note's distance from what its neighbours predict (`smoothed`): their values
and how the errors of set-ups and rooms shift them.

A root mean square is widened by whatever scatters from note to note, so the player's scatter and what is left of the
room are taken out of the mean square.
"""

from collections.abc import Mapping, Sequence
from typing import TypeAlias

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.criteria import MEASURED, MIN_NOTES, Criterion
from evenbore.facts.rows import Row
from evenbore.judge.repeatability import Owner
from evenbore.judge.takes import ByOwner, Played, note_means, played_notes
from evenbore.judge.values import COLUMNS, TakeNotes, residual_maker
from evenbore.setups.errors import SetupErrors
from evenbore.setups.rooms import common_error, room_error

VALUE_KEYS = ["instrument", "state", "session", "recording", "direction", "articulation"]
TakeValue: TypeAlias = tuple[str | float, ...]
"""VALUE_KEYS, criterion, value."""
Shifted: TypeAlias = tuple[Owner, str, Ints, Floats]
"""Owner, criterion, components, shifts."""


def take_value(key: Row, criterion: Criterion, value: float) -> TakeValue:
    """The row of a take."""
    return (*(key[name] for name in VALUE_KEYS), criterion.name, value)


def shifted(owner: Owner, criterion: str, components: Ints, shifts: Floats) -> Shifted:
    """The components that shift the value; there are millions of them, so kept small."""
    moved = np.flatnonzero(shifts)
    return owner, criterion, components[moved].astype(np.int32), shifts[moved]


def evennesses(
    takes: Sequence[Played], counted: ByOwner, scatter: Mapping[str, Mapping[Owner, float]], notes: pd.DataFrame,
    errors: SetupErrors,
) -> tuple[list[TakeValue], list[Shifted]]:  # fmt: skip
    """Rows of values of the smoothed criteria, and how the errors of set-ups and rooms shift each instrument's.

    The shifts are means over takes, one component for each direction of the
    set-ups' error, one for each note of each session, and one for each note of the sessions linked.
    """
    rows: list[TakeValue] = []
    parts: list[Shifted] = []
    if notes.empty:
        return rows, parts
    midi, places, bounds = played_notes(notes)
    begin = {key["recording"]: (first, take.written) for (key, take), first in zip(takes, bounds, strict=False)}
    directions = np.arange(errors.mixing.shape[1])
    room_component = _components(notes["session"], notes["midi"], places) + directions.size
    common_component = _components(notes["group"], notes["midi"], places) + room_component.max() + 1
    session = np.zeros(midi.size, int)
    session[places] = errors.session
    for criterion in (c for c in MEASURED if c.smoothed):
        column = COLUMNS[criterion.measure]
        moves = note_means(errors.changes[:, :, errors.measures.index(column)].T, places)
        left, common = (
            np.nan_to_num(note_means(notes[name(column)].to_numpy(float), places))
            for name in (room_error, common_error)
        )
        for owner, members in counted.items():
            components: list[Ints] = []
            shifts: list[Floats] = []
            at = [_rows_of(*begin[key["recording"]], take.written) for key, take in members]
            squares = np.array(
                [
                    mean_square(take, criterion, left[here] * own)
                    for (_, take), (here, own) in zip(members, at, strict=True)
                ]
            )
            values, slope = roots(squares[:, 0], squares[:, 1] + scatter[criterion.name][owner])
            for (key, take), (here, own), value in zip(members, at, values, strict=True):
                rows.append(take_value(key, criterion, value))
                errors_there = moves[here] * own[:, None], left[here] * own, common[here] * own
                of_setup, *of_room = evenness_shifts(take, criterion, *errors_there)
                components += [directions, room_component[here], common_component[here]]
                shifts += [errors.along_all(of_setup * slope, session[here[0]]), *(part * slope for part in of_room)]
            place, number = np.unique(np.concatenate(components), return_inverse=True)
            whole = np.bincount(number, np.concatenate(shifts)) / len(members)
            parts.append(shifted(owner, criterion.name, place, whole))
    return rows, parts


def _rows_of(first: int, written: Ints, notes: Ints) -> tuple[Ints, Bools]:
    """The rows (N,) of a recording's `notes`, whose `written` ones begin at row `first`, and whether it has them (N,);
    the row of another note where it does not."""
    place = np.minimum(np.searchsorted(written, notes), written.size - 1)
    return first + place, written[place] == notes


def roots(squares: Floats, extra: Floats) -> tuple[Floats, float]:
    """Values (T,) of takes with the mean `squares` (T,) over notes, less what is `extra` in them (T,), and the slope of
    the root there: the mean over takes is the root of the mean, a take lies from it in proportion to its own.

    Two takes of 5² and 3² less a scatter of 1: the root of 17 - 1 is 4, and a take lies (25 - 17) / (2 · 4) from it.

    >>> roots(np.array([25.0, 9.0]), np.ones(2))[0].tolist()
    [5.0, 3.0]
    """
    known = np.isfinite(squares)
    if not known.any():
        return squares, np.nan
    left = squares - extra
    mean = left[known].mean()
    value = np.sqrt(max(0.0, mean))
    # ASSUME: near zero the slope of the root is that at half the raw value
    slope = 1 / (2 * max(value, np.sqrt(squares[known].mean()) / 2, 1e-9))
    return value + (left - mean) * slope, slope


def _maker(take: TakeNotes, values: Floats) -> tuple[Floats, Bools]:
    """`residual_maker` of the notes with known `values` (N,), rows of notes not predicted left out, and which (N,)."""
    usable = np.isfinite(values) & ~take.veiled
    maker = residual_maker(take, usable)
    return maker[np.isfinite(maker).all(axis=1)], usable


def mean_square(take: TakeNotes, criterion: Criterion, left: Floats) -> tuple[float, float]:
    """Mean square over a take's notes of a smoothed criterion, and what the room adds to it; NaN for too few notes.

    `left` (N,): standard deviation of what is left of the room in them.
    """
    values = getattr(take, criterion.measure)
    maker, usable = _maker(take, values)
    if len(maker) < MIN_NOTES:
        return np.nan, np.nan
    return float(np.mean((maker @ values[usable]) ** 2)), float(np.mean(maker**2 @ left[usable] ** 2))


def evenness_shifts(
    take: TakeNotes, criterion: Criterion, moves: Floats, left: Floats, common: Floats
) -> tuple[Floats, Floats, Floats]:
    """How a take's `mean_square` shifts along K directions of the set-ups' error, with the room's own error at N notes,
    and with what is common to the rooms there.

    `moves` (N, K): what one standard error along each direction adds to the notes; `left`, `common` (N,): standard
    deviation of what is left of the room in them, and of its part that all sessions have in common.
    """
    values = getattr(take, criterion.measure)
    maker, usable = _maker(take, values)
    shifts = np.zeros(moves.shape[1]), np.zeros(values.size), np.zeros(values.size)
    if len(maker) < MIN_NOTES:
        return shifts
    away = maker @ values[usable]
    moved = np.mean((away[:, None] + maker @ moves[usable]) ** 2, axis=0)
    shifts[0][:] = moved - np.mean(away**2)
    pull = 2 * maker.T @ away / len(away)
    shifts[1][usable] = pull * np.sqrt(np.maximum(left**2 - common**2, 0.0))[usable]
    shifts[2][usable] = pull * common[usable]
    return shifts


def _components(session: pd.Series, midi: pd.Series, places: Ints) -> Ints:
    """A number for each note of each session, at every place."""
    numbers = pd.factorize(pd.MultiIndex.from_arrays([session, midi]))[0]
    out = np.zeros(places.max() + 1, int)
    out[places] = numbers
    return out
