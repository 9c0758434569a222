"""Studies of sampled instruments: real recorded notes, made into many instruments, played into rooms, measured.

The notes of a soundfont are one instrument of a kind; a shop needs many. Each instrument here is those notes with
deviations of its own (level, tilt, colour and pitch of each note) and of each take, of the same sizes as the
simulated ones (assumed, not measured on instruments). Takes are slurred, `TEMPO_S` a note. Everything from the
sound on is the program's own way: segmentation, measures, normalisation.
"""

import hashlib
import pickle
import tempfile
import zlib
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile
from scipy.fft import next_fast_len

from evenbore.notes.chunkfile import write_chunk
from evenbore.notes.collect import collect
from evenbore.notes.measure import measure_recording
from evenbore.run.dependencies import library_files
from evenbore.setups.normalise import normalise
from evenbore.trade.families import Family, load_family
from rendering.dress import with_noise
from rendering.render import ATTACK_S, FADE_S, RATE, find_soundfont, note_hz, notes_alone, play_soundfont
from rendering.study import PROGRAMS
from synth.instrument import DYNAMIC_DB, make_instrument, stream
from synth.playing import Player

from . import losses
from .losses import Loss

CACHE = Path(__file__).resolve().parents[2] / "build" / "findings"
SOUNDFONTS = ("FluidR3_GM.sf2", "TimGM6mb.sf2")
# a soundfont has one clarinet: a bass clarinet's range is played on it
PROGRAM = PROGRAMS | {"clarinet_bass_low_c": PROGRAMS["clarinet_b_flat"]}
TEMPO_S = (0.34, 0.46)
HELD_S = 1.3
LEAD_S, TAIL_S = 0.6, 0.8
NODES_HZ = np.geomspace(100, 12_800, 15)  # half octaves, where the colour of an instrument's note is drawn
ROOM_S, DIRECT_DB = 0.35, 3.0
MOVED = 0.3  # share of the room's tail that changes from take to take
SNR_DB = 45.0
COLOUR_DB = 1.0
OVERBLOWN_DB = 6.0  # softer than the note meant, ASSUME


@dataclass(frozen=True)
class Shop:
    """One study: `instruments` of a family out of a soundfont, instrument 0 in every session, the others in one.

    `faults`: what is planted, by instrument number. `weak`: session -> losses that its room puts on every instrument.
    `cents`: instrument -> written note -> cents. `silent`: instrument -> dynamic -> notes that do not speak: the
    overblown one sounds, softer. `planted` tells all that in any words, for the cache.
    """

    seed: int
    family: str
    soundfont: str
    instruments: int = 12
    sessions: int = 1
    dynamics: tuple[str, ...] = ("mf",)
    takes: int = 1
    spread: float = 1.0
    planted: str = ""
    faults: dict[int, Loss] = field(default_factory=dict, repr=False, compare=False)
    weak: dict[int, Loss] = field(default_factory=dict, repr=False, compare=False)
    cents: dict[int, dict[int, float]] = field(default_factory=dict, repr=False, compare=False)
    silent: dict[int, dict[str, set[int]]] = field(default_factory=dict, repr=False, compare=False)


def study(shop: Shop) -> tuple[pd.DataFrame, dict, dict]:
    """Normalised notes, instruments sheet and families of a shop; kept under `CACHE` once measured."""
    family = load_family(shop.family)
    sheet = {f"i{number:02d}": {"family": shop.family} for number in range(shop.instruments)}
    file = CACHE / f"{hashlib.sha256(f'{shop!r} {_sources()}'.encode()).hexdigest()[:24]}.pickle"
    if file.exists():
        tables = pickle.loads(file.read_bytes())
    else:
        tables = _measured(shop, family)
        CACHE.mkdir(parents=True, exist_ok=True)
        file.write_bytes(pickle.dumps(tables))
    notes = normalise(tables["recordings"], tables["notes"], tables["harmonics"]).notes
    return notes, sheet, {shop.family: family}


@cache
def _sources() -> str:
    """What a kept study depends on beside its plan: everything that measures, and this module and the faults."""
    files = [*library_files("measure"), *library_files("collect"), __file__, losses.__file__]
    return hashlib.sha256(b"".join(Path(file).read_bytes() for file in files)).hexdigest()


def _measured(shop: Shop, family: Family) -> dict[str, pd.DataFrame]:
    measured = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(shop.instruments):
            for session in range(shop.sessions) if number == 0 else [number % shop.sessions]:
                for dynamic in shop.dynamics:
                    for take in range(1, shop.takes + 1):
                        path = Path(folder) / f"i{number:02d}_{session}_{dynamic}_{take}.wav"
                        soundfile.write(path, render(shop, family, number, session, dynamic, take), RATE, "FLOAT")
                        one = measure_recording(_row(path, shop.family, number, session, dynamic, take))
                        one.recording.update(chunk="all", sha256=path.stem)
                        measured.append(one)
                        path.unlink()
        write_chunk(measured, Path(folder) / "chunk.npz")
        tables = collect([str(Path(folder) / "chunk.npz")], [one.recording["recording"] for one in measured], {})
        harmonics = list(tables["harmonics"])
    return {"recordings": tables["recordings"], "notes": tables["notes"], "harmonics": harmonics}


def _row(path: Path, family: str, number: int, session: int, dynamic: str, take: int) -> dict:
    return {
        "recording": path.stem, "instrument": f"i{number:02d}", "session": f"s{session}", "take": take,
        "dynamic": dynamic, "articulation": "slurred", "pattern": "chromatic", "direction": "up", "state": "as_found",
        "low": None, "high": None, "notes": None, "channel": None,
        "start_s": None, "end_s": None, "path": str(path), "family": family,
        "families_dir": None, "tuning_hz": 440.0,
    }  # fmt: skip


def render(shop: Shop, family: Family, number: int, session: int, dynamic: str, take: int) -> np.ndarray:
    """One slurred scale over the family's standard range, as recorded, (frames,)."""
    name, player = f"i{number:02d}", Player()
    model = make_instrument(family, shop.seed, name, 6.0, level_sd=0.9 * shop.spread, tilt_sd=0.45 * shop.spread)
    rng = stream(shop.seed, name, session, dynamic, take)
    colours = stream(shop.seed, name, "colour")
    whole = DYNAMIC_DB[dynamic] + rng.normal(0, player.take_level_sd)
    tilt = rng.normal(0, player.take_tilt_sd)
    fault, weak = shop.faults.get(number), shop.weak.get(session)
    bodies = sampled_notes(
        shop.soundfont, PROGRAM[shop.family], family.to_sounding(family.low), family.to_sounding(family.high)
    )
    fade = round(FADE_S * RATE)
    ramp = ((np.arange(fade) + 0.5) / fade).astype(np.float32)
    pieces, lengths = [], []
    silent = shop.silent.get(number, {}).get(dynamic, set())
    for written in range(family.low, family.high + 1):
        sounding = min(written + (family.overblow or 12) * (written in silent), family.high)
        body = bodies[sounding - family.low]
        f0 = note_hz(family.to_sounding(sounding))
        length = round(rng.uniform(*TEMPO_S) * RATE) + fade
        cents = model.cents[written] + rng.normal(0, player.cents_sd) + shop.cents.get(number, {}).get(written, 0.0)
        piece = retuned(body, rng.uniform(0, 0.3), length, cents)
        spectrum, hz = np.fft.rfft(piece), np.fft.rfftfreq(length, 1 / RATE)
        loud = whole + rng.normal(0, player.level_sd) - OVERBLOWN_DB * (written in silent)
        octaves = np.clip(np.log2(np.maximum(hz / f0, 1e-9)), 0, 4)
        gain = loud + model.level_db[written]
        gain = gain + (model.tilt_db[written] + 0.2 * loud + tilt + rng.normal(0, player.tilt_sd)) * octaves
        gain += np.interp(
            np.log(np.maximum(hz, 1)), np.log(NODES_HZ), shop.spread * colours.normal(0, COLOUR_DB, len(NODES_HZ))
        )
        for loss in filter(None, (fault, weak)):
            gain -= loss(written, f0, hz, dynamic)
        piece = np.fft.irfft(spectrum * 10 ** (gain / 20), length)
        piece[:fade] *= ramp
        piece[-fade:] *= ramp[::-1]
        pieces.append(piece)
        lengths.append(length - fade)
    audio = np.zeros(round((LEAD_S + TAIL_S) * RATE) + sum(lengths) + fade)
    at = round(LEAD_S * RATE)
    for piece, length in zip(pieces, lengths, strict=True):
        audio[at : at + len(piece)] += piece
        at += length
    audio = _in_room(audio, shop.seed, session, zlib.crc32(f"{name}{dynamic}{take}".encode()))
    audio = with_noise(
        audio,
        SNR_DB - (DYNAMIC_DB["mf"] - DYNAMIC_DB[dynamic]),
        zlib.crc32(f"{shop.seed}{name}{dynamic}{take}".encode()),
    )
    return (0.25 * audio).astype(np.float32)


@cache
def sampled_notes(soundfont: str, program: int, low: int, high: int) -> list[np.ndarray]:
    """The steady part of each sounding note from low to high, (frames,), all at the same level."""
    path = find_soundfont(soundfont)
    if path is None:
        raise FileNotFoundError(f"{soundfont} is not installed")
    midis = list(range(low, high + 1))
    alone = notes_alone(partial(play_soundfont, path, program), midis, [HELD_S] * len(midis))
    steady = [note[round(ATTACK_S * RATE) : round(HELD_S * RATE)].astype(float) for note in alone]
    return [0.1 * note / np.sqrt(np.mean(note**2)) for note in steady]


def retuned(body: np.ndarray, start_s: float, length: int, cents: float) -> np.ndarray:
    """`length` samples of a note from start_s on, raised by cents (cubic interpolation)."""
    at = start_s * RATE + np.arange(length) * 2 ** (cents / 1200)
    whole = at.astype(int)
    x = at - whole
    a, b, c, d = (
        (body[whole + k] for k in (-1, 0, 1, 2))
        if whole[0]
        else (body[np.maximum(whole + k, 0)] for k in (-1, 0, 1, 2))
    )
    return b + 0.5 * x * (c - a + x * (2 * a - 5 * b + 4 * c - d + x * (3 * (b - c) + d - a)))


def _in_room(audio: np.ndarray, seed: int, session: int, take: int) -> np.ndarray:
    """The sound in the session's room, whose tail is mostly the same in all of its takes."""
    time = np.arange(round(1.2 * ROOM_S * RATE)) / RATE
    stay = stream(seed, "room", session).standard_normal(len(time))
    moved = stream(seed, "room", session, take).standard_normal(len(time))
    tail = (np.sqrt(1 - MOVED**2) * stay + MOVED * moved) * 10 ** (-3 * time / ROOM_S)
    tail[time < 0.003] = 0
    tail *= np.sqrt(10 ** (-DIRECT_DB / 10) / np.sum(tail**2))
    size = next_fast_len(len(audio) + len(tail), real=True)
    wet = np.fft.irfft(np.fft.rfft(audio, size) * np.fft.rfft(tail, size), size)
    return audio + wet[: len(audio)]
