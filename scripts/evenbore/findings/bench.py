"""What leaks, tired reeds and soft blowing do to a family's notes, learned from an acoustic bench.

bench.npz, made by tests/physics/learn.py, holds for each family that the bench knows, as KEY/NAME: `notes` (N,)
written, `holes` (K,) by the note that each first opens for, and means over many drawn instruments. Of leaks of S sizes
at BENCH_DYNAMICS (D,): `leak` (K, S, D, M, N), change in dB of level and octaves (`rows.LEVEL_MEASURES`); `cents` and
`speaks` (K, S, D, N), change of pitch and share of the instruments whose note still sounds. `other` (P, D, M, N),
`other_cents` and `other_speaks` (P, D, N) are the same of P tired reeds and soft players, each an example of many.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from evenbore.facts.arrays import Floats, Ints
from evenbore.trade.families import Family

SHIPPED = Path(__file__).with_name("bench.npz")
BENCH_DYNAMICS = ("p", "mf")
PARTS = (("leak", "other"), ("cents", "other_cents"), ("speaks", "other_speaks"))
SOFTER = ("pp", "p", "mp")  # told by the first of BENCH_DYNAMICS


@dataclass(frozen=True)
class Learned:
    """For a scale of N notes; notes that the bench does not play are unchanged. T: each size of leaks at each hole, and
    each example of other causes.

    `hole` (T,): the note that it first opens for, 0 for other causes; `level` (T, D, M, N) dB and `speaks` (T, D, N) at
    each of the dynamics asked for; `cents` (T, N), the mean over them. Reeds and soft breath lose other notes each
    time: their `speaks` is the share of all examples, and so is that of the smallest leaks, which lose no more.
    """

    hole: Ints
    level: Floats
    cents: Floats
    speaks: Floats

    @property
    def loss_db(self) -> Floats:
        """What leaks take on the whole (M,), positive = less."""
        lost: Floats = np.maximum(-self.level[self.hole > 0].mean(axis=(0, 1, 3)), 0.0)
        return lost


def learned(family: Family, written: Ints, dynamics: list[str]) -> Learned | None:
    """What is known of `family`, for a scale of `written` notes (N,) at `dynamics` (D,); None: nothing."""
    known = _shipped().get(family.key)
    holes = [hole.first_open_for for hole in family.holes]
    if known is None or known["holes"].tolist() != holes:
        return None
    at = [0 if dynamic in SOFTER else 1 for dynamic in dynamics]
    column = np.searchsorted(known["notes"], written).clip(0, len(known["notes"]) - 1)
    played = known["notes"][column] == written
    sizes = known["leak"].shape[1]

    def both(leak: str, other: str) -> Floats:
        of_leaks = known[leak][:, :, at][..., column]
        of_leaks = of_leaks.reshape(-1, *of_leaks.shape[2:])
        return np.concatenate([of_leaks, known[other][:, at][..., column]])

    level, cents, speaks = (both(name, other) for name, other in PARTS)
    hole = np.concatenate([np.repeat(holes, sizes), np.zeros(len(known["other"]), int)])
    smallest = np.arange(0, sizes * len(holes), sizes)
    speaks[smallest] = speaks[hole == 0] = speaks[hole == 0].mean(axis=0)
    return Learned(
        hole,
        np.where(played, level, 0.0),
        np.where(played, cents.mean(axis=1), 0.0),
        np.where(played, speaks, 1.0),
    )


@cache
def _shipped() -> dict[str, dict[str, Floats]]:
    out: dict[str, dict[str, Floats]] = {}
    with np.load(SHIPPED) as file:
        for name in file.files:
            key, part = name.split("/")
            out.setdefault(key, {})[part] = file[name].astype(float)
    return out
