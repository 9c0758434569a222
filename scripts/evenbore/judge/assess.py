"""Judge every instrument by every criterion: value, 90 % interval, and the reason where there is none.

A criterion is computed for each take; the take is the unit of everything after. Takes are averaged with the manner of
playing (direction of the scale, articulation) as fixed effects. For the ADDITIVE criteria what a session adds to all
instruments alike is taken out of the takes first. The interval holds the scatter of takes and of an instrument's own
days (see `repeatability`), with what both do to the sessions' offsets, and Σ shift²: the change of the value when the
set-ups' responses move one standard error along each direction of their error. Brightness is that at the loudness
common to the instruments (see `loudness`); the error of an instrument's own curve over loudness counts as such a shift.
What the set-ups' error adds to it, the same for all instruments of a session, goes with what the session adds.

A root mean square over notes (DEVIATIONS) is widened by what scatters from note to note. What scatters in an
instrument's own repeats is taken out of its mean square, so that it rests on products between takes alone, in which
the scatter of either averages zero; with one take of an instrument what scatters in the others serves.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeAlias, cast

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Bools, Floats, Floats32, Ints
from evenbore.facts.criteria import ADDITIVE, CRITERIA, EXACT, MEASURED, MIN_NOTES, Criterion
from evenbore.facts.rows import Row, price_of
from evenbore.facts.words import joined
from evenbore.judge.faroff import FAR_CENTS, FarOff
from evenbore.judge.repeatability import (
    OWNER,
    Assessment,
    Owner,
    block_offsets,
    cells_of,
    own_days,
    played_alike,
    with_scatter_ratios,
)
from evenbore.judge.values import COLUMNS, DEVIATIONS, FUNCTIONS, TakeNotes, of_takes, residual_maker
from evenbore.setups.comparability import session_groups, usable
from evenbore.setups.doubts import left_out
from evenbore.setups.errors import SetupErrors
from evenbore.setups.loudness import Matched, match_loudness
from evenbore.setups.normalise import CHAIN_MEASURES
from evenbore.setups.rooms import common_error, room_error
from evenbore.statistics.alignment import take_offsets
from evenbore.statistics.grouped import grouped_means
from evenbore.statistics.student import CONFIDENCE, half_width
from evenbore.trade.families import Family

_Take: TypeAlias = tuple[Row, TakeNotes]  # with its _TAKE_KEYS
_Counted: TypeAlias = dict[Owner, list[_Take]]  # takes by instrument and state
_Value: TypeAlias = tuple[str | float, ...]  # _VALUE_KEYS, criterion, value
_Shifts: TypeAlias = tuple[Owner, str, Ints, Floats]  # owner, criterion, components, shifts

DYNAMICS = ("pp", "p", "mp", "mf", "f", "ff")
WORST = "worst_note_cents"
LEAST_SHARE = 0.9  # ASSUME: a take with fewer of the notes would hide too many of the others'
_FIXED = ("written", "register", "veiled", "partner")  # fields of TakeNotes that no take changes
_VALUE_KEYS = ["instrument", "state", "session", "recording", "direction", "articulation"]
_TAKE_KEYS = ["recording", "instrument", "state", "session", "take", "dynamic", "articulation", "direction"]
NO_RECORDING = "no usable recording"
PASSAGES = "only passages of music were recorded of it, and no scale"
NOT_AT_BASE = "no usable take of a scale at the dynamic that instruments are compared at"
ONE_TAKE = "one take: interval from the study's pooled repeatability"
NO_REPEATS = "no repeat takes of this kind in the study (copies do not count): no interval"
NO_SESSIONS = (
    "no instrument links its session, as its player played it, with the others by takes of this kind: what the day and"
    " the player add is in the value and not in the interval"
)
ROOM_IN_IT = "with the room's resonances at single notes: nothing links this session to another"
IN_DOUBT = "notes left out, in doubt"
NOT_ABOVE = "not above the player's own scatter"
BORROWED_CURVE = "no soft and loud takes of its own: brought to the common loudness as the others change with it"
NO_CURVE = "no soft and loud takes in the study: not brought to a common loudness, so how loud it was played is in it"
NOT_SURELY_ABOVE = "not surely above the player's own scatter"


def assess(
    notes: pd.DataFrame, errors: SetupErrors, recordings: pd.DataFrame, instruments: dict[str, Row],
    inspection: Sequence[Row], families: dict[str, Family], config: dict[str, Any], far: Collection[FarOff] = (),
    players: Mapping[str, str] | None = None,
) -> Assessment:  # fmt: skip
    """Assess a study.

    `notes`, `errors`: from `normalise`; `recordings`: the table of that name; `instruments`, `inspection`: sheet
    rows as dicts; `families`: family key -> Family; `config` needs base_dynamic, currency, states and own_days; `far`:
    notes far from their place; `players`: recording -> who played it.
    """
    players, base = players or {}, config["base_dynamic"]
    # 1. Every take's notes, at a common loudness, and those of the base dynamic that instruments are judged by
    kinds = {name: row["family"] for name, row in instruments.items()}
    columns = {c.name: COLUMNS[c.matched] for c in MEASURED if c.matched}
    matched = {name: match_loudness(notes, column, kinds) for name, column in columns.items()}
    at_common = {columns[name]: one.values for name, one in matched.items()}
    takes = prepared_takes(notes.assign(**at_common), instruments, families)
    at_base: _Counted = {}
    for key, take in takes:
        if key["dynamic"] == base:
            at_base.setdefault((key["instrument"], key["state"]), []).append((key, take))
    counted = {owner: _of_same_notes(members) for owner, members in at_base.items()}
    # 2. The criteria of every take, less what the sessions add; and how the set-ups' errors shift the instruments'
    scatter = {name: _scatter(name, counted) for name in DEVIATIONS}
    evennesses, moved = _evennesses(takes, counted, scatter, notes, errors)
    shifts = _shift_table(moved + _matching_shifts(counted, matched))
    values = _take_values(takes, counted, scatter, evennesses)
    values["player"] = [players.get(recording, "") for recording in values["recording"]]
    values = with_scatter_ratios(without_session_offsets(values))
    # 3. How much own days scatter, and from all that the instruments' values and intervals
    days = own_days(values, _pitch_curves(counted, players), config["own_days"])
    values, hidden = _without_hidden_worst(values, far)
    owners, lacking = _owners(recordings, instruments, config["states"]), _notes_left_out(at_base, counted)
    found = Assessment(pd.DataFrame(), values, shifts, days)
    rows: list[Row] = []
    for criterion in CRITERIA.values():
        if criterion.kind == "cost":
            rows += _cost_rows(criterion, owners, instruments, inspection, config["currency"])
        else:
            doubts, missed = _notes_in_doubt(notes, criterion, base), lacking if criterion.kind == "take" else {}
            words = {owner: joined(missed.get(owner, ""), doubts.get(owner, "")) for owner in owners}
            rows += _rows(criterion, owners, found, words)
    # 4. What else there is to say of a value, or of its being missing
    table = pd.DataFrame(rows)
    _give_reasons(table, recordings, matched, hidden, base)
    return replace(found, instruments=table)


def _without_hidden_worst(
    values: pd.DataFrame, far: Collection[FarOff]
) -> tuple[pd.DataFrame, dict[Owner, tuple[float, str]]]:
    """The takes' values less worst notes that are none, because a note further out was not found in every take; and for
    their owners how far out that note is at the least, in cents, and what was found."""
    worst = values["criterion"] == WORST
    known = values[worst].groupby(OWNER)["value"].mean()
    hidden: dict[Owner, tuple[float, str]] = {}
    for one in far:
        owner = one.instrument, one.state
        least = FAR_CENTS if np.isnan(one.cents) else abs(one.cents) - 1e-9  # of the same number, rounded otherwise
        if not one.shared and not known.get(owner, 0.0) >= least and least > hidden.get(owner, (0.0, ""))[0]:
            hidden[owner] = least, one.words()
    out = worst & pd.MultiIndex.from_frame(values[OWNER]).isin(list(hidden))
    return values[~out].reset_index(drop=True), hidden


def _matching_shifts(counted: _Counted, matched: Mapping[str, Matched]) -> list[_Shifts]:
    """How the error of each instrument's curve over loudness shifts what is matched (criterion -> it): a component of
    its own for each."""
    parts: list[_Shifts] = []
    for place, (owner, members) in enumerate(counted.items()):
        for criterion, one in matched.items():
            if owner in one.slopes.index:
                over = np.mean([one.over[key["recording"]] for key, _ in members])
                parts.append((owner, criterion, np.array([place]), np.array([one.slopes.loc[owner, "se"] * over])))
    return parts


def _give_reasons(
    table: pd.DataFrame, recordings: pd.DataFrame, matched: Mapping[str, Matched],
    hidden: Mapping[Owner, tuple[float, str]], base_dynamic: str,
) -> None:  # fmt: skip
    """Fill in, in place, the group of every instrument, the lower end of the `hidden` worst notes, and what else there
    is to say of a value or of its being missing."""
    criterion, owners = table["criterion"], pd.MultiIndex.from_frame(table[OWNER])
    used, groups = usable(recordings), session_groups(recordings)
    first = used.drop_duplicates(OWNER).set_index(OWNER)["session"].map(groups)
    table["group"] = first.reindex(owners).to_numpy()
    for owner, (least, words) in hidden.items():
        row = owners.isin([owner]) & (criterion == WORST).to_numpy()
        table.loc[row, ["low", "reason"]] = least, words
    for name, one in matched.items():
        own = one.slopes["own"].to_dict()
        for row in table.index[(criterion == name) & table["value"].notna()]:
            if not own.get(owners[row], False):
                words = BORROWED_CURVE if owners[row] in own else NO_CURVE
                table.loc[row, "reason"] = joined(table.loc[row, "reason"], words)
    table.loc[table["group"].isna() & ~criterion.isin(EXACT), "reason"] = NO_RECORDING
    scales = used[used["notes_expected"] > 0]
    had, played, at_base = (
        owners.isin(pd.MultiIndex.from_frame(rows[OWNER]))
        for rows in (used, scales, scales[scales["dynamic"] == base_dynamic])
    )
    missing = table["value"].isna() & ~criterion.isin(EXACT)
    table.loc[missing & had & ~played, "reason"] = PASSAGES
    of_takes = criterion.isin([c.name for c in MEASURED if c.kind == "take"])
    table.loc[missing & played & ~at_base & of_takes, "reason"] = NOT_AT_BASE
    alone = table["group"].map(pd.Series(groups).value_counts()) == 1
    in_room = alone & criterion.isin([c.name for c in MEASURED if c.smoothed]) & table["value"].notna()
    table.loc[in_room, "reason"] = [joined(reason, ROOM_IN_IT) for reason in table["reason"][in_room]]


def prepared_takes(
    notes: pd.DataFrame, instruments: dict[str, Row], families: dict[str, Family]
) -> list[tuple[Row, TakeNotes]]:
    """Every recording's keys and notes, repeats of a note within it averaged."""
    if notes.empty:
        return []
    keys = cast(list[Row], notes.drop_duplicates("recording")[_TAKE_KEYS].to_dict("records"))
    midi, places, bounds = _played_notes(notes)
    columns: dict[str, Any] = {name: _means(notes[column].to_numpy(float), places) for name, column in COLUMNS.items()}
    names: dict[tuple[str, bytes], dict[str, Any]] = {}  # most takes hold the same notes
    out = []
    for key, first, last in zip(keys, bounds[:-1], bounds[1:], strict=True):
        family, played = instruments[key["instrument"]]["family"], midi[first:last]
        same = family, played.tobytes()
        if same not in names:
            names[same] = _note_names(families[family], played)
        out.append((key, TakeNotes(**names[same], **{name: values[first:last] for name, values in columns.items()})))
    return out


def _played_notes(notes: pd.DataFrame) -> tuple[Ints, Ints, Ints]:
    """The notes (U,) of all recordings in their order, ascending; the place in them of every row of `notes`; where each
    recording begins, and the end."""
    recording, names = pd.factorize(notes["recording"])
    pairs, places = np.unique(np.column_stack([recording, notes["midi"]]), axis=0, return_inverse=True)
    return pairs[:, 1], places.ravel(), np.searchsorted(pairs[:, 0], np.arange(len(names) + 1))


def _means(values: Floats | Floats32, places: Ints) -> Floats:
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


def _take_values(
    takes: Sequence[_Take], counted: _Counted, scatter: Mapping[str, Mapping[Owner, float]],
    evennesses: Sequence[_Value],
) -> pd.DataFrame:  # fmt: skip
    """One row per criterion and take that has a value; `evennesses`: the rows of the smoothed criteria."""
    rows = list(evennesses)
    for criterion in (c for c in MEASURED if c.kind == "take" and not c.smoothed):
        for owner, members in counted.items():
            telling = [pair for pair in members if criterion.articulation in ("", pair[0]["articulation"])]
            if not telling:
                continue
            measured = np.array(of_takes(criterion.name, [take for _, take in telling]))
            if criterion.name in DEVIATIONS:
                extra = np.full(measured.size, scatter[criterion.name][owner])
                measured = roots(np.square(measured), extra)[0]
            rows += [_value(key, criterion, value) for (key, _), value in zip(telling, measured, strict=True)]
    for key, loud, soft in _dynamic_pairs(takes):
        rows += [_value(key, c, FUNCTIONS[c.name](loud, soft)) for c in MEASURED if c.kind == "dynamics"]
    return (
        pd.DataFrame(rows, columns=[*_VALUE_KEYS, "criterion", "value"]).dropna(subset="value").reset_index(drop=True)
    )


def _evennesses(
    takes: Sequence[_Take], counted: _Counted, scatter: Mapping[str, Mapping[Owner, float]], notes: pd.DataFrame,
    errors: SetupErrors,
) -> tuple[list[_Value], list[_Shifts]]:  # fmt: skip
    """Rows of values of the smoothed criteria, and how the errors of set-ups and rooms shift each instrument's.

    A root mean square is widened by whatever scatters from note to note, so the player's scatter and what is left of
    the room are taken out of the mean square. The shifts are means over takes, one component for each direction of the
    set-ups' error, one for each note of each session, and one for each note of the sessions linked.
    """
    rows: list[_Value] = []
    parts: list[_Shifts] = []
    if notes.empty:
        return rows, parts
    midi, places, bounds = _played_notes(notes)
    begin = {key["recording"]: (first, take.written) for (key, take), first in zip(takes, bounds, strict=False)}
    directions = np.arange(errors.mixing.shape[1])
    room_component = _components(notes["session"], notes["midi"], places) + directions.size
    common_component = _components(notes["group"], notes["midi"], places) + room_component.max() + 1
    session = np.zeros(midi.size, int)
    session[places] = errors.session
    for criterion in (c for c in MEASURED if c.smoothed):
        column = COLUMNS[criterion.measure]
        moves = _means(errors.changes[:, :, CHAIN_MEASURES.index(column)].T, places)
        left, common = (
            np.nan_to_num(_means(notes[name(column)].to_numpy(float), places)) for name in (room_error, common_error)
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
                rows.append(_value(key, criterion, value))
                errors_there = moves[here] * own[:, None], left[here] * own, common[here] * own
                of_setup, *of_room = evenness_shifts(take, criterion, *errors_there)
                components += [directions, room_component[here], common_component[here]]
                shifts += [errors.along_all(of_setup * slope, session[here[0]]), *(part * slope for part in of_room)]
            place, number = np.unique(np.concatenate(components), return_inverse=True)
            parts.append((owner, criterion.name, place, np.bincount(number, np.concatenate(shifts)) / len(members)))
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


def _shift_table(parts: list[_Shifts]) -> pd.DataFrame:
    """The shifts table."""
    sizes = [len(components) for _, _, components, _ in parts]
    columns = {
        "instrument": np.repeat([owner[0] for owner, *_ in parts], sizes),
        "state": np.repeat([owner[1] for owner, *_ in parts], sizes),
        "criterion": np.repeat([criterion for _, criterion, *_ in parts], sizes),
        "component": np.concatenate([np.empty(0, int), *(components for *_, components, _ in parts)]),
        "shift": np.concatenate([np.empty(0), *(shifts for *_, shifts in parts)]),
    }
    table = pd.DataFrame(columns)
    return table[table["shift"] != 0].reset_index(drop=True)


def _of_same_notes(members: list[_Take]) -> list[_Take]:
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
    """Fill in what takes lack of `values` (T, N) where at least half of them know it."""
    known = np.isfinite(values)
    lacking = ~known & (2 * known.sum(axis=0) >= len(values))
    if not lacking.any():
        return
    offset = np.nan_to_num(take_offsets(values))[:, None]
    mean = np.nansum(values - offset, axis=0) / np.maximum(known.sum(axis=0), 1)
    values[lacking] = (mean + offset)[lacking]


def _notes_left_out(at_base: _Counted, counted: _Counted) -> dict[Owner, str]:
    """Instrument and state -> in words, how many of its notes are not judged because some of its takes lack them."""
    words = {}
    for owner, members in at_base.items():
        heard, kept = set().union(*(take.written.tolist() for _, take in members)), counted[owner]
        judged = kept[0][1].written.size
        if judged < len(heard):
            words[owner] = f"judged by {judged} of {len(heard)} notes: most of its takes lack the others"
        elif len(kept) < len(members):
            words[owner] = f"{len(members) - len(kept)} of {len(members)} takes left out: they lack too many notes"
    return words


def _notes_in_doubt(notes: pd.DataFrame, criterion: Criterion, base_dynamic: str) -> dict[Owner, str]:
    """Instrument and state -> in words, how many of the notes that would tell the criterion are in doubt, and why."""
    if criterion.kind == "take":
        telling = notes[(notes["dynamic"] == base_dynamic)]
    else:
        used = [dynamic for dynamic in DYNAMICS if (notes["dynamic"] == dynamic).any()]
        telling = notes[notes["dynamic"].isin([*used[:1], *used[-1:]])]
    if criterion.articulation:
        telling = telling[telling["articulation"] == criterion.articulation]
    why = left_out(telling["flags"], criterion.reads)
    words: dict[Owner, str] = {}
    for owner, reasons in why.groupby([telling[key] for key in OWNER]) if why.notna().any() else ():
        if n := reasons.count():
            named = ", ".join(reasons.value_counts().index)
            words[cast(Owner, owner)] = f"{n} of {len(reasons)} {IN_DOUBT}: {named}"
    return words


def _scatter(criterion: str, counted: _Counted) -> dict[Owner, float]:
    """Mean square by which the player's scatter from note to note inflates a criterion of each instrument.

    Variance between repeats of each note's deviation, of the instrument's own sets of repeats; without any that of the
    others, 0 without repeat takes at all.
    """
    within = {}
    for owner, members in counted.items():
        sets: dict[tuple[str, ...], list[Floats]] = {}
        for key, take in members:
            same = tuple(key[k] for k in ("session", "direction", "articulation"))
            sets.setdefault(same, []).append(DEVIATIONS[criterion](take))
        within[owner] = np.sum([_within(np.array(repeats)) for repeats in sets.values()], axis=0)
    pooled, freedom = np.sum(list(within.values()), axis=0) if within else (0.0, 0.0)
    others = pooled / freedom if freedom else 0.0
    return {owner: squares / count if count else others for owner, (squares, count) in within.items()}


def _within(repeats: Floats) -> tuple[float, float]:
    """Sum of squares of `repeats` (T, N) within the notes known in all, and its degrees of freedom."""
    known = repeats[:, np.isfinite(repeats).all(axis=0)]
    return float(((known - known.mean(axis=0)) ** 2).sum()), float((len(known) - 1) * known.shape[1])


def _pitch_curves(counted: _Counted, players: Mapping[str, str]) -> Iterator[tuple[pd.DataFrame, Floats]]:
    """Pitch (T, N) of the takes of instruments recorded several times, each from its take's mean, with the takes' keys:
    set by set of takes that hold the same notes."""
    alike: dict[bytes, list[_Take]] = {}
    for key, take in (pair for members in counted.values() for pair in members):
        if np.isfinite(take.cents).all():
            player = players.get(key["recording"], "")
            alike.setdefault(take.written.tobytes(), []).append((key | {"player": player}, take))
    for members in alike.values():
        notes = np.array([take.cents - take.cents.mean() for _, take in members])
        if len(members) > 1 and notes.shape[1] >= MIN_NOTES:
            yield pd.DataFrame([key for key, _ in members]), notes


def _value(key: Row, criterion: Criterion, value: float) -> _Value:
    return (*(key[name] for name in _VALUE_KEYS), criterion.name, value)


def _dynamic_pairs(takes: Sequence[_Take]) -> Iterator[tuple[Row, TakeNotes, TakeNotes]]:
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


def without_session_offsets(values: pd.DataFrame) -> pd.DataFrame:
    """Take values less what a session, and its player, adds (column session_offset), for the criteria it adds to."""
    offset = np.zeros(len(values))
    for criterion in ADDITIVE:
        rows = np.flatnonzero(values["criterion"] == criterion)
        if rows.size:
            offset[rows] = block_offsets(values.iloc[rows])
    return values.assign(session_offset=offset, value=values["value"] - offset)


def _owners(recordings: pd.DataFrame, instruments: dict[str, Row], states: list[str]) -> list[Owner]:
    """Instruments with the states they were recorded in; the first state for one never recorded."""
    had = recordings.groupby("instrument")["state"].agg(set).to_dict()
    return [(name, state) for name in instruments for state in states if state in had.get(name, {states[0]})]


def _rows(criterion: Criterion, owners: Sequence[Owner], found: Assessment, unjudged: Mapping[Owner, str]) -> list[Row]:
    """Rows of the instruments table of one criterion; `unjudged`: words on notes and takes left out, per owner."""
    takes = found.takes[found.takes["criterion"] == criterion.name]
    known = found.errors(criterion.name, owners)
    if known is None:
        return [_row(owner, criterion, reason=joined(criterion.missing, unjudged[owner])) for owner in owners]
    of_owner: dict[Any, pd.DataFrame] = dict(list(takes.assign(value=played_alike(takes)).groupby(OWNER)))
    cells = cells_of(takes)
    # with one block in all, what it adds is the same for everybody
    linked = {cells.owners[n] for n in cells.owner[cells.joined() | (np.unique(cells.block).size < 2)]}
    rows = []
    for owner, half in zip(owners, half_width(*known.of_values(), known.shares, CONFIDENCE).tolist(), strict=True):
        if owner not in of_owner:
            rows.append(_row(owner, criterion, reason=joined(criterion.missing, unjudged[owner])))
            continue
        value, n = of_owner[owner]["value"].to_numpy().mean(), of_owner[owner]["recording"].nunique()
        flag = NO_REPEATS if np.isnan(half) else ONE_TAKE if n == 1 else ""
        on_days = NO_SESSIONS if owner not in linked and not np.isnan(half) else ""
        low, high, small = value - half, value + half, ""
        if criterion.name in DEVIATIONS and (value <= 0 or low < 0):
            small = NOT_SURELY_ABOVE if value > 0 else NOT_ABOVE
            value, low, high = (np.maximum(x, 0.0) for x in (value, low, high))
        rows.append(_row(owner, criterion, value, low, high, n, joined(flag, small, on_days, unjudged[owner])))
    return rows


def _cost_rows(
    criterion: Criterion, owners: Sequence[Owner], instruments: dict[str, Row], inspection: Sequence[Row], currency: str
) -> list[Row]:
    rows = []
    for owner in owners:
        sheet = instruments[owner[0]]
        price = price_of(sheet)
        if price is None:
            rows.append(_row(owner, criterion, reason=criterion.missing))
        else:
            repairs = sum(item.get("cost") or 0.0 for item in inspection if item["instrument"] == owner[0])
            cost = price + (sheet.get("setup_cost") or 0.0) + (sheet.get("case_cost") or 0.0) + repairs
            rows.append(_row(owner, criterion, cost, cost, cost))
    return [row | {"unit": currency} for row in rows]


def _row(
    owner: Owner, criterion: Criterion, value: float = np.nan, low: float = np.nan, high: float = np.nan,
    n_takes: Any = pd.NA, reason: str = "",
) -> Row:  # fmt: skip
    known = {"value": value, "low": low, "high": high, "unit": criterion.unit, "n_takes": n_takes, "reason": reason}
    return {"instrument": owner[0], "state": owner[1], "criterion": criterion.name} | known
