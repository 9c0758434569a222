"""What the diagnosis says of pools whose faults the bench knows, one line for each instrument."""

from collections.abc import Iterable

import pandas as pd

from evenbore.findings.diagnose import diagnose
from evenbore.trade.families import load_family
from evenbore.trade.pitch import note_to_midi
from findings.campaign import CONFIG, PATTERNS
from physics.pools import TOLERANCES, UNITS, Pool


def score(pools: Iterable[Pool]) -> pd.DataFrame:
    """One line for each instrument of all pools."""
    return pd.DataFrame([line for pool in pools for line in _lines(pool)])


def _lines(pool: Pool) -> list[dict]:
    found = diagnose(*pool.notes(), CONFIG)
    lines = []
    for number in range(pool.units):
        fault = pool.faults.get(number)
        line = {
            "family": pool.family, "sound": pool.sound or "none", "seed": pool.seed, "number": number,
            "dynamics": " ".join(pool.dynamics), "planted": fault.kind if fault else "nothing",
            "size": fault.size if fault else 0.0, "hole": fault.hole if fault else 0,
            "pool": f"{len(pool.faults)} of {pool.units}", "spread": pool.spread,
            "told": "", "region": "", "inside": None,
        }  # fmt: skip
        own = found[(found["instrument"] == f"i{number:02d}") & found["kind"].isin(PATTERNS)]
        if len(own):
            best = own.sort_values("confidence", ascending=False).iloc[0]
            line |= {"told": best["kind"], "confidence": best["confidence"]}
            if pd.notna(best["region"]):
                low, high = (note_to_midi(best[column]) for column in ("region_low_note", "region_high_note"))
                line |= {"region": f"{low} {high}", "inside": bool(fault) and low <= fault.hole <= high}
        lines.append(line)
    return lines


def table(lines: pd.DataFrame) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Header and rows of docs/findings.md: a family each, leaks as told (as a run), given a place, hole inside."""
    usual = lines["spread"] == TOLERANCES
    half = lines["pool"] == f"{UNITS // 2} of {UNITS}"
    kinds = {
        "leak 1.6 mm": usual & ~half & (lines["size"] == 1.6),
        "leak 1.1 mm": usual & ~half & (lines["size"] == 1.1),
        "leak 0.6 mm": usual & ~half & (lines["size"] == 0.6),
        "half the pool, 1.6 mm": usual & half,
        "scattered more, 1.6 mm": ~usual,
    }
    rows = []
    for family, of in lines.groupby("family", sort=False):
        told, placed = of["told"] == "stuffy_run", of["region"] != ""
        inside, leak = of["inside"].astype(str) == "True", of["planted"] == "leak"
        cells = [
            f"{(told & one).sum()}, {(placed & one).sum()}, {(inside & one).sum()} of {one.sum()}"
            for one in (leak & chosen.loc[of.index] for chosen in kinds.values())
        ]
        tight, impostor = of["planted"] == "nothing", of["planted"].isin(["reed", "soft", "pad"])
        step = of["planted"] == "step"
        cells.append(f"{(tight & (of['told'] != '')).sum()} of {tight.sum()}")
        cells.append(f"{(impostor & told).sum()}, {(impostor & (of['told'] != '')).sum()} of {impostor.sum()}")
        cells.append(f"{(step & told).sum()}, {(step & placed).sum()}, {(step & inside).sum()} of {step.sum()}")
        rows.append((load_family(str(family)).name, *cells))
    header = ("instruments", *kinds, "tight called faulty", "reed, soft, low pad: run, any", "step")
    return header, rows
