"""Studies of invented instruments at table level, faults planted, for tests of the diagnosis.

Instruments and players are those of `synth`, without making sound; a session's room shifts every harmonic of
every note, mostly alike in all takes. Frames hold the columns of normalised notes that the diagnosis reads.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from evenbore.facts.measures import brightness_db
from evenbore.setups.octaves import octave_levels
from evenbore.trade.families import load_family
from evenbore.trade.pitch import midi_to_hz, midi_to_note
from synth.instrument import DYNAMIC_DB, HARMONICS, make_instrument, stream
from synth.playing import Player

from .losses import Loss

Silent = dict[str, set[int]]  # dynamic -> written notes

ROOM_DB = 2.5
MOVED = 0.3  # share of the room's amplitude that changes from take to take
CONFIG = {"base_dynamic": "mf", "tolerances": {"default": {"note_cents": 20, "stuffy_z": 3.5}}}
TOP_HZ = 9000.0


def study(
    seed: int,
    family_key: str = "saxophone_alto",
    instruments: int = 10,
    sessions: int = 1,
    dynamics: tuple[str, ...] = ("p", "mf"),
    takes: int = 2,
    faults: dict[int, tuple] | None = None,
    planted: dict[int, Loss] | None = None,
    bent: dict[int, dict[int, float]] | None = None,
    reed: dict[int, float] | None = None,
    soft: dict[int, float] | None = None,
    weak: dict[int, Loss] | None = None,
    silent: dict[int, Silent] | None = None,
    room_db: float = ROOM_DB,
    spread: float = 1.0,
) -> tuple[pd.DataFrame, dict, dict]:
    """Normalised notes, instruments sheet and families of one drawn study.

    `faults`: instrument number -> faults of its model. `planted`: instrument number -> what its faults
    take off the harmonics; `bent`: number -> written note -> cents added. `reed`: instrument number -> dB per octave
    duller throughout; `soft`: dB of loudness less, throughout; `weak`: session -> what its room takes from all;
    `silent`: number -> the notes that do not speak at a dynamic. Instrument 0 is recorded in every session, the others
    in one.
    """
    family = load_family(family_key)
    written = np.arange(family.low, family.high + 1)
    f0 = midi_to_hz(family.to_sounding(written))
    order = np.arange(1, HARMONICS + 1)
    octaves = np.minimum(np.log2(order), 4)
    frequency = f0[:, None] * order
    heard = frequency < TOP_HZ
    player = Player()
    rooms = [stream(seed, "room", s).normal(0, room_db, frequency.shape) for s in range(sessions)]
    frames = []
    for number in range(instruments):
        name = f"i{number:02d}"
        model = make_instrument(
            family, seed, name, intonation_sd=6.0, level_sd=0.9 * spread, tilt_sd=0.45 * spread,
            colour_sd=spread, faults=tuple((faults or {}).get(number, ())),
        )  # fmt: skip
        if reed and number in reed:
            model = replace(model, brightness_db=-reed[number])
        for session in range(sessions) if number == 0 else [number % sessions]:
            for dynamic in dynamics:
                sounds = {}
                for take in range(1, takes + 1):
                    rng = stream(seed, name, session, dynamic, take)
                    whole = rng.normal(0, player.take_level_sd) - (soft or {}).get(number, 0.0)
                    tilt = rng.normal(0, player.take_tilt_sd)
                    loudness = DYNAMIC_DB[dynamic] + whole + rng.normal(0, player.level_sd, len(written))
                    loudness = np.round(loudness * 2) / 2
                    moved = rng.normal(0, room_db, frequency.shape)
                    level, cents, breath, attack = [], [], [], []
                    for k, note in enumerate(written):
                        key = int(note), float(loudness[k])
                        sound = sounds.get(key) or sounds.setdefault(key, model.sound(*key))
                        h = sound.levels_db + (tilt + rng.normal(0, player.tilt_sd)) * octaves
                        for loss in filter(None, ((planted or {}).get(number), (weak or {}).get(session))):
                            h = h - loss(int(note), f0[k], frequency[k], dynamic)
                        level.append(h)
                        cents.append(sound.cents + (bent or {}).get(number, {}).get(int(note), 0.0))
                        breath.append(sound.breath_db)
                        attack.append(1000 * sound.attack_s)
                    room = np.sqrt(1 - MOVED**2) * rooms[session] + MOVED * moved
                    level = np.where(heard, np.array(level) + room, np.nan)
                    power = np.nan_to_num(10 ** (level / 10))
                    total = 10 * np.log10(power.sum(axis=1) / 2)
                    frames.append(
                        pd.DataFrame(
                            {
                                "recording": f"{name}_{session}_{dynamic}_{take}",
                                "instrument": name,
                                "state": "as_found",
                                "session": f"s{session}",
                                "take": take,
                                "dynamic": dynamic,
                                "articulation": "slurred",
                                "direction": "up",
                                "written_note": [midi_to_note(int(note)) for note in written],
                                "midi": family.to_sounding(written),
                                "group": 1,
                                "level_dbfs": total,
                                "brightness_db": brightness_db(level, frequency[:, 0]),
                                **octave_levels(level, frequency[:, 0]),
                                "centroid_hz": (power * frequency).sum(axis=1) / power.sum(axis=1),
                                "noise_high_db": np.array(breath) - total + rng.normal(0, 1, len(written)),
                                "attack_ms": np.nan,
                                "flags": "",
                                "onset_s": np.arange(len(written)) * 0.45,
                                "cents": np.array(cents) + rng.normal(0, 2.5, len(written)),
                            }
                        )[~np.isin(written, list((silent or {}).get(number, {}).get(dynamic, ())))]
                    )
    sheet = {f"i{number:02d}": {"family": family_key} for number in range(instruments)}
    return pd.concat(frames, ignore_index=True), sheet, {family_key: family}
