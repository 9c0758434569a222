"""Whole studies at table level, judged against their known truth; see `evenbore.simulate`.

The truth of an instrument is its criterion without any take's scatter and without days of its own, as the average
set-up and session of its comparability group would have given it: levels and brightness through the mean of the group's
chains, noise, response and pitch with the mean of what its sessions add. What rooms add to single notes is in the truth
of the evennesses only where nothing links the session.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from evenbore.assess import Assessment, assess
from evenbore.comparability import session_groups
from evenbore.criteria import CRITERIA, TakeNotes
from evenbore.measures import harmonic_measures
from evenbore.normalise import normalise
from evenbore.simulate import DYNAMIC_DB, TAKE_SD, study_tables
from evenbore.trade.families import load_family

FAMILIES = {"saxophone_alto": load_family("saxophone_alto")}
CONFIG = {"base_dynamic": "mf", "currency": "EUR", "states": ["as_found"]}
SOFT, LOUD = "pp", "ff"


@dataclass(frozen=True)
class Design:
    """Who is recorded where (session -> instruments) and how often."""

    layout: dict[str, list[str]]
    takes: int | dict[str, int] = 3
    options: dict = field(default_factory=dict)


def members(letters: str, *more: str) -> list[str]:
    return [*more, *letters]


DESIGNS = {
    "one session": Design({"s1": members("abcdef")}),
    "two sessions, one reference": Design({"s1": members("abc", "ref"), "s2": members("def", "ref")}),
    "three sessions, one reference, two takes": Design(
        {"s1": members("ab", "ref"), "s2": members("cd", "ref"), "s3": members("ef", "ref")}, takes=2
    ),
    "a chain of sessions": Design({"s1": members("abc"), "s2": members("cd"), "s3": members("de")}),
    "three sessions, all in all": Design({s: members("abcd") for s in ("s1", "s2", "s3")}, takes=2),
    "unequal takes": Design(
        {"s1": members("abc", "ref"), "s2": members("def", "ref")},
        takes={"ref": 2, "a": 1, "b": 2, "c": 5, "d": 1, "e": 3, "f": 4},
    ),
}


def draw(design: Design, seed: int, day_ratio: float = 0.0, **options) -> dict:
    """One study of a design: chains that differ by several dB, rooms, sessions that add something to all, days of its
    own for each instrument, `day_ratio` times as large as a take's scatter."""
    day = {
        "cents": day_ratio * TAKE_SD["cents"],
        "hnr_db": day_ratio * 0.5,
        "attack_ms": day_ratio * 40 * TAKE_SD["attack"],
        "level_db": day_ratio * TAKE_SD["level_db"],
        "tilt_db": day_ratio * TAKE_SD["tilt_db"],
    }
    return study_tables(
        design.layout,
        **{
            "takes": design.takes,
            "dynamics": ("mf", SOFT, LOUD),
            "articulation": "tongued",
            "n_harmonics": 8,
            "room_db": 1.0,
            "noise_floor_db": -110.0,
            "instrument_sd": {"range": 0.1, "drift_cents": 2.0},
            "session_sd": {"cents": 3.0, "hnr_db": 2.0, "attack_ms": 8.0},
            "day_sd": day,
            "seed": seed,
        }
        | design.options
        | options,
    )


def judged(tables: dict) -> Assessment:
    """The study through normalisation and criteria."""
    normalised = normalise(tables["recordings"], tables["notes"], tables["harmonics"])
    instruments = {row["instrument"]: row for row in tables["instruments"].to_dict("records")}
    return assess(normalised.notes, normalised.shifted, tables["recordings"], instruments, (), FAMILIES, CONFIG)


def true_criteria(tables: dict) -> pd.DataFrame:
    """Columns instrument, criterion, truth."""
    truth, groups = tables["truth"], session_groups(tables["recordings"])
    sessions_of = tables["recordings"].groupby("instrument")["session"].first()
    rows = []
    for name, make in truth["makes"].items():
        mine = [s for s, g in groups.items() if g == groups[sessions_of[name]]]
        loud, base, soft = (_notes(truth, name, mine, dynamic) for dynamic in (LOUD, "mf", SOFT))
        smooth = base if len(mine) == 1 else _notes(truth, name, mine, "mf", rooms=False)
        added = {part: np.mean([truth["session"][s][part] for s in mine]) for part in ("hnr_db", "attack_ms")}
        for criterion in CRITERIA:
            if criterion.kind == "cost":
                continue
            heard = smooth if criterion.smoothed else base
            value = criterion.function(heard) if criterion.kind == "take" else criterion.function(loud, soft)
            if criterion.name == "noise":
                value = -(make["hnr"] + added["hnr_db"])
            if criterion.name == "response":  # the mean over takes that scatter as logarithms
                value = make["attack"] * np.exp(TAKE_SD["attack"] ** 2 / 2) + added["attack_ms"]
            rows.append((name, criterion.name, value))
    return pd.DataFrame(rows, columns=["instrument", "criterion", "truth"])


def _notes(truth: dict, name: str, sessions: list[str], dynamic: str, rooms: bool = True) -> TakeNotes:
    family, midi = FAMILIES["saxophone_alto"], truth["midi"]
    make = truth["makes"][name]
    push = DYNAMIC_DB[dynamic] * make["range"]
    added = np.mean([truth["session"][s]["cents"] for s in sessions])
    cents = truth["cents"][name] + added + make["drift"] * push / 10
    frequency = truth["frequency_hz"] * 2 ** (cents[:, None] / 1200)
    octave = np.log2(np.arange(1, frequency.shape[1] + 1))
    level = truth["level_db"][name] + push + 0.15 * push * octave
    level = level + np.mean([truth["chain"][s](frequency) for s in sessions], axis=0)
    heard = [
        harmonic_measures(level + rooms * truth["room"][s], frequency[:, 0], ("level_dbfs", "brightness_db"))
        for s in sessions
    ]
    measured = {name: np.mean([one[name] for one in heard], axis=0) for name in heard[0]}
    written = family.to_written(midi)
    blank = np.full(midi.size, np.nan)
    return TakeNotes(
        written=written,
        register=np.array([family.registers.index(family.register_of(int(note))) for note in written]),
        veiled=np.isin(written, list(family.veiled)),
        partner=np.array([-1 if (p := family.partner(int(note))) is None else p for note in written]),
        nominal_cents=100.0 * family.overblow,
        cents=cents,
        level=measured["level_dbfs"],
        brightness=measured["brightness_db"],
        hnr=blank,
        attack=blank,
    )


def coverage(tables: dict) -> pd.DataFrame:
    """instrument, criterion, truth, value, low, high of all that have an interval."""
    found = judged(tables).instruments.merge(true_criteria(tables), on=["instrument", "criterion"])
    return found.dropna(subset=["low", "truth"])[["instrument", "criterion", "truth", "value", "low", "high"]]
