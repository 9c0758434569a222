"""What the diagnosis says of pools whose faults the bench knows, one line for each instrument."""

from collections.abc import Iterable

import pandas as pd

from evenbore.findings.diagnose import diagnose
from evenbore.trade.pitch import note_to_midi
from findings.campaign import CONFIG, PATTERNS
from physics.pools import Pool


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


def summary(lines: pd.DataFrame) -> pd.DataFrame:
    """Leaks told, placed and rightly placed; impostors and tight instruments called a run or given a place."""
    rows = []
    for key, part in lines.groupby(["family", "sound", "pool", "spread", "planted", "size"], sort=False):
        run, placed = part["told"] == "stuffy_run", part["region"] != ""
        rows.append(
            dict(zip(("family", "sound", "pool", "spread", "planted", "size"), key, strict=True))
            | {
                "number": len(part), "told": int((part["told"] != "").sum()), "as run": int(run.sum()),
                "placed": int(placed.sum()), "inside": int((part["inside"] == True).sum()),  # noqa: E712
            }
        )  # fmt: skip
    return pd.DataFrame(rows)
