"""Phrases of music as takes with known notes: who plays, which melody, how, and what the recording does to it."""

import zlib
from dataclasses import dataclass

import numpy as np

from evenbore.trade.families import load_family
from rendering.dress import with_noise
from rendering.render import RATE
from scenarios.files import room
from scenarios.play import Other, Played, Stroke, perform
from scenarios.sounds import SOURCES, pairs

from .melodies import MELODIES, Beat, melody

LONGEST_S = 1.25
AGAIN_S = 0.05  # silence before a note that is begun anew


@dataclass(frozen=True)
class Manner:
    """How a phrase is played: seconds a beat, slurred or every note begun anew, rubato as the standard deviation of a
    note's length (log), vibrato in cents, and a grace note (a tone above, `grace_s` long) before every seventh note."""

    beat_s: float
    slurred: bool
    rubato: float = 0.0
    vibrato_cents: float = 0.0
    grace_s: float = 0.0


@dataclass(frozen=True)
class Case:
    """One take. `reverb_s`, `snr_db`: the room and its noise, None for none."""

    source: str
    family: str
    melody: str
    manner: Manner
    seed: int
    reverb_s: float | None = None
    snr_db: float | None = None

    @property
    def name(self) -> str:
        return f"{self.melody} / {self.source} / {self.family} / {self.seed}"

    def beats(self) -> list[Beat]:
        """The melody where this source and family can play it, sounding."""
        bank = SOURCES[self.source].midis(self.family)
        beats = melody(self.melody)
        notes = [beat.midi for beat in beats if beat.midi is not None]
        reach = {*notes, max(notes) + 2}
        moves = [move for move in range(-40, 41) if {note + move for note in reach} <= bank]
        if not moves:
            raise LookupError(f"{self.name}: no place where all its notes can be played")
        family = load_family(self.family)
        middle = (family.to_sounding(np.array(family.low)) + family.to_sounding(np.array(family.high))) / 2
        move = min(moves, key=lambda move: abs(np.mean(notes) + move - middle))
        return [Beat(None if beat.midi is None else beat.midi + move, beat.beats) for beat in beats]

    def take(self) -> Played:
        rng = np.random.default_rng(zlib.crc32(f"{self.name} {self.manner}".encode()))
        bank = SOURCES[self.source].bank(self.family)
        played = perform(self.strokes(rng), bank, int(rng.integers(1 << 31)))
        if self.reverb_s is not None:
            played = room(self.reverb_s)(played, rng)
        audio = played.audio + 1e-5 * rng.standard_normal(len(played.audio))
        if self.snr_db is not None:
            audio = with_noise(audio, self.snr_db, int(rng.integers(1 << 31)))
        return Played(audio, played.notes)

    def strokes(self, rng: np.random.Generator) -> list[Stroke | Other]:
        manner, strokes, before, rest = self.manner, [], None, 0.0
        for place, beat in enumerate(self.beats()):
            seconds = beat.beats * manner.beat_s * float(np.exp(manner.rubato * rng.standard_normal()))
            if beat.midi is None:
                rest += seconds
                continue
            slurred = manner.slurred and before is not None and before != beat.midi and not rest
            common = {"gap_s": rest + AGAIN_S, "vibrato_cents": manner.vibrato_cents if seconds > 0.4 else 0.0}
            if manner.grace_s and place % 7 == 3:
                strokes.append(Stroke(beat.midi + 2, manner.grace_s + 0.04, slurred=slurred, **common))
                slurred = True
                seconds -= manner.grace_s
            gap = 0.0 if slurred else AGAIN_S
            strokes.append(Stroke(beat.midi, min(LONGEST_S, max(seconds - gap, 0.08)), slurred=slurred, **common))
            before, rest = beat.midi, 0.0
        return strokes


MANNERS = (
    Manner(0.42, slurred=True),
    Manner(0.42, slurred=False),
    Manner(0.33, slurred=True, rubato=0.15),
    Manner(0.36, slurred=False, rubato=0.15, vibrato_cents=20.0),
    Manner(0.45, slurred=True, rubato=0.08, vibrato_cents=25.0, grace_s=0.09),
)


def cases(part: str, count: int, seed: int, rooms: bool = False) -> list[Case]:
    """So many takes of a set of sources, melodies and manners in turn; in `rooms`, of 0.3 to 0.6 s and noise 20 to 35
    dB down."""
    everybody, names = pairs(part), list(MELODIES)
    rng = np.random.default_rng(zlib.crc32(f"{part} {seed} {rooms}".encode()))
    made: list[Case] = []
    number = 0
    while len(made) < count:
        source, family = everybody[number % len(everybody)]
        dressed = {"reverb_s": float(rng.uniform(0.3, 0.6)), "snr_db": float(rng.uniform(20, 35))} if rooms else {}
        case = Case(source.name, family, names[int(rng.integers(len(names)))], MANNERS[number % len(MANNERS)],
                    seed, **dressed)  # fmt: skip
        number += 1
        try:
            case.beats()
        except LookupError:
            continue
        made.append(case)
    return made


def row(case: Case, path: str) -> dict:
    """The sheet's row of a take in a file."""
    return {
        "recording": case.name, "instrument": case.source, "session": "s1", "take": 1, "dynamic": "mf",
        "articulation": "slurred" if case.manner.slurred else "tongued", "pattern": "passage", "direction": "up",
        "state": "as_found", "low": None, "high": None, "notes": None, "channel": None, "start_s": None, "end_s": None,
        "path": path, "family": case.family, "families_dir": None, "tuning_hz": 440.0, "passage": case.melody,
    }  # fmt: skip


__all__ = ["RATE", "Case", "Manner", "cases", "row"]
