"""What plays: sources of single notes, and what is known of every note from hearing it alone.

Sets of sources that share none: the note finder may be tuned on those of `DEVELOPMENT` and, since their failures were
looked at, on those of `HELD_OUT`, `LATEST` and `SEVENTH`; never on those of `EIGHTH`. An earlier state was judged by
`JUDGED`. A `Voice` is one note held by itself; takes are put together out of voices (`play`).

Conventions: SOUNDING midi; seconds; mono at `RATE`. A voice's pitch comes from two general-purpose references, Praat's
autocorrelation and librosa's yin, near the nominal pitch; a note on which they disagree, or that sounds another octave,
is left out of the bank. `loose` sources miss what they are asked for by many cents: each of their notes is put near its
place by resampling, by what the references heard.
"""

import hashlib
import inspect
import math
import pickle
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache, partial
from pathlib import Path
from types import ModuleType

import numpy as np
import parselmouth
import soxr

from evenbore.trade.families import load_family
from rendering import render
from rendering.models import play_model
from rendering.render import (
    NEAR_CENTS,
    RATE,
    Player,
    audible_span,
    find_soundfont,
    note_hz,
    notes_alone,
    play_soundfont,
    yin_pitch,
)
from rendering.study import PROGRAMS, REPO

from . import arrivals, generators, guests, latecomers, newcomers, strangers

SETS = ("development", "held-out", "judged", "latest", "seventh", "eighth")
DEVELOPMENT, HELD_OUT, JUDGED, LATEST, SEVENTH, EIGHTH = SETS
CACHE = REPO / "build" / "scenarios" / "voices"
HELD_S = 1.7
BODY_S = 0.3  # a voice is steady from here on
HOP_S = 0.01
AGREE_CENTS = 4.0
ASTRAY_CENTS = 100.0
SPREAD_CENTS, MOST_CENTS = 8.0, 25.0  # where the notes of a loose source are put
OVERBLOWN = 13  # semitones above the range that are there as well


@dataclass(frozen=True)
class Voice:
    """One note alone from its note-on, never let go. `cents` (T,): its pitch against nominal every `HOP_S`, NaN where
    none is heard. `audible_s`: where it first is within 20 dB of its steady level."""

    midi: int
    audio: np.ndarray
    cents: np.ndarray
    audible_s: float


@dataclass(frozen=True)
class Source:
    """Something that plays the notes of `families`. `lowest`, `highest`: the notes that it can play. `made_in`: the
    module of this folder that makes its sounds. `needs`: the Debian package that it comes from."""

    name: str
    part: str
    families: tuple[str, ...]
    player: Callable[[str], Player]
    loose: bool = False
    lowest: int = 0
    highest: int = 127
    made_in: ModuleType | None = None
    needs: str = ""

    def bank(self, family: str) -> dict[int, Voice]:
        """All notes of the family's range, and some above, that the source plays well enough."""
        return _bank(self.name, family)

    def midis(self, family: str) -> frozenset[int]:
        """The notes of the bank."""
        return _midis(self.name, family)


def _found(name: str) -> Path:
    soundfont = find_soundfont(name)
    if soundfont is None:
        raise FileNotFoundError(f"{name} is not installed")
    return soundfont


def _soundfont(name: str, programs: dict[str, int], family: str) -> Player:
    return partial(play_soundfont, _found(name), programs[family])


def _sampled(name: str, part: str, needs: str) -> Source:
    return Source(name.removesuffix(".sf2"), part, tuple(PROGRAMS), partial(_soundfont, name, PROGRAMS), needs=needs)


def _waveguide(opcode: str, families: tuple[str, ...], lowest: int, highest: int, loose: bool) -> Source:
    noise = {} if loose else {"breath_noise": 0}
    return Source(opcode, DEVELOPMENT, families, lambda _: partial(play_model, opcode, **noise), loose, lowest, highest)


def _modelled(opcode: str, part: str, families: tuple[str, ...], lowest: int, highest: int) -> Source:
    def player(family: str) -> Player:
        return partial(strangers.modelled, opcode)

    return Source(opcode, part, families, player, True, lowest, highest, strangers, "csound-plugins and stk")


def _blown(_family: str) -> Player:
    return newcomers.blown


def _sung(family: str) -> Player:
    return partial(newcomers.sung, family)


def _additive(name: str, part: str, manner: generators.Manner, families: tuple[str, ...]) -> Source:
    def player(family: str) -> Player:
        return partial(generators.additive, family, manner)

    return Source(name, part, families, player, made_in=generators)


def _stand_ins(name: str, part: str, soundfont: str, programs: dict[str, int], package: str) -> Source:
    return Source(name, part, tuple(programs), partial(_soundfont, soundfont, programs), loose=True, needs=package)


def _bowed(_family: str) -> Player:
    return arrivals.bowed


def _pulsed(family: str) -> Player:
    return partial(arrivals.pulsed, family)


def _distorted(family: str) -> Player:
    return partial(guests.distorted, family)


def _patched(family: str) -> Player:
    return partial(strangers.patched, PROGRAMS[family])


def _modulated(family: str) -> Player:
    return partial(strangers.modulated, family)


_ALL = (
    _sampled("FluidR3_GM.sf2", DEVELOPMENT, "fluid-soundfont-gm"),
    _sampled("TimGM6mb.sf2", DEVELOPMENT, "timgm6mb-soundfont"),
    _waveguide("wgclar", ("clarinet_b_flat", "clarinet_bass_low_c"), 34, 76, loose=False),
    _waveguide("wgflute", ("flute",), 60, 95, loose=True),
    _additive(
        "tones",
        DEVELOPMENT,
        generators.STEADY,
        ("clarinet_bass_low_c", "saxophone_alto", "oboe", "flute", "trombone"),
    ),
    _sampled("sf_GMbank.sf2", HELD_OUT, "csound-soundfont"),
    Source(
        "freepats", HELD_OUT, tuple(PROGRAMS), _patched, loose=True, made_in=strangers, needs="freepats and timidity"
    ),
    _modelled("STKClarinet", HELD_OUT, ("clarinet_b_flat", "clarinet_bass_low_c"), 34, 96),
    _modelled("STKSaxofony", HELD_OUT, ("saxophone_tenor", "saxophone_baritone_low_a"), 34, 77),
    _modelled("STKFlute", HELD_OUT, ("flute",), 55, 92),
    Source("modulated", HELD_OUT, tuple(strangers.MODULATION), _modulated, made_in=strangers),
    _additive(
        "living tones",
        HELD_OUT,
        generators.LIVING,
        ("oboe", "bassoon", "saxophone_soprano", "horn_f", "flute", "clarinet_b_flat"),
    ),
    _sampled("OPL-3_FM_128M.sf2", JUDGED, "opl3-soundfont"),
    Source(
        "clarinet by Faust",
        JUDGED,
        ("clarinet_b_flat", "clarinet_bass_low_c"),
        _blown,
        loose=True,
        lowest=34,
        highest=96,
        made_in=newcomers,
        needs="faust and g++",
    ),
    Source("formant waves", JUDGED, tuple(newcomers.FORMANTS), _sung, made_in=newcomers, needs="csound"),
    _stand_ins("further stand-ins", LATEST, "sf_GMbank.sf2", guests.STAND_INS, "csound-soundfont"),
    Source("phase distortion", LATEST, tuple(guests.BENDS), _distorted, made_in=guests),
    _stand_ins("late stand-ins", SEVENTH, "FluidR3_GM.sf2", arrivals.STAND_INS, "fluid-soundfont-gm"),
    _stand_ins("other late stand-ins", SEVENTH, "TimGM6mb.sf2", arrivals.OTHER_STAND_INS, "timgm6mb-soundfont"),
    Source("bow", SEVENTH, arrivals.BOWED, _bowed, True, 34, 90, arrivals, "csound"),
    Source("pulses", SEVENTH, tuple(arrivals.PULSES), _pulsed, True, made_in=arrivals, needs="csound"),
    _stand_ins("last stand-ins", EIGHTH, "sf_GMbank.sf2", latecomers.SAMPLED, "csound-soundfont"),
    _stand_ins("chip", EIGHTH, "OPL-3_FM_128M.sf2", latecomers.CHIP, "opl3-soundfont"),
    _modelled("STKBlowHole", EIGHTH, ("clarinet_b_flat", "clarinet_a", "saxophone_alto"), 34, 96),
    _modelled("STKBowed", EIGHTH, ("saxophone_tenor", "euphonium", "horn_f"), 34, 84),
    _modelled("STKBlowBotl", EIGHTH, ("flute", "flute_alto", "oboe"), 50, 96),
)
SOURCES = {source.name: source for source in _ALL}


def pairs(part: str) -> list[tuple[Source, str]]:
    """Every source with every family that it plays, sources in turn."""
    sources = [source for source in SOURCES.values() if source.part == part]
    most = max(len(source.families) for source in sources)
    return [(source, source.families[k]) for k in range(most) for source in sources if k < len(source.families)]


@lru_cache(maxsize=4)
def _bank(name: str, family: str) -> dict[int, Voice]:
    """Rendered once and kept under `CACHE`, until what renders it changes."""
    source = SOURCES[name]
    made_by = [inspect.getsource(function) for function in (_heard, _voice, _body_cents, track_cents)]
    made_by += [inspect.getsource(module) for module in (render, source.made_in) if module is not None]
    digest = hashlib.sha256("".join(made_by).encode()).hexdigest()[:12]
    file = CACHE / f"{name}-{family}-{digest}.pickle"
    if file.exists():
        return pickle.loads(file.read_bytes())
    bank = _heard(source, family)
    CACHE.mkdir(parents=True, exist_ok=True)
    for outdated in CACHE.glob(f"{name}-{family}-{'?' * 12}.pickle"):
        outdated.unlink(missing_ok=True)
    unfinished = file.with_suffix(f".{id(bank)}")
    unfinished.write_bytes(pickle.dumps(bank))
    unfinished.replace(file)
    return bank


@cache
def _midis(name: str, family: str) -> frozenset[int]:
    return frozenset(_bank(name, family))


def _heard(source: Source, family: str) -> dict[int, Voice]:
    trade = load_family(family)
    low, high = (int(trade.to_sounding(np.array(note))) for note in (trade.low, trade.high))
    midis = [m for m in range(low - 2, high + OVERBLOWN + 1) if source.lowest <= m <= source.highest]
    alone = notes_alone(source.player(family), midis, [HELD_S] * len(midis))
    bank = {}
    for midi, sound in zip(midis, alone, strict=True):
        voice = _voice(midi, sound[: round(HELD_S * RATE)].astype(float))
        if voice is not None and source.loose:
            rng = np.random.default_rng(zlib.crc32(f"{source.name} {family} {midi}".encode()))
            aim = float(np.clip(rng.normal(0, SPREAD_CENTS), -MOST_CENTS, MOST_CENTS))
            ratio = 2 ** ((aim - _body_cents(voice.cents)) / 1200)
            voice = _voice(midi, soxr.resample(sound[: round(HELD_S * RATE)].astype(float), RATE * ratio, RATE))
        if voice is not None:
            bank[midi] = voice
    return bank


def _voice(midi: int, sound: np.ndarray) -> Voice | None:
    """What is heard of a note alone; None where the references do not agree about a steady note."""
    cents = track_cents(sound, midi, NEAR_CENTS)
    body = sound[round(BODY_S * RATE) :]
    if not np.abs(body).max() > 1e-4:
        return None
    near, wide = _body_cents(cents), _body_cents(track_cents(sound, midi, 1400.0))
    second = 1200 * math.log2(yin_pitch(body, midi) / note_hz(midi))
    if not (abs(near - second) <= AGREE_CENTS and abs(near - wide) <= ASTRAY_CENTS):
        return None
    return Voice(midi, sound.astype(np.float32), cents, audible_span(sound, len(sound) / RATE, midi)[0])


def _body_cents(cents: np.ndarray) -> float:
    body = cents[round(BODY_S / HOP_S) :]
    return float(np.nanmean(body)) if np.isfinite(body).mean() > 0.8 else math.nan


def track_cents(sound: np.ndarray, midi: float, within_cents: float) -> np.ndarray:
    """Praat's pitch (Boersma 1993) in cents against nominal, one value each `HOP_S` from 0 on, (T,)."""
    nominal, room = note_hz(midi), 2 ** (within_cents / 1200)
    pitch = parselmouth.Sound(sound, RATE).to_pitch_ac(
        time_step=HOP_S, pitch_floor=nominal / room, pitch_ceiling=nominal * room, very_accurate=within_cents < 1200
    )
    hz = pitch.selected_array["frequency"]
    known = np.where(hz > 0, 1200 * np.log2(np.where(hz > 0, hz, nominal) / nominal), np.nan)
    places = np.rint(np.arange(0, len(sound) / RATE, HOP_S) / HOP_S - pitch.xs()[0] / HOP_S).astype(int)
    inside = (places >= 0) & (places < len(known))
    return np.where(inside, known[np.clip(places, 0, len(known) - 1)], np.nan)
