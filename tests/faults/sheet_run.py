"""Runs a study that was accepted, from measured notes to the last output, each step as the workflow calls it.

The recordings need not be there: what measuring would tell is drawn by the table-level simulator. All in this process.
"""

import csv
import json
import shutil
import xml.etree.ElementTree as ET
from collections import Counter
from itertools import groupby
from pathlib import Path

import numpy as np
import pandas as pd

import report_sample
import simulate
from diagnose import diagnose_study
from evenbore.facts.columns import names
from evenbore.facts.verdicts import VERDICTS
from evenbore.figures.entries import FIGURES
from evenbore.files.tables import conform, read_table, write_parquet, write_table
from evenbore.notes.chunkfile import write_chunk
from evenbore.notes.measure import Measured
from evenbore.report.paper import write_paper
from evenbore.report.results import read_results
from evenbore.study.sheets import Study, load_study
from provenance import note_provenance
from publication import write_publication, write_tickets

WRITTEN = (62, 74)  # a few notes are enough
LOST = "lost_"  # what ids of recordings begin with that are set aside
KEYS = ("recording", "take", "dynamic", "articulation", "direction", "state")


def run_study(folder: Path, drawn: bool) -> list[Path]:
    """Write all results of the study; `drawn`: the pictures, pages and documents too. Returns SVGs that are no XML."""
    study = load_study(folder)
    _measured(study)
    results, tables = folder / "results", folder / "results/tables"
    where = {"path_to_study": folder, "path_to_config": folder / "config/config.yaml"}
    notes = {"path_to_notes_normalised": results / "work/notes.parquet"}
    report_sample.run_steps(folder)
    diagnose_study(
        **where, **notes, path_to_recordings=tables / "recordings.tsv", path_to_findings=tables / "findings.tsv"
    )
    report_sample.vet_sample(folder)
    chunk = results / "work/chunk.npz"
    write_chunk(
        [Measured({"recording": row["recording"], "sha256": None}, [], {}, {}) for row in study.recordings], chunk
    )
    note_provenance(
        **where, paths_to_sheets=[str(path) for path in study.files.values()], paths_to_benchmarks=[],
        paths_to_chunks=[str(chunk)], path_to_output=results / "provenance.json",
    )  # fmt: skip
    json.loads((results / "provenance.json").read_text(encoding="utf-8"))
    told = read_results(load_study(folder), tables)
    write_tickets(told, results / "bench_tickets")
    write_paper(told, results / "work/takes.parquet", results / "work/notes.parquet", results / "paper")
    if not drawn:
        return []
    report_sample.make_report(folder)
    write_publication(told, results / "publication", results / "comparison.xlsx")
    return [path for name in FIGURES if not _is_xml(path := results / f"figures/{name}.svg")]


def _is_xml(path: Path) -> bool:
    try:
        ET.parse(path)
    except ET.ParseError:
        return False
    return True


def contradictions(folder: Path) -> list[str]:
    """What the tables of a study that was run say and cannot be."""
    study, tables = load_study(folder), folder / "results/tables"
    values, pairs, status, ranking = (
        read_table(tables / f"{name}.tsv", name) for name in ("instruments", "pairs", "status", "ranking")
    )
    known = values.dropna(subset=["value"])
    whole = known.dropna(subset=["low", "high"])
    limit = pairs["criterion"].map(study.config["just_noticeable"] | {"total_cost": 0.0}).astype(float)  # known exactly
    called_same = pairs["verdict"] == "no_audible_difference"
    current = status[status["current"] == "yes"]
    p_first = ranking.groupby(["priorities", "group"], dropna=False)["p_first"].sum()
    told = {
        "a value without number and reason": values["value"].isna() & values["reason"].isna(),
        "an interval upside down": whole["low"] > whole["high"],
        "a value outside its interval": ~whole["value"].between(whole["low"] - 1e-9, whole["high"] + 1e-9),
        "a verdict that is none": ~pairs["verdict"].isin(VERDICTS),
        "called the same beyond what is noticed": called_same & ~(
            (pairs["low"] > -limit - 1e-9) & (pairs["high"] < limit + 1e-9)
        ),
        "not comparable without a reason": (pairs["verdict"] == "not_comparable") & pairs["reason"].isna(),
        "differs without being significant": (pairs["verdict"] == "differs") & ~(pairs["p_adjusted"] <= 0.05),
        "no sentence": status["sentence"].isna(),
        "more than one comes first": p_first > 1 + 1e-6,
        "ranked without a utility": ranking["p_first"].notna() & ranking["utility"].isna(),
    }  # fmt: skip
    wrong = [words for words, rows in told.items() if rows.any()]
    if sorted(current["instrument"]) != sorted(study.instruments):
        wrong.append("instruments without one current status")
    return wrong + _unheard(study, values) + _recomputed(study, values, pairs, ranking, current)


def _recomputed(
    study: Study, values: pd.DataFrame, pairs: pd.DataFrame, ranking: pd.DataFrame, current: pd.DataFrame
) -> list[str]:
    """Numbers that follow from the sheets, the notes or another table, worked out anew by their definitions."""
    notes, ranks, value = (
        read_table(study.folder / f"results/tables/{name}.tsv", name)
        for name in ("notes", "rank_probabilities", "value")
    )
    told = values.set_index(["instrument", "state", "criterion"])[["value", "n_takes"]]
    notes = notes[notes["dynamic"] == study.config["base_dynamic"]]
    medians = notes.groupby(["instrument", "state", "recording"])["cents"].median().groupby(level=[0, 1])
    tuned = told.xs("tuning_offset", level="criterion")["value"].dropna()
    least, most = (of.reindex(tuned.index) for of in (medians.min() - 1e-3, medians.max() + 1e-3))
    by = notes["recording"].map({row["recording"]: row["player"] or "" for row in study.recordings})
    manners = notes[["session", "direction", "articulation"]].assign(player=by)
    alike = len(manners.drop_duplicates()) == 1  # else what they add is out
    heard = Counter((row["instrument"], row["state"]) for row in study.recordings if LOST not in row["recording"])
    counted = told["n_takes"].dropna().astype(int)
    costs = {}
    for name, row in study.instruments.items():
        repairs = sum(found.get("cost") or 0 for found in study.inspection if found["instrument"] == name)
        price = np.nan if row.get("price") is None else row["price"] * (row.get("price_rate") or 1)
        costs[name] = price + (row.get("setup_cost") or 0) + (row.get("case_cost") or 0) + repairs
    cost = told.xs("total_cost", level="criterion")["value"].astype(float)
    state = current.set_index("instrument")["state"]
    a, b = (
        told["value"].reindex(list(zip(name, name.map(state), pairs["criterion"], strict=True))).to_numpy(float)
        for name in (pairs["instrument_a"], pairs["instrument_b"])
    )
    away = abs(pairs["difference"].to_numpy(float, na_value=np.nan) - (a - b))
    first = ranks[ranks["rank"] == 1].set_index(["priorities", "instrument"])["probability"]
    p_first = ranking.dropna(subset="p_first").set_index(["priorities", "instrument"])["p_first"]
    at_each = ranks.groupby(["priorities", "group", "rank"], dropna=False)["probability"].sum()
    group = ranking.groupby("instrument")["group"].first()
    front = value[value["on_front"] == "yes"].assign(group=lambda rows: rows["instrument"].map(group))
    both = front.merge(front, on="group")
    wrong = {
        "a tuning outside its takes": alike and ~tuned.between(least, most),
        "more takes than there are": counted > [heard[key[:2]] for key in counted.index],
        "a cost that is another": ~np.isclose(cost, [costs[name] for name, _ in cost.index], 1e-5, equal_nan=True),
        "a difference that is not that of the values": away > 2e-5 * np.maximum(abs(a), abs(b)) + 1e-9,
        "ranks that are not one": ~np.isclose(at_each, 1, atol=1e-4),
        "two chances to be first": ~np.isclose(p_first, first.reindex(p_first.index), atol=1e-4),
        "on the front and beaten": (both["quality_x"] < both["quality_y"])
        & (both["total_cost_x"] > both["total_cost_y"]),
    }
    return [words for words, rows in wrong.items() if np.any(rows)]


def changed_by_order(folder: Path, other: Path) -> list[str]:
    """Tables that come out otherwise when the rows of the sheets stand the other way round, as written to `other`.

    The numbers of groups follow the sheet and do not count; the order of the sessions is that of time; what was seen at
    inspection is told in the order in which it was written down.
    """
    shutil.copytree(folder / "config", other / "config")
    for name in ("recordings", "instruments", "impressions"):
        if (sheet := other / f"config/{name}.tsv").exists():
            header, *rows = sheet.read_bytes().splitlines(keepends=True)
            sheet.write_bytes(b"".join([header, *reversed(rows)]))
    run_study(other, drawn=False)
    names_ = [path.name for path in (folder / "results/tables").glob("*.tsv")]
    return [name for name in names_ if _rows(folder, name) != _rows(other, name)]


def _rows(folder: Path, name: str) -> list[tuple[str, ...]]:
    with (folder / "results/tables" / name).open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(file, delimiter="\t")
        return sorted(tuple(cell for key, cell in row.items() if key != "group") for row in rows)


def _unheard(study: Study, values: pd.DataFrame) -> list[str]:
    """An instrument all of whose takes are set aside has no value that sound tells."""
    heard = {row["instrument"] for row in study.recordings if not row["recording"].startswith(LOST)}
    sound = values[values["value"].notna() & (values["criterion"] != "total_cost")]
    return ["a value of an instrument that nobody heard"] * bool(set(sound["instrument"]) - heard)


def _measured(study: Study) -> None:
    """Write the tables that measuring would give of the study's recordings."""
    tables = study.folder / "results/tables"
    by = sorted(study.recordings, key=lambda row: (row["session"], row["instrument"], row["recording"]))
    rows = {key: list(of) for key, of in groupby(by, key=lambda row: (row["session"], row["instrument"]))}
    layout: dict[str, list[str]] = {}
    for session, instrument in rows:
        layout.setdefault(session, []).append(instrument)
    most = {name: max(len(of) for (_, other), of in rows.items() if other == name) for _, name in rows}
    transposition = next(iter(study.families.values())).transposition
    drawn = simulate.study_tables(layout, takes=most, written=WRITTEN, transposition=transposition)
    recordings = drawn["recordings"]
    place = recordings.groupby(["session", "instrument"], sort=False).cumcount()
    named = {
        simulated: of[number]
        for simulated, session, instrument, number in zip(
            recordings["recording"], recordings["session"], recordings["instrument"], place, strict=True
        )
        if number < len(of := rows[session, instrument])
    }
    for table, frame in drawn.items():
        if table not in ("recordings", "notes", "harmonics", "bands"):
            continue
        frame = frame[frame["recording"].isin(named)].reset_index(drop=True)
        of = frame["recording"].map(named)
        heard = ~of.map(lambda row: row["recording"].startswith(LOST))
        frame = frame.assign(**{key: [row[key] for row in of] for key in KEYS if key in frame})
        if table == "recordings":
            frame = frame.assign(reverb_s=0.4, hum_db=3.0, lufs=-23.0, channel=1)
            frame.loc[~heard, ["status", "reason"]] = ["set_aside", "silent"]
            frame = frame.set_index("recording").loc[[row["recording"] for row in study.recordings]].reset_index()
        else:
            played = of.map(lambda row: row["pattern"] == "passage")
            if table == "notes":
                phrases = frame[heard & played].assign(passage=[row["passage"] for row in of[heard & played]])
                _write("passage_notes", phrases.rename(columns={"step": "place"}), tables)
            frame = frame[heard & ~played].sort_values("recording", kind="stable")
        if table == "recordings":
            write_table(frame.reindex(columns=names(table)), table, tables / f"{table}.tsv")
        elif table == "notes":
            _write(table, frame, tables)
        else:
            write_parquet(frame, tables / f"{table}.parquet")


def _write(table: str, frame: pd.DataFrame, folder: Path) -> None:
    """Write a table of notes as text and as Parquet."""
    frame = conform(frame.reindex(columns=names(table)).sort_values("recording", kind="stable"), table)
    write_table(frame, table, folder / f"{table}.tsv")
    write_parquet(frame, folder / f"{table}.parquet")
