"""A whole study as the report sees it: sheets and results tables, drawn by the table-level simulator.

Three sessions: `hall_1` and `hall_2` share an instrument, nothing links `attic` to them. Labels are hostile on
purpose; findings, clusters and warnings are made up to fill every part of the report.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from assess import assess_study
from compare import compare_study
from evenbore.compare.rank import save_pools
from evenbore.facts.columns import TABLES, names
from evenbore.files.paths import repo_root
from evenbore.files.tables import conform, write_parquet, write_table
from evenbore.recording.clips import CLIP_RATE, Clip, decoded, encoded, faded, levels_of, write_clips
from evenbore.report.results import read_results
from evenbore.report.workbook import write_workbook
from evenbore.study.sheets import load_study
from evenbore.trade.pitch import midi_to_note
from factors import factors_of_study
from figures import figures
from normalise import normalise_study
from page import page
from simulate import study_tables
from vet import vet_study

LABELS = {
    "ref": "House horn",
    "a": "<script>alert(1)</script>",
    "b": "=1+1\"'&amp; $x^2$ {{ 7*7 }}",
    "c": "שלום ساكسفون",
    "d": "萨克斯 三号",
    "e": "A label so long that it has to be cut somewhere, for it goes on and on and on",
    "f": "Attic find",
}
WRITTEN = ("F#5", "G5", "G#5", "A5", "Bb5", "B5", "C6", "C#6", "D6")  # of an alto saxophone, A4 to C5 sounding
NOTE_S = 0.6
SESSIONS = {"hall_1": ["ref", "a", "b", "c"], "hall_2": ["ref", "d", "e"], "attic": ["f"]}


def make_report(folder: Path) -> Path:
    """Draw the figures and write the report, the workbook and the table of columns of a study."""
    results, config = folder / "results", folder / "config/config.yaml"
    tables, drawn, captions = results / "tables", results / "figures", results / "work/captions"
    figures(
        path_to_study=folder, path_to_config=config, path_to_tables=tables, path_to_figures=drawn,
        path_to_captions=captions, path_to_publication=results / "publication",
    )  # fmt: skip
    write_report(folder)
    return folder


def write_report(folder: Path) -> None:
    """Write report, workbook and table of columns of a study whose figures are drawn."""
    write_page(folder)
    results = read_results(load_study(folder, folder / "config/config.yaml"), folder / "results/tables")
    write_workbook(results, folder / "results/comparison.xlsx")


def write_page(folder: Path) -> None:
    """Write report and table of columns of a study."""
    results, config = folder / "results", folder / "config/config.yaml"
    clips, tables = sorted((results / "work").glob("clips.npz")), results / "tables"
    page(
        path_to_study=folder, path_to_config=config, path_to_tables=tables, path_to_draws=results / "work/draws.npz",
        paths_to_clips=clips, path_to_provenance=results / "provenance.json", path_to_history=results / "history.json",
        path_to_report=results / "report.html", path_to_columns=tables / "columns.tsv",
        path_to_told=results / "work/told.txt",
    )  # fmt: skip


def make_results(folder: Path, *, sessions=None, labels=None, dynamics=("p", "mf", "f"), takes=2) -> Path:
    """Write sheets, config and results/tables of a study into `folder`; returns `folder`."""
    sessions, labels = sessions or SESSIONS, labels or LABELS
    drawn = study_tables(
        sessions, takes=takes, dynamics=dynamics, seed=7, extra_cents={(n, 86): 28.0 for n in ["a"] if n in labels}
    )
    recordings = drawn["recordings"]
    write_sheets(folder, recordings, sessions, labels)
    recordings = recordings.assign(reverb_s=0.4, hum_db=3.0, lufs=-23.0, channel=1)
    spoilt = recordings["recording"] == recordings["recording"].iloc[-1]
    recordings.loc[spoilt, ["status", "reason"]] = ["set_aside", "it is silent: nothing above <b>-90 dB</b>"]
    recordings.loc[recordings.index[0], ["status", "reason"]] = ["warned", "3 notes clipped"]
    _write(folder, "recordings", recordings)
    _write(folder, "notes", drawn["notes"])
    for name in ("notes", "harmonics", "bands"):
        write_parquet(drawn[name], folder / f"results/tables/{name}.parquet")
    run_steps(folder)
    usable = recordings[recordings["status"] != "set_aside"]
    phrases, places = _phrases(usable)
    write_clips(_clips(usable) + phrases, folder / "results/work/clips.npz")
    _write(folder, "passage_notes", places)
    _write(folder, "clusters", _clusters(list(labels)))
    _write(folder, "findings", _findings(list(labels)))
    vet_sample(folder)
    (folder / "results" / "provenance.json").write_text(
        json.dumps({"evenbore": "0.1.0", "made": "2025-03-20", "inputs": {"config/<i>.tsv": "0" * 64}}), "utf-8"
    )
    return folder


def run_steps(folder: Path) -> None:
    """From measured tables to the comparison, as the workflow does it."""
    tables, work, config = folder / "results/tables", folder / "results/work", folder / "config/config.yaml"
    compared = ("pairs", "ranking", "rank_probabilities", "sensitivity", "value", "clusters", "own_days", "next")
    study = {"path_to_study": folder, "path_to_config": config}
    if not (music := tables / "passage_notes.parquet").exists():
        write_parquet(conform(pd.DataFrame(columns=names("passage_notes")), "passage_notes"), music)
    judged = {f"path_to_{t}": tables / f"{t}.tsv" for t in ("criteria", "instruments")}
    takes = {"path_to_takes": work / "takes.parquet"}
    errors = {f"path_to_{t}": work / f"{t}.parquet" for t in ("shifts", "days")}
    notes = {"path_to_notes_normalised": work / "notes.parquet"}
    normalise_study(
        **study, **notes, path_to_recordings=tables / "recordings.tsv",
        **{f"path_to_{t}": tables / f"{t}.parquet" for t in ("notes", "harmonics", "bands")},
        **{f"path_to_{t}": tables / f"{t}.tsv" for t in ("setups", "comparability", "note_profiles", "band_profiles",
                                                              "harmonic_profiles")},
        path_to_setup_errors=work / "setup_errors.npz", path_to_tone=work / "tone.parquet",
    )  # fmt: skip
    assess_study(
        **study, **notes, **judged, **takes, **errors, path_to_recordings=tables / "recordings.tsv",
        path_to_setup_errors=work / "setup_errors.npz", path_to_tuning_advice=tables / "tuning_advice.tsv",
        path_to_passage_notes=music, path_to_passages=tables / "passages.tsv",
    )  # fmt: skip
    compare_study(
        **study, **judged, **takes, **errors,
        **{f"path_to_{t}": tables / f"{t}.tsv" for t in ("note_profiles", "comparability")},
        paths_to_tables={table: tables / f"{table}.tsv" for table in compared}, path_to_draws=work / "draws.npz",
    )  # fmt: skip
    factors_of_study(
        **study, **notes, **judged, **takes,
        path_to_tone=work / "tone.parquet", path_to_tone_factors=tables / "tone_factors.tsv",
        path_to_factors=tables / "factors.tsv", path_to_variance=tables / "variance.tsv",
    )  # fmt: skip


def vet_sample(folder: Path) -> None:
    """Decisions and statuses, as the workflow makes them."""
    tables, config = folder / "results/tables", folder / "config/config.yaml"
    named = (
        "recordings", "instruments", "note_profiles", "findings", "criteria", "pairs", "ranking", "value",
        "vetting", "status", "changes",
    )  # fmt: skip
    vet_study(
        path_to_study=folder, path_to_config=config,
        path_to_notes_normalised=folder / "results/work/notes.parquet",
        **{f"path_to_{t}": folder / f"results/work/{t}.parquet" for t in ("takes", "shifts", "days")},
        **{f"path_to_{t}": tables / f"{t}.tsv" for t in named},
    )  # fmt: skip


def _write(folder: Path, table: str, frame: pd.DataFrame) -> None:
    write_table(frame.reindex(columns=names(table)), table, folder / f"results/tables/{table}.tsv")


def write_sheets(folder: Path, recordings: pd.DataFrame, sessions, labels) -> None:
    """The config as shipped and sheets that fit the recordings."""
    sheets = folder / "config"
    sheets.mkdir(parents=True, exist_ok=True)
    (sheets / "config.yaml").write_bytes((repo_root() / "config" / "config.yaml").read_bytes())
    columns = ["recording", "instrument", "session", "take", "dynamic", "articulation", "direction"]
    _sheet(sheets, "recordings", recordings[columns].assign(file=recordings["recording"] + ".wav"))
    prices = 400 + 150 * np.arange(len(labels))
    instruments = pd.DataFrame({"instrument": list(labels), "label": list(labels.values()), "price": prices})
    instruments.loc[instruments.index[-1], "price"] = np.nan
    material = np.where(np.arange(len(labels)) % 2, "brass <b>", "silver & gold")
    _sheet(sheets, "instruments", instruments.assign(
        family="saxophone_alto", setup_cost=60, maker="Maker <A>", body_material=material))  # fmt: skip
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
    (folder / "results/tables").mkdir(parents=True)
    (folder / "results/provenance.json").write_text("{}", "utf-8")
    save_pools([], folder / "results/work/draws.npz")
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


def _clips(recordings: pd.DataFrame) -> list[Clip]:
    """A short scale of each take at mf, every instrument, take and note at a level and brightness of its own."""
    rng = np.random.default_rng(5)
    clips = []
    for row in recordings[recordings["dynamic"] == "mf"].itertuples(index=False):
        size = round(NOTE_S * CLIP_RATE)
        time = np.arange(size) / CLIP_RATE
        pace = rng.uniform(0.8, 1.0)
        samples, notes = [np.zeros(CLIP_RATE // 5)], []
        for midi, written in zip(range(69, 69 + len(WRITTEN)), WRITTEN, strict=True):
            harmonics = np.arange(1, 9)
            tone = np.sin(2 * np.pi * 440 * 2 ** ((midi - 69) / 12) * harmonics[:, None] * time)
            tone = rng.uniform(0.02, 0.1) * (rng.uniform(0.4, 0.9) ** harmonics) @ tone
            if midi == 69:  # one that dies away half-way: what is quiet does not count in its loudness
                tone *= 10 ** (-2 * np.clip(time / NOTE_S - 0.5, 0, 1))
            start = sum(map(len, samples)) / CLIP_RATE
            samples.append(faded(tone[: round(pace * size)], CLIP_RATE))
            notes.append((written, midi, start, start + pace * NOTE_S))
        keys = (getattr(row, key) for key in ("recording", "instrument", "session", "state", "take"))
        sound = np.concatenate([*samples, np.zeros(CLIP_RATE // 5)]).astype(np.float32)
        mp3 = encoded(sound)
        levels = levels_of(decoded(mp3), [(start, end) for _, _, start, end in notes])
        clips.append(Clip(*keys, row.dynamic, "slurred, up, mf", "scale", "", notes, mp3, levels))
    return clips


def _phrases(recordings: pd.DataFrame) -> tuple[list[Clip], pd.DataFrame]:
    """A phrase softly and loudly of two instruments, each at a pace of its own, and the places of its notes: in one
    take a grace note more, in another a note less."""
    clips, rows = [], []
    played = recordings[recordings["instrument"].isin(["ref", "a"]) & recordings["dynamic"].isin(["p", "f"])]
    for number, row in enumerate(played.drop_duplicates(["instrument", "dynamic"]).itertuples(index=False)):
        midi, places = [69, 71, 73, 74, 76], [0, 1, 2, 3, 4]
        if number == 0:
            midi, places = [69, 70, 71, 73, 74, 76], [0, None, 1, 2, 3, 4]
        elif number == 1:
            midi, places = [69, 71, 74, 76], [0, 1, 3, 4]
        length = 0.5 + 0.1 * number
        time = np.arange(round(length * CLIP_RATE)) / CLIP_RATE
        tones = [faded((0.1 * np.sin(2 * np.pi * 440 * 2 ** ((one - 69) / 12) * time)).astype(np.float32), CLIP_RATE)
                 for one in midi]  # fmt: skip
        notes = [(midi_to_note(one), one, k * length, (k + 1) * length) for k, one in enumerate(midi)]
        keys = (getattr(row, key) for key in ("recording", "instrument", "session", "state", "take"))
        sound = encoded(np.concatenate(tones))
        clips.append(Clip(*keys, row.dynamic, f"a passage, {row.dynamic}", "passage", "joy <b>", notes, sound,
                          levels_of(decoded(sound), [])))  # fmt: skip
        rows += [{"recording": row.recording, "instrument": row.instrument, "place": place} for place in places]
    return clips, pd.DataFrame(rows, columns=["recording", "instrument", "place"]).astype({"place": "Int64"})


def _findings(instruments: list[str]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "instrument": instruments[1], "state": "as_found", "kind": "intonation_outlier", "first_note": "D6",
                "last_note": "D6", "n_notes": 1, "size": 27.6, "unit": "cents", "confidence": 0.99,
                "explanation": "D6 lies 28 cents above the other notes; the player may also have lipped it up",
                "scope": "unit",
            },
            {
                "state": "as_found", "kind": "session_effect", "n_notes": 0, "size": 1.2, "unit": "dB",
                "confidence": 0.7, "explanation": "hall_2 sounds duller than hall_1 by 1.2 dB on all instruments",
                "scope": "unit",
            },
        ]
    )  # fmt: skip
