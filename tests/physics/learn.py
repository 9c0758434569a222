"""Learns from the bench what leaks, tired reeds and soft blowing do: `python tests/physics/learn.py [--bores N]`.

Writes scripts/evenbore/findings/bench.npz (what it holds: `evenbore.findings.bench`): means over bores, reeds and
mouthpieces of the bench's LEARNING side, drawn from seeds that no test uses. What each bore gave is kept in
build/learning/, so that a second run only averages.
"""

import argparse
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import product
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "tests")]

import numpy as np
from scipy.cluster.vq import kmeans2

from evenbore.findings.bench import BENCH_DYNAMICS, SHIPPED
from evenbore.setups.octaves import octave_levels
from evenbore.trade.families import load_family
from physics.bores import FAMILIES, draw
from physics.effects import Effects, Leak, Tight, dull, leaking, otherwise, soft, tight
from physics.play import LEARNING, Reed

SIZES_MM = (0.8, 1.1, 1.5, 2.0, 2.8, 4.0)
SEED = 7000
TYPES = 16  # of each that are told apart
SILENT = 0.2  # what a note that does not speak counts for in that, against all changes of level together
MOST_DB = 25.0  # beyond which a loss is taken as that
OTHERS = 8  # dull reeds, and soft players, of a bore
TOP_HZ = 9000.0
KEPT = ROOT / "build" / "learning"


def learning_reed(rng: np.random.Generator) -> Reed:
    """A reed with its mouthpiece and player on the learning side."""
    return replace(
        LEARNING,
        stiffness=LEARNING.stiffness * rng.uniform(0.88, 1.12),
        opening=LEARNING.opening * rng.uniform(0.9, 1.1),
        resonance=rng.uniform(0.9, 1.1),
        damping=rng.uniform(0.3, 0.5),
        volume=rng.uniform(0.97, 1.03),
        blowing=tuple(np.array(LEARNING.blowing) * rng.uniform(0.96, 1.04)),
    )


def measured(levels: np.ndarray, f0: np.ndarray) -> np.ndarray:
    """Level and octave levels (4, ...) in dB of harmonics (..., H); NaN where there is no tone."""
    flat, f0 = levels.reshape(-1, levels.shape[-1]), np.broadcast_to(f0, levels.shape[:-1]).ravel()
    heard = np.where(f0[:, None] * np.arange(1, flat.shape[1] + 1) < TOP_HZ, flat, np.nan)
    total = 10 * np.log10(np.nansum(10 ** (heard / 10), axis=1))
    out = np.array([total, *octave_levels(heard, f0).values()])
    return np.where(np.isnan(flat[:, 0]), np.nan, out).reshape(-1, *levels.shape[:-1])


def changes(whole: Tight, found: Effects) -> dict[str, np.ndarray]:
    """Change of the measures (K, S, D, 4, N), of pitch in cents and whether notes speak (K, S, D, N)."""
    f0 = np.nan_to_num(whole.f0, nan=440.0)
    levels = measured(whole.levels + found.level, f0) - measured(whole.levels, f0)[:, None, None]
    return {"level": np.moveaxis(levels, 0, 3), "cents": found.cents, "speaks": found.speaks}


def one_bore(place: tuple[str, int]) -> Path:
    """What leaks and other causes change of one drawn instrument, as a file in KEPT."""
    key, number = place
    path = KEPT / f"{key}_{number}.npz"
    if not path.exists():
        warnings.simplefilter("ignore", RuntimeWarning)
        rng = np.random.default_rng([SEED, number, sum(map(ord, key))])
        bore, reed = draw(key, rng, "learning"), learning_reed(rng)
        whole = tight(bore, reed, BENCH_DYNAMICS)
        nodes = [int(np.flatnonzero(bore.listed == hole)[0]) for hole in range(len(bore.family.holes))]
        leaks = leaking(whole, [Leak((node,), hole) for hole, node in enumerate(nodes)], SIZES_MM)
        tired = [dull(reed, rng.uniform(0.8, 0.95), rng.uniform(0.75, 0.95)) for _ in range(OTHERS)]
        weak = [soft(reed, rng.uniform(0.86, 0.96)) for _ in range(OTHERS)]
        others = otherwise(whole, [(bore, other) for other in tired + weak], BENCH_DYNAMICS)
        parts = {f"{name}_{k}": v for name, e in (("leak", leaks), ("other", others))
                 for k, v in changes(whole, e).items()}  # fmt: skip
        KEPT.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(path, notes=leaks.notes, sounds=whole.speaks, **parts)
    return path


def averaged(key: str, paths: list[Path]) -> dict[str, np.ndarray]:
    """The means of a family as `evenbore.findings.bench` reads them."""
    bores = [dict(np.load(path)) for path in paths]
    parts = {
        "leak": mean([bore["leak_level"] for bore in bores]),
        "cents": mean([bore["leak_cents"] for bore in bores]),
        "speaks": sounding([bore["leak_speaks"] for bore in bores], bores),
    }
    others = [examples(bores, of_kind) for of_kind in (slice(OTHERS), slice(OTHERS, None))]
    parts |= {f"other{name}": np.concatenate([kind[name] for kind in others]) for name in ("", "_cents", "_speaks")}
    holes = [hole.first_open_for for hole in load_family(key).holes]
    axes = {"notes": bores[0]["notes"].astype(np.int16), "holes": np.array(holes, np.int16)}
    return axes | {name: np.array(part, np.float16) for name, part in parts.items()}


def sounding(speaks: list[np.ndarray], bores: list[dict[str, np.ndarray]]) -> np.ndarray:
    """Share of the bores whose notes speak; a note that a bore never plays does not count as silenced."""
    played = [np.where(bore["sounds"], each, np.nan) for each, bore in zip(speaks, bores, strict=True)]
    return np.nan_to_num(np.nanmean(played, axis=0), nan=1.0)


def examples(bores: list[dict[str, np.ndarray]], which: slice) -> dict[str, np.ndarray]:
    """The most usual of each type of a cause: change of levels (P, D, M, N) and pitch, which notes speak (P, D, N)."""
    levels, cents = (np.concatenate([bore[f"other_{name}"][which, 0] for bore in bores]) for name in ("level", "cents"))
    speaks = np.concatenate([bore["other_speaks"][which, 0] | ~bore["sounds"] for bore in bores])
    levels = np.array([mean([np.clip(one, -MOST_DB, MOST_DB)]) for one in levels])
    usual = types(levels, speaks)
    return {"": levels[usual], "_cents": np.array([mean([one]) for one in cents[usual]]), "_speaks": speaks[usual]}


def types(levels: np.ndarray, speaks: np.ndarray) -> np.ndarray:
    """The most usual of each of the TYPES that changes (C, D, M, N), whatever their size, with notes that speak
    (C, D, N), come in."""
    flat = levels.reshape(len(levels), -1)
    flat = np.hstack([flat / np.linalg.norm(flat, axis=1, keepdims=True), SILENT * speaks.reshape(len(levels), -1)])
    middles, kinds = kmeans2(flat, TYPES, minit="++", rng=1)
    away = np.linalg.norm(flat - middles[kinds], axis=1)
    return np.array([np.flatnonzero(kinds == k)[np.argmin(away[kinds == k])] for k in np.unique(kinds)])


def mean(of_bores: list[np.ndarray]) -> np.ndarray:
    """Mean of what is known; along the notes (last axis) what no bore tells is that of the nearest note above."""
    warnings.simplefilter("ignore", RuntimeWarning)
    out = np.nanmean(np.array(of_bores, float), axis=0)
    for note in reversed(range(out.shape[-1] - 1)):
        out[..., note] = np.where(np.isnan(out[..., note]), out[..., note + 1], out[..., note])
    return np.nan_to_num(out)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bores", type=int, default=8, help="of each family")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.jobs) as workers:
        made = list(workers.map(one_bore, [(key, i) for i, key in product(range(options.bores), FAMILIES)]))
    learned = {}
    for key in FAMILIES:
        family = averaged(key, [path for path in made if path.stem.rsplit("_", 1)[0] == key])
        learned |= {f"{key}/{name}": value for name, value in family.items()}
    np.savez_compressed(SHIPPED, **learned)
