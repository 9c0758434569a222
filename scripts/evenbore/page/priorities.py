"""What the page's script ranks by the reader's own priorities: the stored draws, packed, and the must-passes.

The script (templates/priorities.js) mirrors `rank` and `gates`; a browser test holds the two together.
"""

import base64
import zlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from evenbore.compare.gates import seen_by
from evenbore.compare.rank import (
    SATURATION,
    STRATA,
    WEIGHT_CONCENTRATION,
    Pool,
    load_pools,
    utilities_a_draw,
    weight_strata,
)
from evenbore.facts.arrays import Floats, Floats32, Ints
from evenbore.facts.criteria import GATES
from evenbore.facts.words import plain
from evenbore.report.results import Results

STEP = SATURATION / 2560  # a five-hundredth of a just-noticeable step
MOST_UTILITIES = 2_000_000  # utilities in one page, about 2.6 MB; with more instruments than fit, the first draws
FEWEST_DRAWS = 400  # draws, however many instruments


def priorities_data(results: Results, drawn: str | Path) -> dict[str, Any]:
    """Everything that the script needs, as JSON-ready data; instruments and criteria by their places in the lists.

    `drawn`: the file of draws (`rank.save_pools`). Of many instruments the page has the first draws only: of them all
    no more is read.
    """
    config, criteria = results.study.config, results.tables["criteria"]
    draws = min(config["draws"], max(MOST_UTILITIES // max(utilities_a_draw(drawn), 1), FEWEST_DRAWS))
    registry: Iterable[Any] = criteria.itertuples(index=False)
    pools = [_pool(results, pool, draws) for pool in load_pools(drawn, draws)]
    units = dict(zip(criteria["criterion"], criteria["unit"], strict=True))
    values, lows = (
        results.compared("instruments")
        .pivot(index="instrument", columns="criterion", values=column)
        .reindex(index=results.order)
        for column in ("value", "low")
    )
    place = {name: i for i, name in enumerate(results.order)}
    return {
        "step": STEP,
        "strata": STRATA,
        "concentration": WEIGHT_CONCENTRATION,
        "draws": draws,
        "most": len(results.shown),
        "instruments": [[name, results.label(name)] for name in results.order],
        "criteria": [[row.criterion, plain(row.criterion), row.chain_dependent == "yes"]
                     for row in registry],
        "presets": config["priorities"],
        "gates": [[key, plain(gate.subject), units.get(gate.subject, ""), config["gates"].get(key),
                   _known(values.get(gate.subject), len(place)), _known(lows.get(gate.subject), len(place))]
                  for key, gate in GATES.items()],
        "faults": [[place[row["instrument"]], row["severity"] or 0, row["item"]]
                   for row in seen_by(results.study.inspection, results.states, config["states"])
                   if row["result"] == "fault"],
        "pools": pools,
    }  # fmt: skip


def _pool(results: Results, pool: Pool, draws: int) -> dict[str, Any]:
    """A pool with the first `draws`."""
    place = {name: i for i, name in enumerate(results.order)}
    criteria = {name: i for i, name in enumerate(results.tables["criteria"]["criterion"])}
    config = results.study.config
    strata = weight_strata(config["draws"], len(pool.criteria), np.random.default_rng(config["seed"]))
    return {
        "family": pool.family,
        "group": pool.group,
        "instruments": [place[name] for name in pool.instruments],
        "criteria": [criteria[name] for name in pool.criteria],
        "utilities": packed(_stepped(pool.utilities)),
        "strata": packed(strata[:draws].T),  # (C, D)
    }


def _stepped(utilities: Floats | Floats32) -> Ints:
    """Utilities (D, I, C) in whole STEPs (C, D, I)."""
    draws, instruments, criteria = utilities.shape
    stepped = np.empty((criteria, draws, instruments), "<i2")
    for criterion in range(criteria):  # all at once would take several times the memory
        stepped[criterion] = np.rint(utilities[:, :, criterion] / STEP)
    return stepped


def packed(numbers: Ints) -> str:
    """Whole numbers of -32768 to 32767 as base64 text: all low bytes, then all high bytes, deflated (zlib)."""
    planes = np.ascontiguousarray(numbers, "<i2").view(np.uint8).reshape(-1, 2).T
    return base64.b64encode(zlib.compress(planes.tobytes(), 6)).decode("ascii")


def _known(values: pd.Series | None, count: int) -> list[float | None]:
    return [None] * count if values is None else [None if pd.isna(value) else float(value) for value in values]
