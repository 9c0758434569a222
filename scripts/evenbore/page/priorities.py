"""What the page's script ranks by the reader's own priorities: the stored draws, packed, and the must-passes.

The script (templates/priorities.js) mirrors `rank` and `gates`; a browser test holds the two together.
"""

import base64
import zlib

import numpy as np
import pandas as pd

from evenbore.rank import SATURATION, STRATA, WEIGHT_CONCENTRATION, Pool, weight_strata
from evenbore.results import Results, plain

STEP = SATURATION / 2560  # a five-hundredth of a just-noticeable step
LARGEST = 6_000_000  # utilities in one page, about 8 MB; with more instruments than fit, the first draws

GATES = {
    "worst_note_cents_max": "Worst note within",
    "tuning_offset_min": "Whole instrument no flatter than",
    "fault_severity_max": "No fault worse than severity",
    "total_cost_max": "Budget: total cost at most",
}
"""Must-pass -> its words in the page; the budget is the page's own, off at first."""


def priorities_data(results: Results, pools: list[Pool]) -> dict:
    """Everything that the script needs, as JSON-ready data; instruments and criteria by their places in the lists."""
    config, criteria = results.study.config, results.tables["criteria"]
    instruments = {name: i for i, name in enumerate(results.order)}
    place = {name: i for i, name in enumerate(criteria["criterion"])}
    size = sum(pool.utilities[0].size for pool in pools)
    draws = min([config["draws"], LARGEST // max(size, 1)])
    limits = config["gates"] | {"total_cost_max": None}
    units = dict(zip(criteria["criterion"], criteria["unit"], strict=True))
    subjects = {gate: gate.rpartition("_")[0] for gate in GATES}
    values = results.compared("instruments").pivot(index="instrument", columns="criterion", values="value")
    values = values.reindex(index=results.order)
    return {
        "step": STEP,
        "strata": STRATA,
        "concentration": WEIGHT_CONCENTRATION,
        "draws": draws,
        "instruments": [[name, results.label(name)] for name in results.order],
        "criteria": [[row.criterion, plain(row.criterion), row.chain_dependent == "yes"]
                     for row in criteria.itertuples(index=False)],
        "presets": config["priorities"],
        "gates": [[gate, plain(subjects[gate]), units.get(subjects[gate], ""), limits[gate],
                   _known(values.get(subjects[gate]), len(instruments))] for gate in GATES],
        "faults": [[instruments[row["instrument"]], row["severity"] or 0, row["item"]]
                   for row in results.study.inspection if row["result"] == "fault"],
        "pools": [_pool(pool, draws, config["seed"], instruments, place) for pool in pools],
    }  # fmt: skip


def _pool(pool: Pool, draws: int, seed: int, instruments: dict[str, int], criteria: dict[str, int]) -> dict:
    strata = weight_strata(len(pool.utilities), len(pool.criteria), np.random.default_rng(seed))
    return {
        "family": pool.family,
        "group": pool.group,
        "instruments": [instruments[name] for name in pool.instruments],
        "criteria": [criteria[name] for name in pool.criteria],
        "utilities": packed(np.rint(pool.utilities[:draws].transpose(2, 0, 1) / STEP)),  # (C, D, I)
        "strata": packed(strata[:draws].T),  # (C, D)
    }


def packed(numbers: np.ndarray) -> str:
    """Whole numbers of -32768 to 32767 as base64 text: all low bytes, then all high bytes, deflated (zlib)."""
    planes = np.ascontiguousarray(numbers, "<i2").view(np.uint8).reshape(-1, 2).T
    return base64.b64encode(zlib.compress(planes.tobytes(), 6)).decode("ascii")


def _known(values: pd.Series | None, count: int) -> list[float | None]:
    return [None] * count if values is None else [None if pd.isna(value) else float(value) for value in values]
