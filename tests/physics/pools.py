"""Pools of instruments with leaks, and with what is taken for them, by the bench's physics.

A pool is one design: a bore and a reed of the bench's TESTING side, on which no pattern was learned. What its faults
change of each harmonic, pitch and which notes still speak, the bench tells; how sound units differ, how the player and
the room scatter is that of `findings.simulated` (no sound) or `findings.sampled` (recorded notes, rendered, segmented
and measured as any recording). What the bench tells of a fault is kept in build/bench/.
"""

import hashlib
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from evenbore.trade.families import load_family
from findings import sampled, simulated
from findings.losses import Loss
from findings.sampled import Shop
from physics import bores, effects, play, tube
from physics.bores import draw
from physics.effects import Effects, Leak, Tight, dull, leaking, low_pad, otherwise, small_hole, soft, step, tight
from physics.play import DYNAMICS, TESTING, Reed

IMPOSTORS = ("reed", "soft", "soft", "pad", "step")
LEFT_OUT = "left out"  # by the player: so many of the lowest notes, in every take
# How much tight units of one design differ, as a share of what `findings.simulated` assumes (0.9 dB of a note's level):
# 0.12 dB is what the bench gives for holes 2 % wider or narrower, pads 15 % higher or lower, 0.3 mm of place.
TOLERANCES, ASSUMED = 0.15, 1.0
UNITS = 14  # of a pool
DESIGNS = 10  # of a family in a series: each serves several pools, whose units, takes and rooms differ
KEPT = Path(__file__).resolve().parents[2] / "build" / "bench"
FAR = 64  # harmonics to which the bench's are carried on, the last four speaking for all above


@dataclass(frozen=True)
class Fault:
    """`kind` leak, one of IMPOSTORS or LEFT_OUT; `size` in mm on a B flat clarinet for leaks and steps, or a number of
    notes; `hole`: the note that it first opens for, where the fault has a place. `grade`: how dull a reed or soft the
    blowing, 1: usual."""

    kind: str
    size: float = 1.1
    hole: int = 0
    grade: float = 1.0


@dataclass(frozen=True)
class Pool:
    """Units of one design (by its number), some of them faulty; `sound`: the soundfont, or None for no sound."""

    family: str
    design: int
    seed: int
    faults: dict[int, Fault]
    units: int = UNITS
    dynamics: tuple[str, ...] = ("mf",)
    takes: int = 2
    sound: str | None = None
    spread: float = TOLERANCES

    def notes(self) -> tuple[pd.DataFrame, dict, dict]:
        """Normalised notes, instruments sheet and families."""
        numbers = sorted(self.faults)
        changes = {n: change(self, self.faults[n]) for n in numbers if self.faults[n].kind != LEFT_OUT}
        losses = {number: one.loss() for number, one in changes.items()}
        bent = {number: one.cents() for number, one in changes.items()}
        low = load_family(self.family).low
        silent = {n: {d: set(range(low, low + int(self.faults[n].size))) for d in self.dynamics} for n in numbers}
        silent |= {number: one.silent() for number, one in changes.items()}
        if self.sound is None:
            return simulated.study(
                self.seed, self.family, self.units, 1, self.dynamics, self.takes, planted=losses, bent=bent,
                silent=silent, spread=self.spread,
            )  # fmt: skip
        told = f"{self.faults!r} by the bench"
        return sampled.study(
            Shop(
                self.seed, self.family, self.sound, self.units, 1, self.dynamics, self.takes,
                self.spread, planted=told, faults=losses, cents=bent, silent=silent,
            )
        )  # fmt: skip


@dataclass(frozen=True)
class Change:
    """What a fault changes at dynamics D of notes N: `level` (D, N, H) dB, `pitch` (D, N) cents, `speaks` (D, N)."""

    notes: np.ndarray
    dynamics: tuple[str, ...]
    level: np.ndarray
    pitch: np.ndarray
    speaks: np.ndarray
    everywhere: bool  # what acts on all notes acts on those beyond the bench's as on the nearest

    def loss(self) -> Loss:
        """In dB, positive = weaker."""
        place = {int(note): i for i, note in enumerate(self.notes)}

        def lost(written, f0_hz, hz, dynamic):
            nearest = int(np.clip(written, self.notes[0], self.notes[-1]))
            if nearest != written and not self.everywhere:
                return np.zeros(len(hz))
            each = -np.nan_to_num(self.level[self.dynamics.index(dynamic), place[nearest]])
            each = np.append(each, np.full(FAR - len(each), each[-4:].mean()))
            return np.interp(hz / f0_hz, np.arange(1, FAR + 1), each)

        return lost

    def cents(self) -> dict[int, float]:
        """By note, the mean over the dynamics."""
        mean = np.nan_to_num(self.pitch).mean(axis=0)
        return dict(zip(self.notes.tolist(), mean.tolist(), strict=True))

    def silent(self) -> dict[str, set[int]]:
        """The notes that do not speak, by dynamic."""
        return {name: set(self.notes[~ok].tolist()) for name, ok in zip(self.dynamics, self.speaks, strict=True)}


def testing_reed(rng: np.random.Generator) -> Reed:
    """A reed and its player on the testing side."""
    return replace(
        TESTING,
        stiffness=TESTING.stiffness * rng.uniform(0.92, 1.08),
        opening=TESTING.opening * rng.uniform(0.9, 1.1),
        blowing=tuple(np.array(TESTING.blowing) * rng.uniform(0.98, 1.06)),
    )


@lru_cache(maxsize=1)
def _tight(family: str, design: int) -> tuple[Tight, Reed]:
    """A design in order, and its reed."""
    rng = np.random.default_rng([design, sum(map(ord, family))])
    bore, reed = draw(family, rng, "testing"), testing_reed(rng)
    return tight(bore, reed), reed


@cache
def _sources() -> bytes:
    return b"".join(Path(str(module.__file__)).read_bytes() for module in (tube, bores, play, effects))


def change(pool: Pool, fault: Fault) -> Change:
    """A fault on the pool's bore with its reed."""
    told = f"{pool.family} {pool.design} {fault!r}".encode()
    file = KEPT / f"{hashlib.sha256(told + _sources()).hexdigest()[:24]}.npz"
    if not file.exists():
        found = _found(pool.family, pool.design, fault)
        KEPT.mkdir(parents=True, exist_ok=True)
        parts = {name: getattr(found, name)[0, 0] for name in ("level", "cents", "speaks")}
        np.savez(file, notes=found.notes, **parts)
    with np.load(file) as kept:
        at = [DYNAMICS.index(name) for name in pool.dynamics]
        parts = (kept[name][at] for name in ("level", "cents", "speaks"))
        return Change(kept["notes"], pool.dynamics, *parts, fault.kind in ("reed", "soft"))


def _found(family: str, design: int, fault: Fault) -> Effects:
    whole, reed = _tight(family, design)
    bore = whole.table.bore
    listed = [hole.first_open_for for hole in bore.family.holes]
    place = listed.index(fault.hole) if fault.hole else -1
    if fault.kind == "leak":
        node = int(np.flatnonzero(bore.listed == place)[0])
        return leaking(whole, [Leak((node,), place)], [fault.size])
    if fault.kind == "step":
        return leaking(whole, [step(bore, place, min(place + 1, len(listed) - 1))], [fault.size])
    if fault.kind == "pad":
        return otherwise(whole, [(low_pad(small_hole(bore, place), place), reed)])
    if fault.kind == "reed":
        return otherwise(whole, [(bore, dull(reed, 1 - 0.15 * fault.grade, 1 - 0.2 * fault.grade))])
    return otherwise(whole, [(bore, soft(reed, 1 - 0.1 * fault.grade))])


def holes_of(family_key: str) -> list[int]:
    """The notes of holes a leak at which can be told: at least four notes of the first register below them."""
    family = load_family(family_key)
    return sorted(hole.first_open_for for hole in family.holes if hole.first_open_for - family.low >= 4)


def plans(family: str, series: int, sounds: tuple[str | None, ...], studies: int, faulty: int, size: float = 1.1,
          spread: float = TOLERANCES) -> list[Pool]:  # fmt: skip
    """Pools with `faulty` leaks of a size each."""
    holes = holes_of(family)
    out = []
    for study in range(studies):
        rng = np.random.default_rng([series, study, faulty, round(10 * size), sum(map(ord, family))])
        numbers = rng.choice(UNITS, faulty, replace=False)
        chosen = rng.choice(holes, faulty, replace=faulty > len(holes))
        faults = {int(i): Fault("leak", size, int(hole)) for i, hole in zip(numbers, chosen, strict=True)}
        out += _recorded(family, series, study, faults, rng, sounds, spread)
    return out


def impostors(family: str, series: int, sounds: tuple[str | None, ...], studies: int) -> list[Pool]:
    """Pools with the impostors."""
    holes = holes_of(family)
    out = []
    for study in range(studies):
        rng = np.random.default_rng([series, study, 99, sum(map(ord, family))])
        numbers = rng.choice(UNITS, len(IMPOSTORS), replace=False)
        faults = {int(i): Fault(kind, 1.6 if kind == "step" else 0.0,
                                int(rng.choice(holes)) if kind in ("pad", "step") else 0,
                                float(rng.uniform(0.75, 1.25)) if kind in ("reed", "soft") else 1.0)
                  for i, kind in zip(numbers, IMPOSTORS, strict=True)}  # fmt: skip
        out += _recorded(family, series, study, faults, rng, sounds, TOLERANCES)
    return out


def skippers(family: str, series: int, sounds: tuple[str | None, ...], studies: int) -> list[Pool]:
    """Pools with sound units that were not played all the way down."""
    faults = {number: Fault(LEFT_OUT, size) for number, size in enumerate((1.0, 2.0, 3.0, 8.0))}
    out = []
    for study in range(studies):
        rng = np.random.default_rng([series, study, 98, sum(map(ord, family))])
        out += _recorded(family, series, study, faults, rng, sounds, TOLERANCES)
    return out


def _recorded(
    family: str, series: int, study: int, faults: dict[int, Fault], rng: np.random.Generator,
    sounds: tuple[str | None, ...], spread: float,
) -> list[Pool]:  # fmt: skip
    """A pool by each sound, in turn at two mf takes, piano and mf, mf and forte."""
    dynamics, takes = ((("mf",), 2), (("p", "mf"), 1), (("mf", "f"), 1))[study % 3]
    seed = int(rng.integers(1, 2**31))
    design = DESIGNS * series + study % DESIGNS
    return [Pool(family, design, seed, faults, UNITS, dynamics, takes, sound, spread) for sound in sounds]
