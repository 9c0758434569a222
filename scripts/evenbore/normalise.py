"""Bring all recordings to one set-up: subtract the set-up's response from every harmonic, measure again, and take out
what the room adds to single notes (see `rooms`).

Only what the set-up colours is measured again: level, and every measure of the harmonics' relative levels.
Pitch, noise, attack and timing stay as measured. A harmonic outside the bands that the links reach becomes
"not measured". Sessions that nothing links keep their own levels (response 0) and their own group number.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from evenbore.comparability import session_groups, usable
from evenbore.measures import HARMONIC_MEASURES, harmonic_measures
from evenbore.octaves import octave_levels
from evenbore.rooms import harmonic_rooms, without_rooms
from evenbore.setups import Setups, estimate_setups

CHAIN_MEASURES = tuple(HARMONIC_MEASURES)


@dataclass(frozen=True)
class Normalised:
    """Result of `normalise`.

    `notes`: notes.tsv columns, the CHAIN_MEASURES normalised, `group` and the normalised OCTAVES.
    `shifted`: the CHAIN_MEASURES (K, N, measures) had the set-ups been off by one standard error along each of
    the K error directions of `setups`; K = 0 when nothing links or nothing was repeated. `level_db`,
    `frequency_hz`, `above_noise_db` (N, H): the normalised harmonics of the same rows; `room_variance` (N, H), dB²: of
    what is left of the room in them.
    """

    setups: Setups
    notes: pd.DataFrame
    shifted: np.ndarray
    frequency_hz: np.ndarray
    level_db: np.ndarray
    room_variance: np.ndarray
    above_noise_db: np.ndarray


def normalise(recordings: pd.DataFrame, notes: pd.DataFrame, harmonics: pd.DataFrame) -> Normalised:
    """Estimate the set-ups and normalise the notes of every recording not set aside."""
    groups = session_groups(recordings)
    notes = notes[notes["recording"].isin(usable(recordings)["recording"])].reset_index(drop=True)
    keys = ["recording", "pass", "step"]
    rows = harmonics.merge(
        notes[[*keys, "instrument", "state", "dynamic", "articulation", "direction", "session", "midi"]].assign(
            note=np.arange(len(notes))
        ),
        on=keys,
    )
    setups = estimate_setups(rows, groups)

    size = (len(notes), int(rows["harmonic"].max()) if len(rows) else 1)
    place = rows["note"].to_numpy(), rows["harmonic"].to_numpy(int) - 1
    frequency = notes["f0_hz"].to_numpy(float)[:, None] * np.arange(1, size[1] + 1)
    level, above = np.full(size, np.nan), np.full(size, np.nan)
    frequency[place] = rows["frequency_hz"].to_numpy(float)
    level[place] = rows["level_db"].to_numpy(float)
    above[place] = rows["above_noise_db"].to_numpy(float)

    session = pd.Categorical(notes["session"], categories=setups.sessions).codes
    flat = level - setups.at(session, frequency, setups.response_db)
    f0 = frequency[:, 0]
    notes = notes.assign(group=notes["session"].map(groups), **harmonic_measures(flat, f0))
    measured = notes[list(CHAIN_MEASURES)].to_numpy(float)
    errors = np.empty((0, *setups.response_db.shape)) if setups.errors_db is None else setups.errors_db
    shifted = np.empty((len(errors), len(notes), len(CHAIN_MEASURES)))
    for k, error in enumerate(errors):
        moved = harmonic_measures(flat - setups.at(session, frequency, error), f0)
        shifted[k] = np.column_stack([moved[name] for name in CHAIN_MEASURES]) - measured
    room, room_variance = harmonic_rooms(notes, frequency, flat)
    notes = without_rooms(notes).assign(**octave_levels(flat - room, f0))
    shifted += notes[list(CHAIN_MEASURES)].to_numpy(float)
    return Normalised(setups, notes, shifted, frequency, flat - room, room_variance, above)
