"""Run the diagnosis on every study of the campaign and compare what it says with what was planted."""

from collections import Counter

import numpy as np
import pandas as pd

from evenbore.findings import vet
from evenbore.findings.diagnose import diagnose
from evenbore.trade.pitch import note_to_midi

from . import sampled, simulated
from .plans import Planted, Study

CONFIG = {
    "base_dynamic": "mf",
    "states": ["as_found"],
    "tolerances": {"default": {"note_cents": 20, "stuffy_z": 3.5, "confidence": 0.5}},
    "gates": {"tuning_offset_min": -30, "fault_severity_max": 2},
}
PATTERNS = ("stuffy_run", "regulation_step", "vent_fault")


def notes_of(study: Study) -> tuple[pd.DataFrame, dict, dict]:
    """Normalised notes, instruments and families of a study."""
    if study.soundfont:
        return sampled.study(study.shop())
    return simulated.study(
        study.seed, study.family, study.instruments, study.sessions, study.dynamics, study.takes,
        planted=study.faults(), weak=study.weak(),
        bent={number: planted.cents() for number, planted in study.planted.items()},
    )  # fmt: skip


def findings(study: Study) -> pd.DataFrame:
    """What the diagnosis finds in a study."""
    return diagnose(*notes_of(study), CONFIG)


def decisions(study: Study) -> pd.DataFrame:
    """The vetting of a study: `decision` and `reasons` by instrument, with what is planted."""
    notes, instruments, families = notes_of(study)
    found = diagnose(notes, instruments, families, CONFIG)
    family = families[study.family]
    takes = notes.groupby("recording", sort=False)[["instrument", "state", "session", "dynamic"]].first().reset_index()
    takes = takes.assign(status="ok", reason="", notes_expected=family.high - family.low + 1, clipped_fraction=0.0)
    takes["notes_found"] = takes["recording"].map(notes.groupby("recording").size())
    offset = notes.groupby(["instrument", "state"])["cents"].median().rename("value").reset_index()
    values = offset.assign(criterion="tuning_offset", low=np.nan, unit="cents")
    limits = {name: CONFIG["tolerances"]["default"] for name in instruments}
    decided = vet.decisions(found, takes, notes, values, instruments, (), CONFIG, limits)
    table = vet.vetting_table(decided, instruments)
    number = table["instrument"].str.slice(1).astype(int)
    planted = number.map(lambda n: f"{study.planted[n].kind} {study.planted[n].size:g}" if n in study.planted else "")
    return table.assign(planted=planted, study=study.name, family=study.family, sound=study.soundfont or "simulated")


def score(study: Study, found: pd.DataFrame) -> list[dict]:
    """One line for each instrument: what is planted, what was said of its tone (intonation left out)."""
    found = found[(found["unit"] != "cents") & found["instrument"].notna()]
    lines = []
    for number in range(study.instruments):
        own = found[found["instrument"] == f"i{number:02d}"]
        planted = study.planted.get(number)
        line = {
            "study": study.name, "part": study.part, "family": study.family, "sound": study.soundfont or "simulated",
            "instrument": number, "planted": planted.kind if planted else "nothing",
            "size": planted.size if planted else 0.0, "kinds": Counter(own["kind"]),
        }  # fmt: skip
        patterns = own[own["kind"].isin(PATTERNS)].sort_values("confidence", ascending=False)
        if len(patterns):
            best = patterns.iloc[0]
            line |= {"kind": best["kind"], "confidence": best["confidence"], "region": pd.notna(best["region"])}
            if planted:
                line |= _place(planted, best)
        lines.append(line)
    return lines


def _place(planted: Planted, best: pd.Series) -> dict:
    if planted.kind == "run":
        top, low = (note_to_midi(best[column]) for column in ("last_note", "first_note"))
        return {"top_off": top - planted.high, "low_off": low - planted.low}
    if planted.kind == "leak" and pd.notna(best["region"]):
        low, high = note_to_midi(best["region_low_note"]), note_to_midi(best["region_high_note"])
        return {"inside": low <= planted.hole <= high, "wide": high - low + 1}
    return {}


def run(studies) -> pd.DataFrame:
    """All lines of all studies."""
    lines = []
    for study in studies:
        lines += score(study, findings(study))
    return pd.DataFrame(lines)
