"""Bring all recordings to one set-up: subtract the set-up's response from every harmonic, measure again, and take out
what the room adds to single notes (see `rooms`).

Only what the set-up colours is measured again: level, and every measure of the harmonics' relative levels.
Pitch, noise, attack and timing stay as measured. A harmonic outside the bands that the links reach becomes
"not measured". Sessions that nothing links keep their own levels (response 0) and their own group number.
What a note's flags put in doubt is left out from here on (see `doubts`). What is left of the harmonics is compared with
the usual ones of the same note (see `tone`).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats, Floats32
from evenbore.facts.measures import HARMONIC_MEASURES, harmonic_measures
from evenbore.setups.comparability import session_groups, usable
from evenbore.setups.doubts import loudness_doubted, without_doubted
from evenbore.setups.errors import SetupErrors, session_directions
from evenbore.setups.harmonics import blocks, harmonic_arrays
from evenbore.setups.octaves import octave_levels
from evenbore.setups.responses import Setups, estimate_setups
from evenbore.setups.rooms import harmonic_rooms, without_rooms
from evenbore.setups.tone import RELATIVE, RELATIVE_TILT, against_usual, against_usual_value

CHAIN_MEASURES = tuple(HARMONIC_MEASURES)


@dataclass(frozen=True)
class Normalised:
    """Result of `normalise`.

    `notes`: notes.tsv columns, the CHAIN_MEASURES normalised, `group`, the normalised OCTAVES, RELATIVE_TILT, RELATIVE.
    `tone`: the takes' mean curves over the harmonics, see `against_usual`.
    `errors`: what the set-ups' error does to the CHAIN_MEASURES; without directions when nothing links or nothing was
    repeated. `frequency_hz`, `level_db` (N, H): the normalised harmonics of the same rows; `room_variance` (N, H), dB²:
    of what is left of the room in them.
    """

    setups: Setups
    notes: pd.DataFrame
    errors: SetupErrors
    frequency_hz: Floats32
    level_db: Floats32
    room_variance: Floats32
    tone: pd.DataFrame


def normalise(
    recordings: pd.DataFrame, notes: pd.DataFrame, harmonics: Iterable[pd.DataFrame],
    kinds: Mapping[str, str] | None = None,
) -> Normalised:  # fmt: skip
    """Estimate the set-ups and normalise the notes of every recording not set aside.

    `recordings`, `notes`: the tables of that name; `harmonics`: that table, in parts; `kinds`: kind of each instrument,
    none: all of one.
    """
    groups = session_groups(recordings)
    notes = notes[notes["recording"].isin(usable(recordings)["recording"])].reset_index(drop=True)
    heard = harmonic_arrays(notes, harmonics)
    moved = loudness_doubted(notes["flags"])
    clear = np.where(moved[:, None], np.float32(np.nan), heard.level_db) if moved.any() else heard.level_db
    setups = estimate_setups(notes, heard._replace(level_db=clear), groups)

    session = pd.Categorical(notes["session"], categories=setups.sessions).codes
    directions, mixing = session_directions(setups)
    measured = np.empty((len(notes), len(CHAIN_MEASURES)))
    changes = np.empty((directions.shape[1], *measured.shape), np.float32)
    frequency_hz, flat, _ = heard
    del heard, clear  # large, and not needed any more
    for rows in blocks(len(notes)):
        frequency = frequency_hz[rows]
        flat[rows] = flat[rows] - setups.at(session[rows], frequency, setups.response_db)
        measured[rows] = _chain_measures(flat[rows], frequency)
        for r, change in enumerate(changes):
            shifted = flat[rows] - setups.at(session[rows], frequency, directions[:, r])
            change[rows] = _chain_measures(shifted, frequency) - measured[rows]
    notes = notes.assign(group=notes["session"].map(groups), **dict(zip(CHAIN_MEASURES, measured.T, strict=True)))
    notes = without_doubted(notes)
    changes[:, notes[list(CHAIN_MEASURES)].isna().to_numpy()] = np.nan
    flat[moved] = np.nan
    room, room_variance = harmonic_rooms(notes, frequency_hz, flat)
    flat -= room
    del room
    notes = without_rooms(notes).assign(**octave_levels(flat, frequency_hz[:, 0]))
    tilt, tone = against_usual(notes, flat, kinds or {})
    notes[RELATIVE_TILT] = np.where(notes["tilt_db_per_octave"].isna(), np.nan, tilt)
    for measure, column in RELATIVE.items():
        notes[column] = against_usual_value(notes, measure, kinds or {})
    errors = SetupErrors(changes, session, mixing, CHAIN_MEASURES)
    return Normalised(setups, notes, errors, frequency_hz, flat, room_variance, tone)


def _chain_measures(level_db: Floats32 | Floats, frequency_hz: Floats32) -> Floats:
    """The CHAIN_MEASURES (N, M) of harmonics (N, H)."""
    measures = harmonic_measures(level_db.astype(float), frequency_hz[:, 0].astype(float))
    return np.column_stack([measures[name] for name in CHAIN_MEASURES])
