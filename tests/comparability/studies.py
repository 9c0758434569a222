"""Whole studies at table level, judged against their known truth; see `simulate`.

The truth of an instrument is its criterion without any take's scatter and without days of its own, as the average
set-up and session of its comparability group would have given it: levels and brightness through the mean of the group's
chains, noise, response and pitch with the mean of what its sessions add. What rooms add to single notes is in the truth
of the evennesses only where nothing links the session.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from evenbore.compare.pairs import compared_states, pairs_table, questions_of
from evenbore.facts.criteria import CRITERIA, MEASURED
from evenbore.facts.days import DAY_KINDS
from evenbore.facts.measures import harmonic_measures
from evenbore.judge.assess import assess
from evenbore.judge.repeatability import Assessment
from evenbore.judge.values import FUNCTIONS, TakeNotes, criteria_table
from evenbore.setups.comparability import session_groups
from evenbore.setups.normalise import normalise
from evenbore.trade.families import load_family
from simulate import DYNAMIC_DB, TAKE_SD, study_tables

FAMILIES = {"saxophone_alto": load_family("saxophone_alto")}
CONFIG = {"base_dynamic": "mf", "currency": "EUR", "states": ["as_found"], "own_days": DAY_KINDS}
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


def judged(tables: dict, config: dict = CONFIG) -> Assessment:
    """The study through normalisation and criteria."""
    normalised = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])
    instruments = {row["instrument"]: row for row in tables["instruments"].to_dict("records")}
    return assess(normalised.notes, normalised.errors, tables["recordings"], instruments, (), FAMILIES, config)


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
        for criterion in MEASURED:
            compute = FUNCTIONS[criterion.name]
            heard = smooth if criterion.smoothed else base
            value = compute(heard) if criterion.kind == "take" else compute(loud, soft)
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
        noise=blank,
        attack=blank,
        tilt=blank,
        odd_even=blank,
        fundamental=blank,
    )


def coverage(tables: dict) -> pd.DataFrame:
    """instrument, criterion, truth, value, low, high of all that have an interval."""
    found = judged(tables).instruments.merge(true_criteria(tables), on=["instrument", "criterion"])
    return found.dropna(subset=["low", "truth"])[["instrument", "criterion", "truth", "value", "low", "high"]]


UNLINKED = {
    "apart": Design({"s1": members("ab"), "s2": members("cd")}, takes=2),
    "two groups": Design(
        {"s1": members("a", "ref"), "s2": members("b", "ref"), "s3": members("c"), "s4": members("c")}
    ),
    "linked by another state": Design(
        {"s1": members("a", "ref"), "s2": members("b", "ref")}, options={"states": {"s2": "later"}}
    ),
}


def compared_unlinked(design: Design, seed: int) -> tuple[int, int]:
    """Pairs of instruments from sessions that nothing links: how many there were, over the criteria that depend on the
    chain, and how many of them were compared all the same (a verdict, a difference, an interval or a common group)."""
    tables = draw(design, seed, dynamics=("mf",), written=(58, 77))
    config = CONFIG | {"states": ["as_found", "later"]}
    assessed = judged(tables, config)
    criteria = criteria_table(dict.fromkeys(CRITERIA, 1.0), "EUR")
    states = compared_states(assessed.instruments, config["states"], "latest")
    kinds = dict.fromkeys(states, "saxophone_alto")
    table = pd.concat(pairs_table(questions_of(assessed, criteria, states, kinds)))
    groups = session_groups(tables["recordings"])
    held = tables["recordings"].assign(group=tables["recordings"]["session"].map(groups))
    latest = held[held["state"] == held["instrument"].map(states)]
    group_of = latest.groupby("instrument")["group"].first()
    apart = table["instrument_a"].map(group_of) != table["instrument_b"].map(group_of)
    chain = table["criterion"].isin([c.name for c in MEASURED if c.chain_dependent])
    rows = table[apart & chain]
    told = rows[["difference", "low", "high", "p", "group"]].notna().any(axis=1)
    wrong = told | (rows["verdict"] != "not_comparable") | (rows["reason"] == "")
    return len(rows), int(wrong.sum())


ORDERED = Design({"s1": members("abc", "ref"), "s2": members("def", "ref")})
# what is added to the tilt from note to note, dB per octave; neighbours in evenness are in different sessions
UNEVEN = {name: 0.5 * number for number, name in enumerate("adbecf")}


def order(seed: int) -> tuple[int, int]:
    """Pairs of instruments from different sessions whose true timbre evenness differs by twice the standard error of
    the difference or more: how many there were, and how many the values put in the wrong order."""
    rng = np.random.default_rng([seed, 2])
    notes = range(58, 90)
    tilts = {(name, note): rng.normal(0, sd) for name, sd in UNEVEN.items() for note in notes}
    tables = draw(ORDERED, seed, dynamics=("mf",), extra_tilt_db=tilts)
    found = coverage(tables).query("criterion == 'timbre_evenness'").set_index("instrument")
    error = (found["high"] - found["low"]) / 2 / 1.645
    told = wrong = 0
    for a in ORDERED.layout["s1"]:
        for b in ORDERED.layout["s2"]:
            apart = found["truth"][a] - found["truth"][b]
            if a != b and abs(apart) >= 2 * np.hypot(error[a], error[b]):
                told += 1
                wrong += (found["value"][a] - found["value"][b]) * apart <= 0
    return told, int(wrong)
