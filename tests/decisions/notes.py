"""Twelve identical instruments, note by note through normalising, assessing and comparing: every criterion."""

import numpy as np
import pandas as pd

from evenbore.compare import pairs
from evenbore.judge.assess import assess
from evenbore.judge.values import criteria_table
from evenbore.setups.normalise import normalise
from evenbore.study.config import default_config
from evenbore.trade.families import load_family
from simulate import study_tables

from .studies import INSTRUMENTS, STATE, Layout, covered, name

FAMILY = "saxophone_alto"
LAYOUTS = (Layout(takes=4), Layout(3, 2, 3))


def alike(studies: int) -> list[dict]:
    """Per layout and criterion: studies in which any pair differs, and coverage of the true difference, zero."""
    rows = []
    for number, layout in enumerate(LAYOUTS):
        false: dict[str, list] = {}
        held: dict[str, list] = {}
        for study in range(studies):
            table = study_pairs(layout, seed=1000 * number + study)
            for criterion, part in table[table["verdict"] != "not_comparable"].groupby("criterion", sort=False):
                false.setdefault(criterion, []).append(bool((part["verdict"] == "differs").any()))
                held.setdefault(criterion, []).append(covered(part, np.zeros(INSTRUMENTS)))
        rows += [
            {"sessions": layout.sessions, "shared": layout.shared, "takes": layout.takes, "criterion": criterion,
             "studies": studies, "false": sum(false[criterion]), "covered": float(np.mean(held[criterion]))}
            for criterion in false
        ]  # fmt: skip
    return rows


def study_pairs(layout: Layout, seed: int):
    """The pairs table of a study of identical instruments, without just-noticeable differences."""
    names = [name(i) for i in range(INSTRUMENTS)]
    members: dict[str, list[str]] = {}
    for i, s in layout.cells()[:: layout.takes]:
        members.setdefault(f"s{s}", []).append(name(i))
    tables = study_tables(
        members, takes=layout.takes, dynamics=("p", "mf", "f"), articulation="tongued",
        twins=dict.fromkeys(names[1:], names[0]), seed=seed,
    )  # fmt: skip
    normalised = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])
    sheet = {row["instrument"]: row for row in tables["instruments"].to_dict("records")}
    families = {FAMILY: load_family(FAMILY)}
    found = assess(normalised.notes, normalised.errors, tables["recordings"], sheet, [], families, default_config())
    heard = criteria_table({}, "EUR").query("criterion != 'total_cost'")
    kinds = dict.fromkeys(names, FAMILY)
    return pd.concat(
        pairs.pairs_table(found.instruments, found.takes, found.shifts, heard, dict.fromkeys(names, STATE), kinds),
        ignore_index=True,
    )
