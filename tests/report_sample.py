"""A whole study as the report sees it: sheets and results tables, drawn by the table-level simulator.

Three sessions: `hall_1` and `hall_2` share an instrument, nothing links `attic` to them. Labels are hostile on
purpose; findings, clusters and warnings are made up to fill every part of the report.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from evenbore import compare, rank, settings
from evenbore.assess import assess
from evenbore.columns import TABLES, names
from evenbore.comparability import comparability
from evenbore.criteria import criteria_table
from evenbore.gates import gate_texts
from evenbore.normalise import normalise
from evenbore.profiles import note_profiles
from evenbore.sheets import load_study
from evenbore.simulate import study_tables
from evenbore.tables import write_table
from evenbore.tuning import tuning_advice
from evenbore.value import value_table

LABELS = {
    "ref": "House horn",
    "a": "<script>alert(1)</script>",
    "b": "=1+1\"'&amp; $x^2$ {{ 7*7 }}",
    "c": "שלום ساكسفون",
    "d": "萨克斯 三号",
    "e": "A label so long that it has to be cut somewhere, for it goes on and on and on",
    "f": "Attic find",
}
SESSIONS = {"hall_1": ["ref", "a", "b", "c"], "hall_2": ["ref", "d", "e"], "attic": ["f"]}


def make_results(folder: Path, *, sessions=None, labels=None, dynamics=("p", "mf", "f"), takes=2) -> Path:
    """Write sheets, config and results/tables of a study into `folder`; returns `folder`."""
    sessions, labels = sessions or SESSIONS, labels or LABELS
    drawn = study_tables(
        sessions, takes=takes, dynamics=dynamics, seed=7, extra_cents={(n, 86): 28.0 for n in ["a"] if n in labels}
    )
    recordings = drawn["recordings"]
    write_sheets(folder, recordings, sessions, labels)
    study = load_study(folder)
    config = study.config
    recordings = recordings.assign(reverb_s=0.4, hum_db=3.0, lufs=-23.0, channel=1)
    spoilt = recordings["recording"] == recordings["recording"].iloc[-1]
    recordings.loc[spoilt, ["status", "reason"]] = ["set_aside", "it is silent: nothing above <b>-90 dB</b>"]
    recordings.loc[recordings.index[0], ["status", "reason"]] = ["warned", "3 notes clipped"]

    normalised = normalise(recordings, drawn["notes"], drawn["harmonics"])
    criteria = criteria_table(config["just_noticeable"], config["currency"])
    assessed = assess(normalised.notes, normalised.shifted, recordings, study.instruments, study.inspection,
                      study.families, config)  # fmt: skip
    links = comparability(recordings, normalised.setups.table())
    states = compare.compared_states(assessed.instruments, config["states"], config["compare_state"])
    compared = (assessed.instruments, assessed.takes, criteria, links, states)
    pools = rank.draw_pools(*compared, config["seed"], 500)
    in_state = compare.in_state(assessed.instruments, states)
    gates, failed = gate_texts(in_state, study.inspection, config["gates"])
    ranking, probabilities, sensitivity = rank.rank_tables(
        pools, config["priorities"], criteria, gates, failed, states, config["seed"]
    )
    cost = in_state[in_state["criterion"] == "total_cost"].set_index("instrument")["value"]
    tables = {
        "recordings": recordings,
        "notes": drawn["notes"],
        "setups": normalised.setups.table(),
        "comparability": links,
        "note_profiles": note_profiles(normalised, study.instruments, study.families),
        "criteria": criteria,
        "instruments": assessed.instruments,
        "tuning_advice": tuning_advice(normalised.notes, assessed.instruments, study.instruments, study.families,
                                       config),  # fmt: skip
        "pairs": compare.pairs(*compared),
        "ranking": ranking,
        "rank_probabilities": probabilities,
        "sensitivity": sensitivity,
        "value": value_table(pools, config["priorities"], criteria, cost, failed),
        "clusters": _clusters(list(labels)),
        "findings": _findings(list(labels)),
    }
    for name, frame in tables.items():
        write_table(frame.reindex(columns=names(name)), name, folder / "results" / "tables" / f"{name}.tsv")
    (folder / "results" / "provenance.json").write_text(
        json.dumps({"evenbore": "0.1.0", "made": "2025-03-20", "inputs": {"config/<i>.tsv": "0" * 64}}), "utf-8"
    )
    return folder


def write_sheets(folder: Path, recordings: pd.DataFrame, sessions, labels) -> None:
    """The config as shipped and sheets that fit the recordings."""
    sheets = folder / "config"
    sheets.mkdir(parents=True, exist_ok=True)
    (sheets / "config.yaml").write_bytes((settings.repo_root() / "config" / "config.yaml").read_bytes())
    columns = ["recording", "instrument", "session", "take", "dynamic", "articulation", "direction"]
    _sheet(sheets, "recordings", recordings[columns].assign(file=recordings["recording"] + ".wav"))
    prices = 400 + 150 * np.arange(len(labels))
    instruments = pd.DataFrame({"instrument": list(labels), "label": list(labels.values()), "price": prices})
    instruments.loc[instruments.index[-1], "price"] = np.nan
    _sheet(sheets, "instruments", instruments.assign(family="saxophone_alto", setup_cost=60, maker="Maker <A>"))
    _sheet(sheets, "sessions", pd.DataFrame({"session": list(sessions), "room": "room & hall", "date": "2025-03-04"}))
    first = next(iter(labels))
    _sheet(sheets, "inspection", pd.DataFrame({
        "instrument": [first], "item": ["<img src=x onerror=alert(1)>"], "result": ["attention"], "severity": [1],
        "cost": [25], "comment": ["worn"]}))  # fmt: skip
    _sheet(sheets, "impressions", pd.DataFrame({
        "instrument": [first], "player": ["player_1"], "where": ["whole"], "aspect": ["response"], "score": [4],
        "comment": ["speaks well"]}))  # fmt: skip


def empty_results(folder: Path) -> Path:
    """The sheets of a study and nothing but headers in every results table."""
    recordings = pd.DataFrame([["r1", "ref", "hall", 1, "mf", "slurred", "up"]], columns=[
        "recording", "instrument", "session", "take", "dynamic", "articulation", "direction"])  # fmt: skip
    write_sheets(folder, recordings, {"hall": ["ref"]}, {"ref": "House horn"})
    for table in TABLES:
        if table not in ("harmonics", "bands"):
            write_table(pd.DataFrame(columns=names(table)), table, folder / "results" / "tables" / f"{table}.tsv")
    return folder


def _sheet(folder: Path, name: str, frame: pd.DataFrame) -> None:
    frame.to_csv(folder / f"{name}.tsv", sep="\t", index=False, encoding="utf-8", lineterminator="\n")


def _clusters(instruments: list[str]) -> pd.DataFrame:
    place = np.random.default_rng(3).normal(size=(len(instruments), 2))
    number = (place[:, 0] > 0).astype(int) + 1
    return pd.DataFrame(
        {"instrument": instruments, "cluster": number, "stability": 0.8, "pc1": place[:, 0], "pc2": place[:, 1]}
    )


def _findings(instruments: list[str]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "instrument": instruments[1], "state": "as_found", "kind": "intonation_outlier", "first_note": "D6",
                "last_note": "D6", "n_notes": 1, "size": 27.6, "unit": "cents", "confidence": 0.99,
                "explanation": "D6 lies 28 cents above the other notes; the player may also have lipped it up",
            },
            {
                "state": "as_found", "kind": "session_effect", "n_notes": 0, "size": 1.2, "unit": "dB",
                "confidence": 0.7, "explanation": "hall_2 sounds duller than hall_1 by 1.2 dB on all instruments",
            },
        ]
    )  # fmt: skip
