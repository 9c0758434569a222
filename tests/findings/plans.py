"""What the campaign plants where: shops of sampled instruments and simulated studies, each with its faults.

`Planted` says what is true of one instrument; everything that is not planted is healthy.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice, product

import numpy as np

from evenbore.trade.families import Family, load_family
from synth.instrument import stream

from . import losses
from .losses import Loss
from .sampled import SOUNDFONTS, Shop

# Raise this once the program has been changed in the light of what failed here: everything is drawn anew then.
SERIES = 2
DEVELOPED_ON = 101  # the series on which the program was developed after the first
CLARINETS = ("clarinet_b_flat", "clarinet_bass_low_c")
SAXOPHONES = ("saxophone_alto", "saxophone_tenor")
FAMILIES = (*CLARINETS, *SAXOPHONES)
BASS = ("clarinet_bass_low_c",)
MILD = 0.6


@dataclass(frozen=True)
class Planted:
    """A fault: `kind` run, leak, reed, soft, linkage or pitch (`size` in cents); written notes `low` to `high`, or the
    leak's `hole`."""

    kind: str
    size: float = 1.0
    low: int = 0
    high: int = 0
    hole: int = 0

    def loss(self, family: Family) -> Loss:
        """What it takes from the sound."""
        if self.kind == "pitch":
            return losses.tilted(0.0)
        if self.kind == "run":
            return losses.run(self.low, self.high, self.size)
        if self.kind == "leak":
            kind = losses.tabled_leak if family.bore == "cylinder_closed" else losses.modal_leak
            return kind(family, self.hole, self.size)
        if self.kind == "linkage":
            return losses.tilted(self.size, (self.low, self.low + family.overblow))
        return {"reed": losses.tilted, "soft": losses.softer}[self.kind](self.size)

    def cents(self) -> dict[int, float]:
        """Cents that it adds, by written note."""
        return dict.fromkeys(range(self.low, self.high + 1), self.size) if self.kind == "pitch" else {}


@dataclass(frozen=True)
class Study:
    """A sampled (`soundfont`) or simulated (none) study and what is planted in it, by instrument number.

    `room`: what the room of the second session takes from all of its instruments."""

    part: str
    family: str
    seed: int
    planted: dict[int, Planted]
    soundfont: str | None = None
    instruments: int = 12
    dynamics: tuple[str, ...] = ("mf",)
    takes: int = 1
    room: Planted | None = None

    @property
    def name(self) -> str:
        """What tells it from all others."""
        return f"{self.part} {self.family} {self.soundfont or 'simulated'} {self.seed}"

    @property
    def sessions(self) -> int:
        """Number of recording sessions."""
        return 2 if self.room else 1

    def faults(self) -> dict[int, Loss]:
        """What the planted faults take from the sound, by instrument number."""
        return {number: planted.loss(load_family(self.family)) for number, planted in self.planted.items()}

    def weak(self) -> dict[int, Loss]:
        """What the rooms take from it, by session."""
        return {1: self.room.loss(load_family(self.family))} if self.room else {}

    def shop(self) -> Shop:
        """The sampled study to render."""
        return Shop(
            seed=self.seed, family=self.family, soundfont=self.soundfont, instruments=self.instruments,
            sessions=self.sessions, dynamics=self.dynamics, takes=self.takes, planted=f"{self.planted} {self.room}",
            faults=self.faults(), weak=self.weak(), cents={n: planted.cents() for n, planted in self.planted.items()},
        )  # fmt: skip


def _run(family: Family, rng: np.random.Generator, size: float) -> Planted:
    """A sharp-edged run: every other one from the lowest note up, the others anywhere, 5 to 12 notes."""
    length = int(rng.integers(5, 13))
    low = family.low if rng.random() < 0.5 else int(rng.integers(family.low + 1, family.high - length))
    return Planted("run", size, low, low + length - 1)


def _leak(family: Family, rng: np.random.Generator, size: float) -> Planted:
    """A leak at a hole with at least six first-register notes below it."""
    holes = [hole.first_open_for for hole in family.holes if hole.first_open_for - family.low >= 6]
    holes = [hole for hole in holes if family.register_of(hole).name in (family.registers[0].name, "throat")]
    return Planted("leak", size, hole=int(rng.choice(holes)))


def drawn(soundfonts, each: int, families=FAMILIES) -> Iterator[tuple[str, str | None, int]]:
    """Family, soundfont and number of every study of a part."""
    yield from product(families, soundfonts, range(each))


def runs(soundfonts=SOUNDFONTS, each: int = 2) -> Iterator[Study]:
    """One take of twelve instruments, one with a stuffy run, one with a milder one."""
    for family_key, soundfont, number in drawn(soundfonts, each):
        family, rng = load_family(family_key), stream(SERIES, "runs", family_key, str(soundfont), number)
        planted = {1: _run(family, rng, 1.0), 2: _run(family, rng, MILD)}
        yield Study("runs", family_key, int(rng.integers(1 << 30)), planted, soundfont)


def leaks(soundfonts=SOUNDFONTS, each: int = 1, families=FAMILIES) -> Iterator[Study]:
    """Ten instruments, a soft take and one at mezzo-forte, or two at mezzo-forte; one leak of size 1 and one larger."""
    for family_key, soundfont, number in drawn(soundfonts, each, families):
        family, rng = load_family(family_key), stream(SERIES, "leaks", family_key, str(soundfont), number)
        planted = {1: _leak(family, rng, 1.0), 2: _leak(family, rng, 1.4)}
        dynamics, takes = ((("p", "mf"), 1), (("mf",), 2))[number % 2]
        seed = int(rng.integers(1 << 30))
        yield Study("leaks", family_key, seed, planted, soundfont, 10, dynamics, takes)


def small_leaks(soundfonts=SOUNDFONTS, each: int = 1) -> Iterator[Study]:
    """The same with leaks of a third of the size, about 0.6 mm."""
    for study in leaks(soundfonts, each):
        family, rng = load_family(study.family), stream(SERIES, "small", study.seed)
        planted = {1: _leak(family, rng, 0.33), 2: _leak(family, rng, 0.33)}
        yield Study(
            "small leaks", study.family, study.seed + 1, planted, study.soundfont, 10, study.dynamics, study.takes
        )


def impostors(soundfonts=SOUNDFONTS, each: int = 1) -> Iterator[Study]:
    """A dull reed, weak blowing and a linkage fault of one fingering among healthy instruments."""
    for family_key, soundfont, number in drawn(soundfonts, each):
        family, rng = load_family(family_key), stream(SERIES, "impostors", family_key, str(soundfont), number)
        fingered = [
            note
            for note in range(family.low + 3, family.high)
            if family.partner(note) and family.partner(note) <= family.high
        ]
        planted = {
            1: Planted("reed", 3.0),
            2: Planted("soft", 4.0),
            3: Planted("linkage", 4.0, low=int(rng.choice(fingered))),
            4: Planted("reed", 1.5),
        }
        yield Study("impostors", family_key, int(rng.integers(1 << 30)), planted, soundfont)


def rooms(soundfonts=SOUNDFONTS, each: int = 1) -> Iterator[Study]:
    """Twelve instruments in two sessions, the room of one weakening a run of notes in all; one real run beside it."""
    for family_key, soundfont, number in drawn(soundfonts, each):
        family, rng = load_family(family_key), stream(SERIES, "rooms", family_key, str(soundfont), number)
        room, run = _run(family, rng, MILD), _run(family, rng, 1.0)
        yield Study("rooms", family_key, int(rng.integers(1 << 30)), {1: run}, soundfont, room=room)


def shipments(soundfonts=SOUNDFONTS, each: int = 1) -> Iterator[Study]:
    """Forty instruments, one take each; six faulty: two runs, two leaks, a note and three neighbours out of tune."""
    for family_key, soundfont, number in drawn(soundfonts, each):
        family, rng = load_family(family_key), stream(SERIES, "shipments", family_key, str(soundfont), number)
        note, three = (int(rng.integers(family.low + 2, family.high - 4)) for _ in range(2))
        planted = {
            3: _run(family, rng, 1.0),
            9: _run(family, rng, MILD),
            15: _leak(family, rng, 1.0),
            21: _leak(family, rng, 1.4),
            27: Planted("pitch", 40.0, note, note),
            33: Planted("pitch", -35.0, three, three + 2),
        }
        yield Study("shipments", family_key, int(rng.integers(1 << 30)), planted, soundfont, 40)


PARTS = {
    "runs": runs, "leaks": leaks, "small leaks": small_leaks, "impostors": impostors, "rooms": rooms,
    "shipments": shipments,
}  # fmt: skip


def sampled_studies() -> Iterator[Study]:
    """All sampled studies; each takes minutes, so small leaks are simulated only and shipments nearly so."""
    yield from runs(each=3)
    yield from leaks(each=2, families=CLARINETS)
    yield from leaks(each=1, families=SAXOPHONES)
    yield from impostors(SOUNDFONTS[:1])
    yield from rooms(SOUNDFONTS[1:])
    yield from islice(shipments(SOUNDFONTS[:1]), 1)


def simulated_studies() -> Iterator[Study]:
    """All simulated ones, which make no sound and are quick."""
    for name, part in PARTS.items():
        yield from part((None,), 3 if "small" in name or name == "impostors" else 5)
