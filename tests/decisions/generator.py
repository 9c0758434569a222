"""Draws studies note by note, with known truth. Nothing of the program's models is used.

Twelve alto saxophones play the chromatic scale Bb3 to F#6, tongued, at p, mf and f. Of every note five quantities are
drawn (QUANTITIES), pitch, level, brightness, air noise and attack time, and three of the tone (TONE),

    note = truth of the instrument + what the session (and the player) adds to all
         + the instrument's own day, as a whole and from note to note
         + offset of the take + scatter of the note.

SCATTER holds the standard deviations of takes and notes; sessions, players and days are multiples of them. `PLAIN` is
normal and alike everywhere, `REAL` is not. Axes: I instruments, S sessions, T takes, N notes, Q quantities.
"""

from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd

FAMILY, INSTRUMENTS = "saxophone_alto", 12
WRITTEN = np.arange(58, 90)  # Bb3 to F#6
SOUNDING = WRITTEN - 9
REGISTER = np.searchsorted([74, 86], WRITTEN, side="right")  # lower, from D5 upper, from D6 palm keys
_LETTERS = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
NAMES = np.array([f"{_LETTERS[note % 12]}{note // 12 - 1}" for note in WRITTEN])
PUSH_DB = {"p": -8.0, "mf": 0.0, "f": 7.0}

QUANTITIES = {"cents": "cents", "level": "level_dbfs", "brightness": "brightness_db", "noise": "noise_high_db",
              "attack": "attack_ms"}  # fmt: skip
"""Quantity -> its column of the notes table."""
CENTS, LEVEL, BRIGHTNESS, NOISE, ATTACK = range(5)
SCATTER = {
    "cents": (2.0, 2.5),
    "level": (0.7, 1.0),
    "brightness": (0.5, 0.8),
    "noise": (0.8, 1.2),
    "attack": (4.0, 8.0),
}
"""Standard deviations of a take as a whole and of a note: cents, dB, dB, dB, ms."""
TAKE_SD, NOTE_SD = np.array([SCATTER[name] for name in QUANTITIES]).T
TONE = {"relative_tilt_db": (0.2, 0.4, 0.1), "relative_odd_even_db": (0.4, 1.5, 0.1),
        "relative_fundamental_db": (0.4, 1.5, -0.2)}  # fmt: skip
"""Column of the normalised notes, in which no instrument differs -> standard deviations of a take as a whole and of a
note (dB per octave, dB, dB), and what a dB more of level adds."""
TONE_TAKE_SD, TONE_NOTE_SD, LOUDER = np.array(list(TONE.values())).T
SESSION = 4.0  # standard deviation of what a session adds, and a player, in those of a take

# between instruments: tuning, noise and attack as a whole; notes; answer to the player's dynamics
OWN_SD = {"cents": 6.0, "noise": 1.2, "attack": 7.0}
OWN_NOTE_SD = {"cents": 4.0, "level": 0.8, "brightness": 0.7, "noise": 0.5, "attack": 2.0}
UNEVEN = 0.4  # standard deviation of the logarithm of how uneven an instrument's notes are
REACH_SD, DRIFT_SD, HOLD_SD = 0.06, 1.5, 0.4


@dataclass(frozen=True)
class Scatter:
    """How takes and notes scatter: by Student's t of `freedom` (infinite: normal); a share of the takes `outlying` by
    3 more SDs with twice the scatter of notes; a share of the notes `missing`; `unequal` by instrument (SD of the
    logarithm) and by register (factor of each)."""

    freedom: float = np.inf
    outlying: float = 0.0
    missing: float = 0.0
    unequal: float = 0.0
    registers: tuple[float, float, float] = (1.0, 1.0, 1.0)


PLAIN = Scatter()
REAL = Scatter(freedom=4.0, outlying=0.03, missing=0.015, unequal=0.35, registers=(0.8, 1.0, 1.3))
SILENT = None  # no scatter at all: the truth as it would be measured
KINDS = {"plain": PLAIN, "real": REAL}


@dataclass(frozen=True)
class Truth:
    """`curves` (I, N, Q): the notes at mf. Of each instrument (I,): `reach`, how far it goes with the player's
    dynamics; `drift`, cents, and `hold`, dB of brightness, that 10 dB of level add."""

    curves: np.ndarray
    reach: np.ndarray
    drift: np.ndarray
    hold: np.ndarray


class Visit(NamedTuple):
    """An instrument in a state, recorded in a session by a player."""

    instrument: int
    session: int = 0
    state: str = "as_found"
    player: int = 0


class Study(NamedTuple):
    """The tables `recordings` and `notes`, without what normalising adds, and the rows of the instruments sheet."""

    recordings: pd.DataFrame
    notes: pd.DataFrame
    sheet: dict[str, dict]


def name(instrument: int) -> str:
    """Id of an instrument; ids sort as the numbers do."""
    return f"x{instrument:02d}"


def layout(sessions: int, shared: int) -> list[Visit]:
    """The first `shared` instruments are in all sessions, the others in one each."""
    return [
        Visit(i, s)
        for i in range(INSTRUMENTS)
        for s in (range(sessions) if i < shared else [i % sessions])
    ]  # fmt: skip


def design(rng) -> np.ndarray:
    """Curves (N, Q) that all instruments of the model share: low notes, throat notes, registers, and a little of its
    own for every note."""
    low, throat = np.clip(62 - WRITTEN, 0, None) / 4, np.isin(WRITTEN, [70, 71, 72, 73])
    curves = np.empty((WRITTEN.size, len(QUANTITIES)))
    curves[:, CENTS] = np.array([-2.0, 2.0, 6.0])[REGISTER] - 4 * low + 4 * throat + rng.normal(0, 2.0, WRITTEN.size)
    curves[:, LEVEL] = -24 + np.array([0.0, 1.0, 2.0])[REGISTER] - 2 * throat + rng.normal(0, 0.5, WRITTEN.size)
    curves[:, BRIGHTNESS] = -14 - np.array([0.0, 1.0, 3.0])[REGISTER] - 2 * throat + rng.normal(0, 0.5, WRITTEN.size)
    curves[:, NOISE] = -25 + 2 * throat + rng.normal(0, 0.5, WRITTEN.size)
    curves[:, ATTACK] = 45 + 25 * low + rng.normal(0, 2.0, WRITTEN.size)
    return curves


def instruments(rng, spread: float = 1.0) -> Truth:
    """Instruments of one model that differ, `spread` times as much as such instruments usually do."""
    own, own_notes = (
        spread * np.array([sd.get(quantity, 0.0) for quantity in QUANTITIES]) for sd in (OWN_SD, OWN_NOTE_SD)
    )
    curves = design(rng) + rng.normal(0, own, (INSTRUMENTS, 1, own.size))
    uneven = np.exp(rng.normal(0, UNEVEN, (INSTRUMENTS, 1, own.size)))
    curves = curves + uneven * rng.normal(0, own_notes, (INSTRUMENTS, WRITTEN.size, own.size))
    reach, drift, hold = (rng.normal(0, spread * sd, INSTRUMENTS) for sd in (REACH_SD, DRIFT_SD, HOLD_SD))
    return Truth(curves, 1 + reach, -1 + drift, 1.5 + hold)


def identical(rng) -> Truth:
    """Instruments that do not differ at all."""
    one = instruments(rng)
    return Truth(*(np.repeat(part[:1], INSTRUMENTS, axis=0) for part in vars(one).values()))


def clusters(rng, number: int, apart: float = 3.0) -> Truth:
    """Instruments in `number` clusters of equal size; the standard deviation between clusters is `apart` times that
    within them, at every note."""
    truth, sd = identical(rng), np.array([OWN_NOTE_SD[quantity] for quantity in QUANTITIES]) / 2
    shape = WRITTEN.size, len(QUANTITIES)
    centres = rng.normal(0, apart * sd, (number, *shape)) if number > 1 else np.zeros((1, *shape))
    own = rng.normal(0, sd, (INSTRUMENTS, *shape))
    return replace(truth, curves=truth.curves + centres[np.arange(INSTRUMENTS) * number // INSTRUMENTS] + own)


def shifted(truth: Truth, quantity: int, by: float) -> Truth:
    """The last instrument shifted as a whole."""
    curves = truth.curves.copy()
    curves[-1, :, quantity] += by
    return replace(truth, curves=curves)


def stretched(truth: Truth, quantity: int, factor: float) -> Truth:
    """The last instrument's notes further from their median by a factor."""
    curves = truth.curves.copy()
    middle = np.median(curves[-1, :, quantity])
    curves[-1, :, quantity] = middle + factor * (curves[-1, :, quantity] - middle)
    return replace(truth, curves=curves)


def draw(rng, truth: Truth, visits: list[Visit], scatter: Scatter | None, takes=2, day=0.0, room_db=0.0) -> Study:
    """A study of these visits, `takes` at each dynamic.

    `day`: standard deviations of an instrument's own days in those of a take and of a note. `room_db`: of what the
    room of a session adds to the level and the brightness of single notes, in all takes alike. SILENT: none of it.
    """
    keys = pd.DataFrame(
        [(*visit, dynamic, take) for visit, dynamic, take in product(visits, PUSH_DB, range(1, takes + 1))],
        columns=["instrument", "session", "state", "player", "dynamic", "take"],
    )
    i, s, player = (keys[key].to_numpy() for key in ("instrument", "session", "player"))
    push = keys["dynamic"].map(PUSH_DB).to_numpy(float) * truth.reach[i]
    values = truth.curves[i]
    values[:, :, LEVEL] += push[:, None]
    values[:, :, CENTS] += (truth.drift[i] * push / 10)[:, None]
    values[:, :, BRIGHTNESS] += (truth.hold[i] * push / 10)[:, None]
    present = np.ones(values.shape[:2], bool)
    tone = np.zeros((*values.shape[:2], len(TONE)))
    if scatter is not None:
        apart = rng.spawn(1)[0]  # so that the tone leaves all else as it was
        tone += _around(apart, i, s, player, day, TONE_TAKE_SD, TONE_NOTE_SD)
        tone += _played(apart, scatter, i, TONE_TAKE_SD, TONE_NOTE_SD)
        values += _around(rng, i, s, player, day, TAKE_SD, NOTE_SD)
        values[:, :, [LEVEL, BRIGHTNESS]] += rng.normal(0, room_db, (s.max() + 1, WRITTEN.size, 2))[s]
        values += _played(rng, scatter, i, TAKE_SD, NOTE_SD)
        present = rng.random(present.shape) >= scatter.missing
    louder = (values - truth.curves[i])[:, :, LEVEL].mean(axis=1)
    return _tables(rng, keys, values, present, tone + louder[:, None, None] * LOUDER)


def _around(rng, i, s, player, day: float, take_sd: np.ndarray, note_sd: np.ndarray) -> np.ndarray:
    """What session, player and the instrument's own day add (T, N, Q) to takes of these instruments, sessions and
    players (T,)."""
    sessions, players = s.max() + 1, player.max() + 1
    added = rng.normal(0, SESSION * take_sd, (sessions, take_sd.size))[s][:, None]
    if players > 1:
        added = added + rng.normal(0, SESSION * take_sd, (players, take_sd.size))[player][:, None]
    added = added + rng.normal(0, day * take_sd, (INSTRUMENTS, sessions, 1, take_sd.size))[i, s]
    return added + rng.normal(0, day * note_sd, (INSTRUMENTS, sessions, WRITTEN.size, take_sd.size))[i, s]


def _played(rng, scatter: Scatter, instrument: np.ndarray, take_sd: np.ndarray, note_sd: np.ndarray) -> np.ndarray:
    """What the takes (T) of these instruments add: offsets and scatter of notes (T, N, Q)."""
    offset = _deviates(rng, scatter.freedom, (instrument.size, take_sd.size))
    note = _deviates(rng, scatter.freedom, (instrument.size, WRITTEN.size, take_sd.size))
    outlying = (rng.random(instrument.size) < scatter.outlying)[:, None]
    offset += outlying * 3 * rng.choice([-1, 1], offset.shape)
    note *= (1 + outlying[:, :, None]) * np.array(scatter.registers)[REGISTER][:, None]
    # a mean square of one over instruments
    own = np.exp(rng.normal(0, scatter.unequal, INSTRUMENTS) - scatter.unequal**2)[instrument]
    return own[:, None, None] * (offset[:, None] * take_sd + note * note_sd)


def _deviates(rng, freedom: float, shape: tuple[int, ...]) -> np.ndarray:
    """Of standard deviation one."""
    if np.isinf(freedom):
        return rng.standard_normal(shape)
    return rng.standard_t(freedom, shape) * np.sqrt((freedom - 2) / freedom)


def _tables(rng, keys: pd.DataFrame, values: np.ndarray, present: np.ndarray, tone: np.ndarray) -> Study:
    """The tables of takes with these keys, and values (T, N, Q) and tone (T, N, 3) where a note is present (T, N)."""
    recordings = keys.assign(
        recording=[f"r{number:03d}" for number in range(len(keys))],
        instrument=[name(i) for i in keys["instrument"]],
        session="s" + keys["session"].astype(str),
        player=keys["player"].map({0: "X", 1: "Y"}),
        articulation="tongued", direction="up", status="ok", reason="", notes_expected=WRITTEN.size,
        notes_found=present.sum(axis=1), clipped_fraction=0.0,
    )  # fmt: skip
    take, note = np.nonzero(present)
    copied = ["recording", "instrument", "state", "session", "take", "dynamic", "articulation", "direction"]
    notes = recordings[copied].take(take).reset_index(drop=True)
    measured = dict(zip(QUANTITIES.values(), values[take, note].T, strict=True))
    measured |= dict(zip(TONE, tone[take, note].T, strict=True))
    measured["attack_ms"] = np.maximum(measured["attack_ms"], 1.0)
    # around 1, 2 and 4 kHz: level and, the more the higher, brightness
    octaves = {
        f"octave_{1000 * 2**k}_db": measured["level_dbfs"] - 8 * k + share * (measured["brightness_db"] + 14)
        + rng.normal(0, 0.5, take.size)
        for k, share in enumerate((0.3, 0.8, 1.2))
    }  # fmt: skip
    notes = notes.assign(
        midi=SOUNDING[note], written_note=NAMES[note], step=note, flags="", cents_sd=1.0,
        hnr_db=-measured["noise_high_db"], confidence=1.0, **measured, **octaves,
    )  # fmt: skip
    sheet = {
        name(i): {"instrument": name(i), "label": name(i), "family": FAMILY, "model": "M", "price": None,
                  "reference": "no", "grade": "", "shipment": ""}
        for i in range(INSTRUMENTS)
    }  # fmt: skip
    return Study(recordings, notes, sheet)


def fluffed(rng, study: Study) -> Study:
    """The study with one note of one of the last instrument's takes at mf 30 cents off and 6 dB duller."""
    notes = study.notes.copy()
    at_mf = study.recordings.query("dynamic == 'mf'")
    own = at_mf[at_mf["instrument"] == name(INSTRUMENTS - 1)]["recording"].iloc[0]
    row = rng.choice(np.flatnonzero(notes["recording"] == own))
    place = notes.index[row]
    notes.loc[place, "cents"] += rng.choice([-30.0, 30.0])
    notes.loc[place, ["brightness_db", "octave_1000_db", "octave_2000_db", "octave_4000_db"]] -= 6.0
    return study._replace(notes=notes)
