"""What leaks, tired reeds and soft blowing do to a family's notes, learned from an acoustic bench.

bench.npz, made by tests/physics/learn.py, holds for each family that the bench knows, as KEY/NAME: `notes` (N,)
written, `holes` (K,) by the note that each first opens for, and means over many drawn instruments. Of leaks of S sizes
at BENCH_DYNAMICS (D,): `leak` (K, S, D, M, N), change in dB of level and octaves (`rows.LEVEL_MEASURES`); `cents` and
`speaks` (K, S, D, N), change of pitch and share of the instruments whose note still sounds. `other` (P, D, M, N) and
`other_speaks` (P, D, N) are the same of tired reeds and soft blowing, of P types.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from evenbore.facts.arrays import Floats, Ints
from evenbore.trade.families import Family

SHIPPED = Path(__file__).with_name("bench.npz")
BENCH_DYNAMICS = ("p", "mf")
SOFTER = ("pp", "p", "mp")  # told by the first of BENCH_DYNAMICS


@dataclass(frozen=True)
class Learned:
    """For a scale of N notes; notes that the bench does not play are unchanged. T: each size at each hole.

    `hole` (T,): the note that it first opens for; `leak` (T, M, N) and `other` (P, M, N) dB,
    `cents` (T, N), means over the dynamics asked for; `speaks` (T, D, N) and `other_speaks` (P, D, N) at each of them.
    """

    hole: Ints
    leak: Floats
    cents: Floats
    speaks: Floats
    other: Floats
    other_speaks: Floats

    @property
    def loss_db(self) -> Floats:
        """What leaks take on the whole (M,), positive = less."""
        lost: Floats = np.maximum(-self.leak.mean(axis=(0, 2)), 0.0)
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
    leak, cents, speaks = (known[name][:, :, at][..., column] for name in ("leak", "cents", "speaks"))
    flat = len(holes) * leak.shape[1]
    return Learned(
        np.repeat(holes, leak.shape[1]),
        np.where(played, leak.mean(axis=2), 0.0).reshape(flat, -1, len(written)),
        np.where(played, cents.mean(axis=2), 0.0).reshape(flat, len(written)),
        np.where(played, speaks, 1.0).reshape(flat, len(at), len(written)),
        known["other"][:, at][..., column].mean(axis=1),
        np.where(played, known["other_speaks"][:, at][..., column], 1.0),
    )


@cache
def _shipped() -> dict[str, dict[str, Floats]]:
    out: dict[str, dict[str, Floats]] = {}
    with np.load(SHIPPED) as file:
        for name in file.files:
            key, part = name.split("/")
            out.setdefault(key, {})[part] = file[name].astype(float)
    return out
