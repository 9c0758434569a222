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
from typing import Any, cast

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats
from evenbore.facts.criteria import ADDITIVE, CRITERIA, EXACT, MEASURED, MIN_NOTES, Criterion
from evenbore.facts.rows import Row, price_of
from evenbore.facts.words import joined
from evenbore.judge.evenness import VALUE_KEYS, Shifted, TakeValue, evennesses, roots, shifted, take_value
from evenbore.judge.faroff import FAR_CENTS, FarOff
from evenbore.judge.repeatability import (
    OWNER,
    Assessment,
    Owner,
    block_offsets,
    own_days,
    played_alike,
    with_scatter_ratios,
    with_takes_beside,
)
from evenbore.judge.takes import DYNAMICS, ByOwner, Played, dynamic_pairs, of_same_notes, prepared_takes
from evenbore.judge.values import COLUMNS, DEVIATIONS, FUNCTIONS, of_takes
from evenbore.setups.comparability import session_groups, usable
from evenbore.setups.doubts import left_out
from evenbore.setups.errors import SetupErrors
from evenbore.setups.loudness import Matched, match_loudness
from evenbore.statistics.student import CONFIDENCE, half_width
from evenbore.trade.families import Family

WORST = "worst_note_cents"
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
    at: dict[str, ByOwner] = {base: {}}
    for key, take in takes:
        at.setdefault(key["dynamic"], {}).setdefault((key["instrument"], key["state"]), []).append((key, take))
    alike = {played: {owner: of_same_notes(own) for owner, own in members.items()} for played, members in at.items()}
    at_base, counted = at[base], alike.pop(base)
    # 2. The criteria of every take, less what the sessions add; and how the set-ups' errors shift the instruments'
    scatter = {name: _scatter(name, counted) for name in DEVIATIONS}
    even, moved = evennesses(takes, counted, scatter, notes, errors)
    shifts = _shift_table(moved + _matching_shifts(counted, matched))
    loud_and_soft = [
        take_value(key, c, FUNCTIONS[c.name](loud, soft))
        for key, loud, soft in dynamic_pairs(takes) for c in MEASURED if c.kind == "dynamics"
    ]  # fmt: skip
    values = _table([*even, *_of_takes(counted, scatter), *loud_and_soft], players)
    beside = [
        _table(_of_takes(counted_there, {name: _scatter(name, counted_there) for name in scatter}), players)
        for counted_there in alike.values()
    ]
    values = with_scatter_ratios(with_takes_beside(without_session_offsets(values), beside))
    # 3. How much own days scatter, and from all that the instruments' values and intervals
    days = own_days(values, _pitch_curves(counted, players), config["own_days"])
    values, hidden = _without_hidden_worst(values, far)
    owners, lacking = _owners(recordings, instruments, config["states"]), _notes_left_out(at_base, counted)
    found = Assessment(pd.DataFrame(), values, shifts, days)
    rows: list[Row] = []
    in_doubt: dict[tuple[Any, ...], dict[Owner, str]] = {}
    for criterion in CRITERIA.values():
        if criterion.kind == "cost":
            rows += _cost_rows(criterion, owners, instruments, inspection, config["currency"])
        else:
            asks = criterion.kind, criterion.articulation, criterion.reads
            if asks not in in_doubt:
                in_doubt[asks] = _notes_in_doubt(notes, criterion, base)
            doubts, missed = in_doubt[asks], lacking if criterion.kind == "take" else {}
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


def _matching_shifts(counted: ByOwner, matched: Mapping[str, Matched]) -> list[Shifted]:
    """How the error of each instrument's curve over loudness shifts what is matched (criterion -> it): a component of
    its own for each."""
    parts: list[Shifted] = []
    for place, (owner, members) in enumerate(counted.items()):
        for criterion, one in matched.items():
            if owner in one.slopes.index:
                over = np.mean([one.over[key["recording"]] for key, _ in members])
                error = np.array([one.slopes.loc[owner, "se"] * over])
                parts.append(shifted(owner, criterion, np.array([place]), error))
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


def _of_takes(counted: ByOwner, scatter: Mapping[str, Mapping[Owner, float]]) -> list[TakeValue]:
    """One row per criterion that is not smoothed and take."""
    rows = []
    for criterion in (c for c in MEASURED if c.kind == "take" and not c.smoothed):
        for owner, members in counted.items():
            telling = [pair for pair in members if criterion.articulation in ("", pair[0]["articulation"])]
            if not telling:
                continue
            measured = np.array(of_takes(criterion.name, [take for _, take in telling]))
            if criterion.name in DEVIATIONS:
                extra = np.full(measured.size, scatter[criterion.name][owner])
                measured = roots(np.square(measured), extra)[0]
            rows += [take_value(key, criterion, value) for (key, _), value in zip(telling, measured, strict=True)]
    return rows


def _table(rows: Sequence[TakeValue], players: Mapping[str, str]) -> pd.DataFrame:
    """The rows that have a value, with who played."""
    table = pd.DataFrame(rows, columns=[*VALUE_KEYS, "criterion", "value"]).dropna(subset="value")
    players_of = [players.get(recording, "") for recording in table["recording"]]
    return table.assign(player=players_of).reset_index(drop=True)


def _shift_table(parts: list[Shifted]) -> pd.DataFrame:
    """The shifts table; with millions of rows, so names are categories."""
    sizes = [shifts.size for *_, shifts in parts]

    def named(names: Sequence[str]) -> "pd.Categorical[Any]":
        known = {name: number for number, name in enumerate(dict.fromkeys(names))}
        numbers = np.array([known[name] for name in names], np.int32)
        return pd.Categorical.from_codes(np.repeat(numbers, sizes), pd.Index([*known], dtype="str"))

    return pd.DataFrame({
        "instrument": named([owner[0] for owner, *_ in parts]),
        "state": named([owner[1] for owner, *_ in parts]),
        "criterion": named([criterion for _, criterion, *_ in parts]),
        "component": np.concatenate([np.empty(0, np.int32), *(components for *_, components, _ in parts)]),
        "shift": np.concatenate([np.empty(0), *(shifts for *_, shifts in parts)]),
    })  # fmt: skip


def _notes_left_out(at_base: ByOwner, counted: ByOwner) -> dict[Owner, str]:
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
    if notes["flags"].fillna("").eq("").all():
        return {}
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


def _scatter(criterion: str, counted: ByOwner) -> dict[Owner, float]:
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


def _pitch_curves(counted: ByOwner, players: Mapping[str, str]) -> Iterator[tuple[pd.DataFrame, Floats]]:
    """Pitch (T, N) of the takes of instruments recorded several times, each from its take's mean, with the takes' keys:
    set by set of takes that hold the same notes."""
    alike: dict[bytes, list[Played]] = {}
    for key, take in (pair for members in counted.values() for pair in members):
        if np.isfinite(take.cents).all():
            player = players.get(key["recording"], "")
            alike.setdefault(take.written.tobytes(), []).append((key | {"player": player}, take))
    for members in alike.values():
        notes = np.array([take.cents - take.cents.mean() for _, take in members])
        if len(members) > 1 and notes.shape[1] >= MIN_NOTES:
            yield pd.DataFrame([key for key, _ in members]), notes


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
    takes = found.takes_of[criterion.name]
    known = found.errors(criterion.name, owners)
    if known is None:
        return [_row(owner, criterion, reason=joined(criterion.missing, unjudged[owner])) for owner in owners]
    cells, values, _ = played_alike(takes)
    means = dict(zip(cells.owners, cells.mean_weights @ cells.means(values), strict=True))
    # with one block in all, what it adds is the same for everybody
    linked = {cells.owners[n] for n in cells.owner[cells.joined() | (np.unique(cells.block).size < 2)]}
    halves = half_width(*known.of_values(), known.shares, CONFIDENCE)
    rows = []
    for owner, half, n in zip(owners, halves.tolist(), known.n.tolist(), strict=True):
        if owner not in means:
            rows.append(_row(owner, criterion, reason=joined(criterion.missing, unjudged[owner])))
            continue
        flag = NO_REPEATS if np.isnan(half) else ONE_TAKE if n == 1 else ""
        on_days = NO_SESSIONS if owner not in linked and not np.isnan(half) else ""
        value, small = means[owner], ""
        low, high = value - half, value + half
        if criterion.name in DEVIATIONS and (value <= 0 or low < 0):
            small = NOT_SURELY_ABOVE if value > 0 else NOT_ABOVE
            value, low, high = (np.maximum(x, 0.0) for x in (value, low, high))
        rows.append(_row(owner, criterion, value, low, high, int(n), joined(flag, small, on_days, unjudged[owner])))
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
