"""Whole studies out of the sample one (`report_sample`) with other tables, written out by the program's own steps."""

import shutil
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from evenbore.compare.rank import Pool, rank_tables
from evenbore.facts.columns import names
from evenbore.files.tables import read_table, write_table
from evenbore.report.results import read_results
from evenbore.study.sheets import load_study
from publication import write_publication, write_tickets
from report_sample import vet_sample, write_page

LEFT_OUT = shutil.ignore_patterns("publication", "bench_tickets", "report.html", "comparison.xlsx")
DRAWS = 2000


def written_out(sample: Path, folder: Path, tables: Mapping[str, pd.DataFrame]) -> Path:
    """The sample study in `folder` with these tables in place of its own, vetted and told of in all outputs."""
    shutil.copytree(sample, folder, ignore=LEFT_OUT)
    results = folder / "results"
    for name, frame in tables.items():
        write_table(frame.reindex(columns=names(name)), name, results / f"tables/{name}.tsv")
    vet_sample(folder)
    write_page(folder)
    told = read_results(load_study(folder), results / "tables")
    write_tickets(told, results / "bench_tickets")
    write_publication(told, results / "publication", results / "comparison.xlsx")
    return folder


def table(folder: Path, name: str) -> pd.DataFrame:
    """A results table of a study."""
    return read_table(folder / f"results/tables/{name}.tsv", name)


def finding(instrument: str, kind: str, first: str, last: str, size: float, confidence: float, limit: float = 20):
    """A row of findings.tsv as the program words it."""
    where = first if first == last else f"{first} to {last}"
    side = "sharp" if size > 0 else "flat"
    unit, told = {
        "intonation_outlier": (
            "cents",
            f"{where} is {abs(size):.0f} cents {side} of the instrument's own offset (tolerance {limit:g}).",
        ),
        "stuffy_run": (
            "dB",
            f"{where} sound stuffy as a run. Harmonics around 2 kHz {size:+.1f} dB against the others.",
        ),
        "noisy": ("dB", f"Against the 5 other instruments its tone holds {size:.1f} dB more air noise."),
        "cracking": ("%", f"{where} begin on another note in 2 of 4 takes."),
        "note_far_off": (None, f"{where} was not found within 50 cents of its place in 4 of 4 takes."),
    }[kind]
    return {
        "instrument": instrument, "state": "as_found", "kind": kind, "first_note": first, "last_note": last,
        "n_notes": 1, "size": size, "unit": unit,
        "confidence": confidence, "explanation": told, "scope": "unit",
    }  # fmt: skip


def ranked(sample: Path, shares: Mapping[str, float], seconds: list[str], alone: str) -> dict[str, pd.DataFrame]:
    """Tables of the ranking where instruments come first with these probabilities, `seconds` are otherwise near the
    front and the others far behind, and `alone` has a group of its own."""
    rng, members = np.random.default_rng(1), list(shares)
    behind = {name: -1.0 - number if name in seconds else -9.0 for number, name in enumerate(members)}
    utility = np.array([behind[name] for name in members]) + rng.uniform(0, 0.5, (DRAWS, len(members)))
    first = rng.permutation(
        np.repeat(np.arange(len(members)), np.round(DRAWS * np.array([*shares.values()])).astype(int))
    )
    utility[np.arange(DRAWS), first] = 5.0
    pools = [
        Pool("saxophone_alto", 1, members, ["intonation_spread"], utility[:, :, None]),
        Pool("saxophone_alto", 2, [alone], ["intonation_spread"], np.zeros((DRAWS, 1, 1))),
    ]
    criteria = pd.DataFrame({"criterion": ["intonation_spread"], "chain_dependent": ["no"]})
    gates = table(sample, "ranking").drop_duplicates("instrument").set_index("instrument")["gate"].to_dict()
    failed = {name for name, gate in gates.items() if "above" in gate or "below" in gate}
    states, priorities = dict.fromkeys([*members, alone], "as_found"), load_study(sample).config["priorities"]
    return rank_tables(pools, priorities, criteria, gates, failed, states, seed=1)
