"""Studies with a planted brightness of one material, many times: how often it is found, how often something is found
where nothing is, and how often intervals and curves hold the truth.

The tables that measuring would give are drawn by `simulate`; all that follows is the program's own way: set-ups taken
out, loudness matched, takes judged, factors tested. Three materials of four instruments, three takes at mf and one soft
and one loud by each of two players, each on an evening of its own.
"""

import numpy as np
import pandas as pd

from evenbore.compare.factors import Factor, judge_factor
from evenbore.compare.multiplicity import adjusted
from evenbore.compare.tonefactors import judge_tone, played_curves
from evenbore.judge.assess import without_session_offsets
from evenbore.judge.takes import prepared_takes
from evenbore.judge.values import FUNCTIONS
from evenbore.setups.loudness import match_loudness
from evenbore.setups.normalise import Normalised, normalise
from evenbore.setups.tone import RELATIVE_TILT
from evenbore.trade.families import load_family
from simulate import study_tables

FAMILY = "saxophone_alto"
INSTRUMENTS = [f"i{k}" for k in range(12)]
LEVELS = {name: f"m{k % 3}" for k, name in enumerate(INSTRUMENTS)}
SHEET = {name: {"family": FAMILY} for name in INSTRUMENTS}
NOTES = 58, 69  # written
# ASSUME: dB per octave. Instruments of one material scatter more here than 0.07 to 0.15, what sampled ones show; a
# player's own brightness, and an instrument's own day (reed), as large as takes
BODY_SD, PLAYER_SD, DAY_SD = 0.2, 0.5, 0.1
EFFECTS = (0.0, 0.5, 1.0, 2.0)
BRIGHT = "m1"


def drawn(effect: float, number: int) -> dict:
    """The tables of one study; material m1 is `effect` dB per octave brighter. Its players play unequally loud."""
    tables = study_tables(
        {"ada": INSTRUMENTS, "ben": INSTRUMENTS}, dynamics=("p", "mf", "f"), written=NOTES,
        instrument_sd={"tilt_db": BODY_SD}, session_sd={"tilt_db": PLAYER_SD}, day_sd={"tilt_db": DAY_SD},
        take_sd={"level_db": 1.5}, seed=1000 * round(10 * effect) + number,
    )  # fmt: skip
    recordings = tables["recordings"]
    kept = recordings.loc[(recordings["dynamic"] == "mf") | (recordings["take"] == 1), "recording"]
    tables = {key: table[table["recording"].isin(kept)] for key, table in tables.items() if "recording" in table}
    bright = recordings.loc[recordings["instrument"].map(LEVELS) == BRIGHT, "recording"]
    return tables | {"harmonics": planted(tables["harmonics"], bright, effect)}


def planted(harmonics: pd.DataFrame, recordings: pd.Series, effect: float) -> pd.DataFrame:
    """The harmonics with those of the recordings tilted by `effect` dB per octave, every note as loud as before."""
    level = harmonics["level_db"]
    tilted = level + effect * np.log2(harmonics["harmonic"]) * harmonics["recording"].isin(recordings)
    note = [harmonics["recording"], harmonics["step"]]
    loud, louder = ((10 ** (one / 10)).groupby(note).transform("sum") for one in (level, tilted))
    return harmonics.assign(level_db=tilted - 10 * np.log10(louder / loud))


def judged(normalised: Normalised, number: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What the program tells of the material's pairs: of the criterion (rows of `judge_factor`, p adjusted over them),
    and of the curve (rows of `judge_tone`)."""
    notes = normalised.notes
    matched = match_loudness(notes, RELATIVE_TILT)
    at_base = notes.assign(**{RELATIVE_TILT: matched.values})[notes["dynamic"] == "mf"]
    rows = [
        key | {"player": key["session"], "criterion": "brightness", "value": FUNCTIONS["brightness"](take)}
        for key, take in prepared_takes(at_base, SHEET, {FAMILY: load_family(FAMILY)})
    ]
    takes = without_session_offsets(pd.DataFrame(rows))
    takes["value"] += takes["session_offset"]
    factor = Factor("material", LEVELS, {})
    tested = pd.DataFrame(judge_factor(takes, factor, [], factor.contrasts(), np.random.default_rng(number)))
    players = {name: {"player": session} for name, session in notes[["recording", "session"]].drop_duplicates().values}
    states = dict.fromkeys(INSTRUMENTS, "as_found")
    curves = played_curves(normalised.tone, notes, SHEET, players, states, "mf")
    tone = pd.DataFrame(judge_tone(curves, factor, np.random.default_rng(number)))
    return tested.assign(p_adjusted=adjusted(tested["p"].to_numpy(float))), tone


def truth_of(contrast: str, effect: float) -> float:
    """True difference of a contrast, first level less second."""
    first, second = contrast.split(" - ")
    return effect * ((first == BRIGHT) - (second == BRIGHT))


def run_brightness(effect: float, studies: int) -> dict:
    """Shares over the studies of one planted effect, see `shares`."""
    rows = []
    for number in range(studies):
        tables = drawn(effect, number)
        rows += with_truth(
            *judged(normalise(tables["recordings"], tables["notes"], [tables["harmonics"]]), number), effect
        )
    return {"effect": effect, "studies": studies} | shares(rows)


def with_truth(tested: pd.DataFrame, tone: pd.DataFrame, effect: float) -> list[dict]:
    """The pairs of materials of a study that hold the planted effect (all, where none is planted), with the truth."""
    rows = []
    for row in tested.to_dict("records"):
        true = truth_of(row["contrast"], effect)
        if effect and not true:
            continue
        curve = tone[tone["contrast"] == row["contrast"]]
        octaves = np.log2(curve["harmonic"].to_numpy(float))
        at = true * (octaves - octaves.mean())
        held = bool(((curve["low"] <= at) & (at <= curve["high"])).all())
        rows.append(row | {"true": true, "curve_p": curve["p"].iloc[0], "curve_held": held})
    return rows


def shares(rows: list[dict]) -> dict:
    """Of the pairs: how often p < 0.05, adjusted too, how often interval and band hold the truth; the estimate."""
    frame = pd.DataFrame(rows)
    away = frame["estimate"] * np.sign(frame["true"]).where(frame["true"] != 0, 1)
    return {
        "pairs": len(frame),
        "p_below": float((frame["p"] < 0.05).mean()),
        "adjusted_below": float((frame["p_adjusted"] < 0.05).mean()),
        "covered": float(((frame["low"] <= frame["true"]) & (frame["true"] <= frame["high"])).mean()),
        "estimate": float(away.mean()),
        "curve_p_below": float((frame["curve_p"] < 0.05).mean()),
        "curve_held": float(frame["curve_held"].mean()),
    }
