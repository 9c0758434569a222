"""What the diagnosis says of pools whose faults the bench knows, one line for each instrument."""

from collections.abc import Iterable

import pandas as pd

from evenbore.findings.diagnose import diagnose
from evenbore.trade.families import load_family
from evenbore.trade.pitch import note_to_midi
from findings.campaign import CONFIG, PATTERNS
from physics.pools import LEFT_OUT, TOLERANCES, UNITS, Pool


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
            "told": "", "asked": False, "region": "", "inside": None,
        }  # fmt: skip
        own = found[(found["instrument"] == f"i{number:02d}") & found["kind"].isin(PATTERNS)]
        if len(own):
            best = own.sort_values("confidence", ascending=False).iloc[0]
            line |= {"told": best["kind"], "confidence": best["confidence"], "asked": pd.notna(best["if_tried"])}
            if pd.notna(best["region"]):
                low, high = (note_to_midi(best[column]) for column in ("region_low_note", "region_high_note"))
                line |= {"region": f"{low} {high}", "inside": bool(fault) and low <= fault.hole <= high}
        lines.append(line)
    return lines


def table(lines: pd.DataFrame) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Header and rows of docs/findings.md: a family each, leaks as told (as a run), given a place, hole inside; in
    brackets how many rest on missing notes having been tried."""
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
        asked = of["asked"].astype(str) == "True"

        def counted(one: pd.Series, *seen: pd.Series, asked: pd.Series = asked) -> str:
            if not one.any():
                return ""
            counts, rest = ", ".join(str((one & each).sum()) for each in seen), (one & seen[0] & asked).sum()
            return f"{counts} of {one.sum()}" + (f" ({rest})" if rest else "")

        cells = [counted(leak & chosen.loc[of.index], told, placed, inside) for chosen in kinds.values()]
        anything, kind = of["told"] != "", of["planted"]
        cells.append(counted(kind == "nothing", anything))
        cells.append(counted(kind.isin(["reed", "soft", "pad"]), told, anything))
        cells.append(counted(kind == "step", told, placed, inside))
        cells.append(counted(kind == LEFT_OUT, anything & ~asked, anything))
        rows.append((load_family(str(family)).name, *cells))
    header = ("tight called faulty", "reed, soft, low pad: run, any", "step", "left out: accused, told")
    return ("instruments", *kinds, *header), rows
