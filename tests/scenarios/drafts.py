"""A scale about to be played: who plays, what the sheet says, and the strokes of a plain pass.

Kinds (`kinds`) change one or the other. Random things come from the draft's own generator, so that a take is the same
whatever else is run.
"""

import zlib
from collections.abc import Collection
from dataclasses import dataclass, field, replace

import numpy as np

from evenbore.trade.families import load_family

from .play import GAP_S, Stroke
from .sounds import SEVENTH, Source, Voice

# Raise this once the program was changed in the light of what failed on held-out takes: all takes are then drawn anew.
SERIES = 1
LONGEST_S = 1.2
TEMPO_S = {SEVENTH: (0.25, 0.6)}  # of sets that are played faster
WINDOW = (16, 28)  # notes of a scale, as far as the source plays so many in a row
LEAST_NOTES = 9


@dataclass
class Draft:
    """One scale. `midis`: what the sheet expects, sounding, in order; `sheet`: what the row says otherwise."""

    name: str
    source: Source
    family: str
    bank: dict[int, Voice]
    rng: np.random.Generator
    articulation: str
    low: int
    high: int
    direction: str
    pattern: str
    tempo_s: float
    planted: bool
    sheet: dict = field(default_factory=dict)

    @property
    def midis(self) -> list[int]:
        return sounding(self.low, self.high, self.direction, self.pattern)

    def written(self, midi: int, family: str | None = None) -> int:
        """The written note that sounds as `midi` on this family or another."""
        trade = load_family(family or self.family)
        return midi - int(trade.to_sounding(np.array(0)))

    def row(self, path: str) -> dict:
        """The sheet's row for measuring the take in a file; `low` and `high` of `sheet` are sounding."""
        sheet = {"family": self.family, "low": self.low, "high": self.high} | self.sheet
        family = sheet["family"]
        return (
            {
                "recording": self.name,
                "instrument": self.source.name,
                "session": "scenarios",
                "take": 1,
                "dynamic": "mf",
                "articulation": self.articulation,
                "pattern": self.pattern,
                "direction": self.direction,
                "state": "as_found",
                "notes": None,
                "channel": None,
                "start_s": None,
                "end_s": None,
                "path": path,
                "families_dir": None,
                "tuning_hz": 440.0,
            }
            | sheet
            | {"low": self.written(sheet["low"], family), "high": self.written(sheet["high"], family)}
        )

    def seconds(self) -> float:
        """How long the next note is held."""
        return float(min(LONGEST_S, self.tempo_s * self.rng.uniform(0.8, 1.25)))

    def stroke(self, step: int, midi: int, first: bool = False, of_pass: int = 1) -> Stroke:
        """A note of the scale as it is played in this take; `first`: after a silence."""
        slurred = self.articulation == "slurred" and not first
        rise_s = float(self.rng.uniform(0.03, 0.08)) if self.planted and not slurred else None
        return Stroke(midi, self.seconds(), GAP_S, slurred, (step,), of_pass, rise_s)

    def plain(self, of_pass: int = 1) -> list[Stroke]:
        """The whole scale once."""
        return [self.stroke(step, midi, step == 0, of_pass) for step, midi in enumerate(self.midis)]

    def inner(self, count: int, apart: int = 3) -> list[int]:
        """Some steps inside the scale, `apart` from one another at least, in order."""
        free = list(range(2, len(self.midis) - 2))
        chosen: list[int] = []
        while free and len(chosen) < count:
            chosen.append(int(self.rng.choice(free)))
            free = [step for step in free if abs(step - chosen[-1]) >= apart]
        return sorted(chosen)


def sounding(low: int, high: int, direction: str, pattern: str) -> list[int]:
    """The expected notes between two; what the sheet's words mean is told here a second time, on purpose."""
    rising = [m for m in range(low, high + 1) if pattern == "chromatic" or (m - low) % 12 in (0, 2, 4, 5, 7, 9, 11)]
    return {"up": rising, "down": rising[::-1], "up-down": rising + rising[-2::-1]}[direction]


def draft(part: str, kind: str, number: int, who: tuple[Source, str], reach: int, fixed: dict) -> Draft:
    """The draft of a take; `fixed` are fields that its kind insists on, `window` (least, most notes) among them."""
    source, family = who
    name = f"{kind} / {source.name} / {family} / {number}"
    rng = np.random.default_rng(zlib.crc32(f"scenarios {SERIES} {part} {name}".encode()))
    bank = source.bank(family)
    low, high = _window(playable(family, bank, reach), rng, fixed.get("window", WINDOW))
    usual = {
        "articulation": ("tongued", "slurred")[number % 2],
        "direction": ("up", "up", "up", "down", "up-down")[number % 5],
        "pattern": "chromatic",
        "tempo_s": float(rng.uniform(*TEMPO_S.get(part, (0.35, 0.75)))),
        "planted": number % 4 in (0, 3),
        "low": low,
        "high": high,
    }
    fields = {key: value for key, value in fixed.items() if key != "window"}
    return Draft(name, source, family, bank, rng, **usual | fields)


def playable(family: str, bank: Collection[int], reach: int = 0) -> list[list[int]]:
    """Runs of notes of the family's range that the source plays without a hole, and so many semitones above as well."""
    trade = load_family(family)
    low, high = (int(trade.to_sounding(np.array(note))) for note in (trade.low, trade.high))
    runs: list[list[int]] = [[]]
    for midi in range(low, high + 1):
        if midi in bank and midi + reach in bank:
            runs[-1].append(midi)
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if len(run) >= LEAST_NOTES]


def _window(runs: list[list[int]], rng: np.random.Generator, window: tuple[int, int]) -> tuple[int, int]:
    run = max(runs, key=len)
    count = min(len(run), int(rng.integers(window[0], window[1] + 1)))
    first = int(rng.integers(0, len(run) - count + 1))
    return run[first], run[first + count - 1]


def changed(strokes: list, at: dict[int, dict]) -> list:
    """The strokes, those of some places changed."""
    return [replace(stroke, **at[place]) if place in at else stroke for place, stroke in enumerate(strokes)]
