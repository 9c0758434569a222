"""Profiles of every instrument after set-up normalisation: note by note, and over one-third-octave bands.

The take is the unit: values are means over takes (each direction of the scale counting alike), for notes with the
offset of each whole take taken out first (see `alignment`) and the mean offset kept. Standard errors come from the
scatter between repeat takes, pooled over the study per measure (or band), plus the error of the set-up estimate and
what is left of the room (see `rooms`).
Without repeats anywhere the standard error is empty. Intervals are 90 %, by Student's t.
"""

from collections.abc import Iterable, Iterator
from typing import cast

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.arrays import Bools, Floats
from evenbore.facts.rows import Row
from evenbore.setups.harmonics import blocks
from evenbore.setups.loudness import match_loudness
from evenbore.setups.normalise import CHAIN_MEASURES, Normalised
from evenbore.setups.responses import BAND_HZ, MIN_ABOVE_NOISE_DB, REPLICATE, band_place
from evenbore.setups.rooms import ROOM_MEASURES, repeat_variance, room_error, variance_of_means
from evenbore.statistics.alignment import take_offsets
from evenbore.statistics.grouped import row_groups
from evenbore.trade.families import Family

MATCHED = "brightness_matched_db"  # brightness_db at a common loudness
_MEASURES = ("cents", "cents_sd", *CHAIN_MEASURES, MATCHED, "hnr_db", "noise_high_db", "attack_ms")
_OWNER = ["instrument", "state", "dynamic"]


def note_profiles(
    normalised: Normalised, instruments: dict[str, Row], families: dict[str, Family]
) -> Iterator[pd.DataFrame]:
    """The note_profiles table in parts; `attack_ms` from tongued takes only."""
    kinds = {name: row["family"] for name, row in instruments.items()}
    notes = normalised.notes
    notes = notes.assign(**{MATCHED: match_loudness(notes, "brightness_db", kinds).values})
    notes["attack_ms"] = notes["attack_ms"].where(notes["articulation"] == "tongued")
    # a note played twice in one recording (up-down) counts once
    keys = [*dict.fromkeys([*_OWNER, *REPLICATE, "recording", "midi", "written_note", "group"])]
    takes = notes.groupby(keys, sort=False)[list(_MEASURES)].mean().reset_index()
    by_note = [*_OWNER, "midi", "written_note", "group"]
    repeats = takes.groupby([*REPLICATE, "midi"])[list(_MEASURES)]
    s_r2, freedom = repeat_variance(repeats, takes[list(_MEASURES)])

    by_direction = _aligned(takes).groupby([*by_note, "direction"])[list(_MEASURES)]
    value = by_direction.mean().groupby(by_note).mean()
    # variance of a mean of direction means: the mean of 1/n over the directions, over their number
    inverse = (1 / by_direction.count().where(lambda n: n > 0)).groupby(by_note)
    variance = s_r2 * inverse.mean() / inverse.count()
    setup = _setup_variance(normalised, notes, by_note).reindex(variance.index)
    variance[list(CHAIN_MEASURES)] += setup
    left = notes[[room_error(name) for name in ROOM_MEASURES]].fillna(0.0) ** 2
    left = left.set_axis(list(ROOM_MEASURES), axis=1)
    room = variance_of_means(left, [notes[key] for key in by_note], notes["session"]).reindex(variance.index)
    variance[list(ROOM_MEASURES)] += room
    variance[MATCHED] += setup["brightness_db"] + room["brightness_db"]
    n_takes = takes.groupby(by_note)[list(_MEASURES)].count()

    register = {}
    for name, note in takes[["instrument", "midi"]].drop_duplicates().itertuples(index=False):
        family = families[instruments[name]["family"]]
        known = family.register_of(int(family.to_written(note)))
        register[name, note] = "" if known is None else known.name

    for rows in blocks(max(len(value), 1)):
        its = {"value": value[rows], "se": variance[rows] ** 0.5, "n_takes": n_takes[rows]}
        table = pd.concat({name: wide.stack() for name, wide in its.items()}, axis=1)
        table = table.rename_axis([*by_note, "measure"]).dropna(subset="value").reset_index()
        half = special.stdtrit(table["measure"].map(freedom).astype(float).clip(lower=1), 0.95) * table["se"]
        yield table.assign(
            low=table["value"] - half,
            high=table["value"] + half,
            register=[register[key] for key in zip(table["instrument"], table["midi"], strict=True)],
        )


def _aligned(takes: pd.DataFrame) -> pd.DataFrame:
    """The notes of every take (rows) less the take's offset from its owner's others; directions count alike.

    Offsets average zero over an owner's takes, so that only means of notes that some takes lack change.
    """
    values = takes[list(_MEASURES)].to_numpy(float, copy=True)
    recording, midi, directions = (takes[key].to_numpy() for key in ("recording", "midi", "direction"))
    for rows in row_groups(takes.groupby(_OWNER)):
        take, names = pd.factorize(recording[rows])
        note, heard = pd.factorize(midi[rows])
        if len(names) == 1 or len(rows) == len(names) * len(heard):
            continue
        direction = directions[rows[np.unique(take, return_index=True)[1]]]
        share = 1 / pd.Series(direction).groupby(direction).transform("size").to_numpy()
        for column in values.T:
            grid = np.full((len(names), len(heard)), np.nan)
            grid[take, note] = column[rows]
            offsets = take_offsets(grid)
            offsets -= np.average(offsets, weights=share)
            column[rows] -= offsets[take]
    return takes.assign(**dict(zip(_MEASURES, values.T, strict=True)))


def _setup_variance(normalised: Normalised, notes: pd.DataFrame, by_note: list[str]) -> pd.DataFrame:
    """Variance of each note's mean CHAIN_MEASURES from the error of the set-ups."""
    errors, cells = normalised.errors, notes.groupby(by_note)
    cell, size = cells.ngroup().to_numpy(), cells.size()
    total = np.zeros((len(size), len(CHAIN_MEASURES)))
    for rows in row_groups(notes.groupby("instrument")):
        whole, place = np.unique(cell[rows], return_inverse=True)
        total[whole] = errors.variance_of_means(errors.changes[:, rows], errors.session[rows], place)
    return pd.DataFrame(total, index=size.index, columns=list(CHAIN_MEASURES))


def band_profiles(normalised: Normalised, bands: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """The band_profiles table: mean power of the normalised harmonics per band, over all notes, in dB.

    A band counts where its mean power is at least MIN_ABOVE_NOISE_DB over the noise (`bands`: that table in parts) and
    harmonics fall into it. Each take is centred over the bands of its row set before takes are averaged.
    """
    takes, room = _band_levels(normalised, bands)
    level, key = takes[range(BAND_HZ.size)].to_numpy(), takes.drop(columns=range(BAND_HZ.size))
    errors = normalised.setups.errors_db
    deviation, cells = [], takes.groupby(REPLICATE).indices
    for rows in cells.values():
        shared = np.isfinite(level[rows]).all(axis=0)
        if len(rows) > 1 and shared.any():
            centred = np.where(shared, level[rows] - level[rows][:, shared].mean(axis=1, keepdims=True), np.nan)
            deviation.append((centred - centred.mean(axis=0), len(rows) - 1))
    s_r2 = np.full(BAND_HZ.size, np.nan)
    if deviation:
        squares = np.array([(d**2).sum(axis=0) for d, _ in deviation])
        freedom = (np.isfinite(squares) * np.array([[df] for _, df in deviation])).sum(axis=0)
        s_r2 = np.divide(np.nansum(squares, axis=0), freedom, out=s_r2, where=freedom > 0)

    parts = []
    for whole in (_OWNER, [*_OWNER, "session"]):
        for owner, rows in takes.groupby(whole).indices.items():
            keep = np.isfinite(level[rows]).all(axis=0)
            if not keep.any():
                continue
            centred = level[rows][:, keep] - level[rows][:, keep].mean(axis=1, keepdims=True)
            variance = s_r2[keep] / len(rows)
            if errors is not None:
                sessions, count = np.unique(key["session_number"].to_numpy()[rows], return_counts=True)
                moved = np.tensordot(count / len(rows), errors[:, sessions][:, :, keep], axes=(0, 1))
                variance = variance + ((moved - moved.mean(axis=1, keepdims=True)) ** 2).sum(axis=0)
            variance = variance + _session_means_variance(key["session"].to_numpy()[rows], room[rows][:, keep])
            of_owner = dict(zip(whole, cast(tuple[str, ...], owner), strict=True))
            of_owner |= {"band_hz": BAND_HZ[keep], "level_db": centred.mean(axis=0), "se_db": variance**0.5}
            parts.append(pd.DataFrame(of_owner | {"group": key["group"].to_numpy()[rows[0]]}))
    columns = [*_OWNER, "session", "band_hz", "level_db", "se_db", "group"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _session_means_variance(session: Floats, room: Floats) -> Floats:
    """Variance (B,) of a mean over takes of the variances (T, B) that all takes of a session share."""
    total = np.zeros(room.shape[1])
    for name in np.unique(session):
        here = session == name
        total += here.mean() ** 2 * room[here].mean(axis=0)
    return total


def _band_levels(normalised: Normalised, bands: Iterable[pd.DataFrame]) -> tuple[pd.DataFrame, Floats]:
    """One row per take: its keys and the level in each band (columns 0 ... B-1), NaN where it does not count; and the
    variance (T, B) of these levels by what is left of the room in single harmonics."""
    notes = normalised.notes
    power, uncertain = np.zeros((2, len(notes), BAND_HZ.size))
    for rows in blocks(len(notes)):
        harmonics, rest = normalised.level_db[rows].astype(float), normalised.room_variance[rows]
        band = np.rint(band_place(normalised.frequency_hz[rows])).astype(int)
        inside = np.isfinite(harmonics) & (band >= 0) & (band < BAND_HZ.size)
        place = np.nonzero(inside)[0], band[inside]
        one = 10 ** (harmonics[inside] / 10)
        np.add.at(power[rows], place, one)
        np.add.at(uncertain[rows], place, one**2 * rest[inside])
    keys = [notes[key] for key in (*REPLICATE, "recording", "group")]
    total = pd.DataFrame(power).groupby(keys, sort=False).sum()
    mean = total.div(notes.groupby(keys, sort=False).size(), axis=0)
    with np.errstate(divide="ignore"):
        level = cast(pd.DataFrame, 10 * np.log10(mean.where(mean > 0)))
    room = pd.DataFrame(uncertain).groupby(keys, sort=False).sum() / total.where(total > 0) ** 2

    clear = _clear_bands(bands, level.index.get_level_values("recording"))
    takes = level.where(clear).reset_index()
    numbers = {name: i for i, name in enumerate(normalised.setups.sessions)}
    return takes.assign(session_number=takes["session"].map(numbers)), room.to_numpy()


def _clear_bands(bands: Iterable[pd.DataFrame], recordings: pd.Index) -> Bools:
    """Whether the bands (T, B) of these recordings stand MIN_ABOVE_NOISE_DB over their noise."""
    total, noise = np.zeros((2, len(recordings), BAND_HZ.size))
    for part in bands:
        recording = recordings.get_indexer(pd.Index(part["recording"]))
        number = np.rint(band_place(part["band_hz"].to_numpy())).astype(int)
        used = (recording >= 0) & (number >= 0) & (number < BAND_HZ.size)
        power = 10 ** (part["level_db"].to_numpy(float) / 10)
        place = recording[used], number[used]
        np.add.at(total, place, power[used])
        np.add.at(noise, place, (power / 10 ** (part["above_noise_db"].to_numpy(float) / 10))[used])
    return (total > 0) & (total >= noise * 10 ** (MIN_ABOVE_NOISE_DB / 10))
