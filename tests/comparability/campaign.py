"""The comparability campaign: every part gives rows of plain numbers, for tables and for tests."""

from collections.abc import Iterable
from itertools import cycle, islice
from typing import TextIO

import numpy as np
import pandas as pd

from . import audio, studies

DAY_RATIOS = (0.0, 0.5, 1.0)
FULL = {"studies": 1000, "unlinked": 1000, "order": 300, "rooms": (1, 2, 3), "players": (1,), "hard": (1,)}
SHORT = {"studies": 12, "unlinked": 12, "order": 6, "rooms": (), "players": (), "hard": ()}


def run(size: dict, tell: TextIO) -> dict:
    """All parts; `size`: how many studies of each (FULL or SHORT)."""
    results: dict = {"coverage": covered(size["studies"], tell)}
    results["unlinked"] = unlinked(size["unlinked"])
    results["order"] = ordered(size["order"])
    sessions = list(audio.chains(0))
    kinds = {"played alike": ("rooms", {}), "a player who varies": ("players", {"scatter": 1.0})}
    kinds["rooms as strong as the player"] = ("hard", {"hard": True})
    results["audio"] = []
    for name, (part, options) in kinds.items():
        for seed in size[part]:
            print(f"audio: {name}, {seed}", file=tell, flush=True)
            found = audio.compare(audio.study(sessions, seed, **options))
            results["audio"].append({"name": name, "seed": seed, **found})
    return results


def covered(count: int, tell: TextIO, **options) -> list[dict]:
    """`count` studies, over the designs and ratios of days in turn: by criterion and ratio, intervals and hits;
    `options`: of `studies.draw`."""
    names = list(studies.DESIGNS)
    parts = []
    for seed, (name, ratio) in enumerate(islice(cycle([(n, r) for r in DAY_RATIOS for n in names]), count)):
        found = studies.coverage(studies.draw(studies.DESIGNS[name], seed, ratio, **options))
        parts.append(found.assign(design=name, day_ratio=ratio, study=seed))
        if seed % 100 == 99:
            print(f"coverage: {seed + 1} of {count} studies", file=tell, flush=True)
    return summary(pd.concat(parts, ignore_index=True))


def summary(found: pd.DataFrame) -> list[dict]:
    """Of intervals (columns as from `studies.coverage`, design, day_ratio, study): by criterion, design and ratio, how
    many there are and how many hold the truth."""
    hit = found["truth"].between(found["low"], found["high"])
    keys = ["criterion", "design", "day_ratio"]
    table = hit.groupby([found[key] for key in keys]).agg(["size", "sum"]).reset_index()
    studies_each = found.groupby(keys)["study"].nunique().to_numpy()
    table = table.rename(columns={"size": "intervals", "sum": "hold"}).assign(studies=studies_each)
    return table.to_dict("records")


def unlinked(count: int) -> list[dict]:
    """`count` studies with sessions that nothing links: pairs across them, and how many were compared."""
    rows = {name: {"design": name, "studies": 0, "pairs": 0, "compared": 0} for name in studies.UNLINKED}
    for seed, name in enumerate(islice(cycle(studies.UNLINKED), count)):
        there, compared = studies.compared_unlinked(studies.UNLINKED[name], seed)
        rows[name]["studies"] += 1
        rows[name]["pairs"] += there
        rows[name]["compared"] += compared
    return list(rows.values())


def ordered(count: int) -> dict:
    """Kendall's tau over the pairs told apart (see `studies.order`): right less wrong ones, over all."""
    told, wrong = np.sum([studies.order(seed) for seed in range(count)], axis=0)
    return {"studies": count, "pairs": int(told), "wrong": int(wrong), "tau": float((told - 2 * wrong) / told)}


def share(rows: Iterable[dict], **fields) -> float:
    """Part of the intervals that hold the truth, of the rows with these fields."""
    own = [row for row in rows if all(row[key] == value for key, value in fields.items())]
    return sum(row["hold"] for row in own) / sum(row["intervals"] for row in own)
