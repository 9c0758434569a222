"""What instruments are judged by: each criterion is an entry of CRITERIA, computed from one take.

A take's notes come as a `TakeNotes` of equally long arrays; a function gives one number or NaN when the take
cannot tell. Cents are deviations from equal temperament at the session's A4, levels dB after set-up
normalisation. `better`: lower, higher, or target (nearest to zero).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from evenbore.judge.repeatability import OTHER_DAYS, WHOLE_DAYS

NEIGHBOURS = 4  # semitones on either side
MIN_NEIGHBOURS = 4
MIN_NOTES = 5
LEVEL_STEP_DB = 3.0


@dataclass(frozen=True)
class TakeNotes:
    """Notes of one take, one entry per note, ascending written note; repeats of a note averaged.

    `register`: number of the note's register; `veiled`: normally different from its neighbours;
    `partner`: written note fingered alike one register up, -1 where there is none.
    """

    written: np.ndarray
    register: np.ndarray
    veiled: np.ndarray
    partner: np.ndarray
    nominal_cents: float
    cents: np.ndarray
    level: np.ndarray
    brightness: np.ndarray
    hnr: np.ndarray
    attack: np.ndarray


@dataclass(frozen=True)
class Criterion:
    """One criterion; `function` takes a TakeNotes (kind "take") or a loud and a soft one (kind "dynamics").

    `deviations`: for a criterion that is a root mean square over notes, the notes' deviations (N,) behind it; the
    player's own scatter inflates it and is taken out where repeat takes tell its size. `smoothed`: the field of
    TakeNotes whose `unevenness` it is, if it is one: what set-up and room leave of their errors widens it too.
    `together`: for one that is to be taken from all takes of an instrument at once.
    """

    name: str
    unit: str
    better: str
    chain_dependent: bool
    kind: str
    function: Callable | None
    meaning: str
    source: str
    missing: str
    deviations: Callable | None = None
    smoothed: str = ""
    together: Callable | None = None

    def of_takes(self, takes: Sequence[TakeNotes]) -> list[float]:
        """The criterion (kind "take") for each of an instrument's takes of the same notes."""
        return self.together(takes) if self.together else [self.function(take) for take in takes]


def tuning_offset(take: TakeNotes) -> float:
    """Median deviation, cents."""
    return _median(take.cents)


def intonation_spread(take: TakeNotes) -> float:
    """RMS of `intonation`: the standard deviation (n - 1) of the cents."""
    return _rms(intonation(take))


def worst_note_cents(take: TakeNotes) -> float:
    """Largest distance of a note from the take's median, cents."""
    return worst_notes([take])[0]


def worst_notes(takes: Sequence[TakeNotes]) -> list[float]:
    """`worst_note_cents` of takes of the same notes: the distance of the note that is furthest out in their mean.

    Each take's own furthest note would be further out by the player's scatter.
    """
    cents = np.array([take.cents for take in takes])
    cents = cents[:, np.isfinite(cents).all(axis=0)]
    if cents.shape[1] < MIN_NOTES:
        return [np.nan] * len(cents)
    away = cents - np.median(cents, axis=1, keepdims=True)
    mean = away.mean(axis=0)
    worst = np.abs(mean).argmax()
    return (np.copysign(1, mean[worst]) * away[:, worst]).tolist()


def register_width(take: TakeNotes) -> float:
    """Mean width of the intervals between notes fingered alike, less the nominal width, cents."""
    index = {int(note): i for i, note in enumerate(take.written)}
    pairs = [(i, index[int(p)]) for i, p in enumerate(take.partner) if int(p) in index]
    widths = np.array([take.cents[upper] - take.cents[lower] for lower, upper in pairs])
    # equal-tempered octave or twelfth between the two notes; what is left are the deviations
    steps = np.array([100.0 * (take.written[u] - take.written[lo]) for lo, u in pairs])
    widths = widths + steps - take.nominal_cents
    widths = widths[np.isfinite(widths)]
    return float(widths.mean()) if widths.size >= 3 else np.nan


def timbre_evenness(take: TakeNotes) -> float:
    """RMS of `timbre`, dB."""
    return _rms(timbre(take))


def level_evenness(take: TakeNotes) -> float:
    """RMS of `loudness`, dB."""
    return _rms(loudness(take))


def noise(take: TakeNotes) -> float:
    """Noise between the harmonics relative to the harmonics, median over notes, dB."""
    return -_median(take.hnr)


def response(take: TakeNotes) -> float:
    """Median attack time, ms."""
    return _median(take.attack)


def dynamic_range(loud: TakeNotes, soft: TakeNotes) -> float:
    """Median over notes of loud minus soft level, dB."""
    return _median(loud.level - soft.level)


def dynamic_drift(loud: TakeNotes, soft: TakeNotes) -> float:
    """Median pitch change from soft to loud, per 10 dB of median level change, cents."""
    return _per_10_db(loud.cents - soft.cents, loud, soft)


def tone_hold(loud: TakeNotes, soft: TakeNotes) -> float:
    """Median loss of brightness from loud to soft, per 10 dB of median level change, dB."""
    return _per_10_db(loud.brightness - soft.brightness, loud, soft)


def intonation(take: TakeNotes) -> np.ndarray:
    """Cents from the take's mean, widened by sqrt(n / (n - 1)) for the mean that was fitted."""
    n = np.isfinite(take.cents).sum()
    return (take.cents - np.nanmean(take.cents)) * np.sqrt(n / (n - 1)) if n > 1 else np.full(take.cents.shape, np.nan)


def timbre(take: TakeNotes) -> np.ndarray:
    """`unevenness` of the brightness, dB; how hard the take was blown as a whole drops out."""
    return unevenness(take, take.brightness)


def loudness(take: TakeNotes) -> np.ndarray:
    """`unevenness` of the level, dB."""
    return unevenness(take, take.level)


def unevenness(take: TakeNotes, values: np.ndarray) -> np.ndarray:
    """Each note's distance from what its neighbours predict, same unit as `values`; NaN where not predicted.

    The prediction is a local straight line through the neighbours up to NEIGHBOURS semitones away in the same
    register (tricube weights, the note itself left out; Cleveland 1979, J. Am. Stat. Assoc. 74, 829). The
    distance is divided by the factor by which the line's own scatter widens it, so that independent unevenness
    of standard deviation s gives values of standard deviation s, at a register's end as in its middle.
    Veiled notes neither count nor predict.
    """
    usable = np.isfinite(values) & ~take.veiled
    out = np.full(values.shape, np.nan)
    out[usable] = residual_maker(take, usable) @ values[usable]
    return out


def residual_maker(take: TakeNotes, usable: np.ndarray) -> np.ndarray:
    """Matrix (n, n) that makes `unevenness` of the n usable notes' values; rows of notes not predicted are NaN."""
    return _residual_maker(tuple(take.written[usable].tolist()), tuple(take.register[usable].tolist()))


@cache
def _residual_maker(written: tuple[int, ...], register: tuple[int, ...]) -> np.ndarray:
    """See `residual_maker`: scaled leave-one-out residuals."""
    notes, registers = np.array(written, float), np.array(register)
    maker = np.full((notes.size, notes.size), np.nan)
    for i, note in enumerate(notes):
        distance = np.abs(notes - note)
        near = np.flatnonzero((distance > 0) & (distance <= NEIGHBOURS) & (registers == registers[i]))
        if near.size < MIN_NEIGHBOURS:
            continue
        weight = (1 - (distance[near] / (NEIGHBOURS + 1)) ** 3) ** 3
        line = np.column_stack([np.ones(near.size), notes[near] - note])
        prediction = np.linalg.solve(line.T @ (weight[:, None] * line), line.T * weight)[0]
        maker[i] = 0.0
        maker[i, i] = 1.0
        maker[i, near] = -prediction
        maker[i] /= np.sqrt((maker[i] ** 2).sum())
    return maker


def _median(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size >= MIN_NOTES else np.nan


def _rms(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(values**2))) if values.size >= MIN_NOTES else np.nan


def _per_10_db(change: np.ndarray, loud: TakeNotes, soft: TakeNotes) -> float:
    step = dynamic_range(loud, soft)
    return 10.0 * _median(change) / step if step >= LEVEL_STEP_DB else np.nan


_TOO_FEW = f"fewer than {MIN_NOTES} usable notes"
_TWO_DYNAMICS = "needs takes at the study's softest and loudest dynamic in the same session"
_SMOOTH = "the curve through its neighbours within 4 semitones in the same register"
_SCATTER = "the player's own scatter from note to note is taken out where repeat takes show it"
_DYNAMICS = "Own definition, from loudest and softest takes of the same session paired in take order"
_JND_PITCH = "just-noticeable difference: 5 cents is just worth noting in direct comparison (common practice)"

CRITERIA: tuple[Criterion, ...] = (
    Criterion("tuning_offset", "cents", "target", False, "take", tuning_offset,
        "median over all notes of the deviation from equal temperament at the session's tuning: what pulling out"
        " or pushing in can mend", _JND_PITCH, _TOO_FEW),
    Criterion("intonation_spread", "cents", "lower", False, "take", intonation_spread,
        "standard deviation over the notes of the deviation from equal temperament; the whole instrument's offset"
        f" drops out; {_SCATTER}", "Just-noticeable difference: common practice, no source", _TOO_FEW,
        deviations=intonation),
    Criterion("worst_note_cents", "cents", "lower", False, "take", worst_note_cents,
        "largest distance of any note from the instrument's own median deviation: of the note that lies furthest out in"
        " the mean of its takes; grows a little with the player's scatter", _JND_PITCH, _TOO_FEW,
        together=worst_notes),
    Criterion("register_width", "cents", "target", False, "take", register_width,
        "mean over pairs of notes fingered alike of the interval's width less its nominal width (octave 1200,"
        " twelfth 1900 cents); above zero: too wide", _JND_PITCH, "fewer than 3 pairs of notes fingered alike"),
    Criterion("timbre_evenness", "dB", "lower", True, "take", timbre_evenness,
        "root mean square over the notes of each note's distance in brightness (brightness_db, set-up removed)"
        f" from {_SMOOTH}; notes known to be veiled by design left out; {_SCATTER}, and the room's"
        " part where linked sessions show it",
        "Local straight line: Cleveland 1979, J. Am. Stat. Assoc. 74, 829; just-noticeable difference: 1 dB as for"
        " level, no source for brightness", _TOO_FEW, deviations=timbre, smoothed="brightness"),
    Criterion("level_evenness", "dB", "lower", True, "take", level_evenness,
        "root mean square over the notes of each note's distance in level (set-up removed) from"
        f" {_SMOOTH}; {_SCATTER}, and the room's part where linked sessions show it",
        "Local straight line: Cleveland 1979, J. Am. Stat. Assoc. 74, 829; just-noticeable difference: 0.5 to"
        " 1.5 dB, Jesteadt, Wier & Green 1977, J. Acoust. Soc. Am. 61, 169, quoted from memory", _TOO_FEW,
        deviations=loudness, smoothed="level"),
    Criterion("noise", "dB", "lower", True, "take", noise,
        "median over the notes of the noise between the harmonics relative to the harmonics; what the session adds"
        " for every instrument (room, reverberation) is removed where shared instruments show it",
        "Own definition", _TOO_FEW),
    Criterion("response", "ms", "lower", True, "take", response,
        "median over the notes of tongued takes of the time from 10 % to 90 % of the steady amplitude; the room's"
        " reverberation lengthens it, so what the session adds for every instrument is removed where shared"
        " instruments show it, and sessions without such a link are not compared",
        "Own definition", "no tongued take with usable attacks"),
    Criterion("dynamic_range", "dB", "higher", False, "dynamics", dynamic_range,
        "median over the notes of the level difference between the loudest and the softest dynamic of the study",
        _DYNAMICS, _TWO_DYNAMICS),
    Criterion("dynamic_drift", "cents", "target", False, "dynamics", dynamic_drift,
        "median pitch change from the softest to the loudest dynamic, per 10 dB of level; above zero: sharper"
        " when louder", _DYNAMICS, f"{_TWO_DYNAMICS}, at least {LEVEL_STEP_DB:g} dB apart"),
    Criterion("tone_hold", "dB", "lower", False, "dynamics", tone_hold,
        "brightness (level above 2 kHz relative to the whole level) lost from the loudest to the softest dynamic,"
        " per 10 dB of level: what the high band loses beyond the drop of the whole sound",
        _DYNAMICS, f"{_TWO_DYNAMICS}, at least {LEVEL_STEP_DB:g} dB apart"),
    Criterion("total_cost", "currency", "lower", False, "cost", None,
        "price, set-up by a technician, case, and the repairs found by inspection; a blank set-up or case cost"
        " counts as none", "Own definition", "no price in the instruments sheet"),
)  # fmt: skip

# What a session adds to every instrument's value is removed where shared instruments show it. The two evennesses are
# without the set-up already, and a root mean square of small distances takes no more than that.
ADDITIVE = frozenset(
    c.name for c in CRITERIA if c.kind != "cost" and c.name not in ("timbre_evenness", "level_evenness")
)

# What stands for a take as a whole changes with reed, warmth and lips from day to day.
DAILY = frozenset({"tuning_offset", "noise", "response"})


def day_scale(criteria) -> float:
    """Scale of the prior of an instrument's own days, of these criteria (names) together; see `repeatability`."""
    return OTHER_DAYS if DAILY.isdisjoint(criteria) else WHOLE_DAYS


def criteria_table(just_noticeable: dict, currency: str) -> pd.DataFrame:
    """The criteria table; `just_noticeable` from the config, null where no difference is known. Any cost is noticed."""
    noticed = {c.name: 0.0 for c in CRITERIA if c.kind == "cost"} | just_noticeable
    return pd.DataFrame(
        {
            "criterion": c.name,
            "unit": currency if c.unit == "currency" else c.unit,
            "better": c.better,
            "chain_dependent": "yes" if c.chain_dependent else "no",
            "just_noticeable": np.nan if noticed.get(c.name) is None else noticed[c.name],
            "meaning": c.meaning,
            "source": c.source,
        }
        for c in CRITERIA
    )
