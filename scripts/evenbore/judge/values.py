"""How each criterion is computed: a function of a take's notes under the criterion's name in `facts/criteria.py`.

A take's notes come as a `TakeNotes` of equally long arrays; a function gives one number or NaN when the take cannot
tell. Of kind "take" it gets one TakeNotes, of kind "dynamics" a loud and a soft one. Cents are deviations from equal
temperament at the session's A4, levels dB after set-up normalisation; tilts (dB per octave), odd
against even and the fundamental against the other harmonics (dB) are against the usual ones of the note, at matched
loudness.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.criteria import CRITERIA, LEVEL_STEP_DB, MEASURED, MIN_NOTES, NEIGHBOURS
from evenbore.setups.tone import RELATIVE, RELATIVE_TILT

# ASSUME: own choice, no source.
MIN_NEIGHBOURS = 4
LEAST_TOLD = 0.5  # share of the notes
COLUMNS = {
    "cents": "cents",
    "level": "level_dbfs",
    "brightness": "brightness_db",
    "noise": "noise_high_db",
    "attack": "attack_ms",
    "tilt": RELATIVE_TILT,
    "odd_even": RELATIVE["odd_even_db"],
    "fundamental": RELATIVE["fundamental_db"],
}
"""Measured field of `TakeNotes` -> its column of the notes table."""
Told: TypeAlias = Any  # a number; of the notes of several takes (...) an array (...) of numbers


@dataclass(frozen=True)
class TakeNotes:
    """Notes of one take, one entry per note, ascending written note; repeats of a note averaged.

    What was measured may be of several takes, (..., N), of which the same notes are known: then of each comes a value.

    `register`: number of the note's register; `veiled`: normally different from its neighbours;
    `partner`: written note fingered alike one register up, -1 where there is none.

    Five notes with the median 2 and the mean 3 cents: the worst is 9 - 2 from the median, and the standard deviation
    is the root of (9 + 4 + 1 + 0 + 36) / 4:

    >>> alike, unknown = np.zeros(5, int), np.full(5, np.nan)
    >>> cents = np.array([0.0, 1.0, 2.0, 3.0, 9.0])
    >>> take = TakeNotes(np.arange(60, 65), alike, alike > 0, alike - 1, 1900.0, cents, *[unknown] * 7)
    >>> tuning_offset(take), worst_note_cents(take), round(intonation_spread(take) ** 2, 9)
    (np.float64(2.0), 7.0, np.float64(12.5))
    """

    written: Ints
    register: Ints
    veiled: Bools
    partner: Ints
    nominal_cents: float
    cents: Floats
    level: Floats
    brightness: Floats
    noise: Floats
    attack: Floats
    tilt: Floats
    odd_even: Floats
    fundamental: Floats

    def only(self, written: Ints) -> "TakeNotes":
        """The take with these written notes alone."""
        keep = np.isin(self.written, written)
        arrays: dict[str, Any] = {k: v[keep] for k, v in vars(self).items() if isinstance(v, np.ndarray)}
        return replace(self, **arrays)


def tuning_offset(take: TakeNotes) -> Told:
    """Median deviation, cents."""
    return _median(take.cents)


def intonation_spread(take: TakeNotes) -> Told:
    """RMS of `intonation`: the standard deviation (n - 1) of the cents."""
    return _rms(intonation(take))


def worst_note_cents(take: TakeNotes) -> float:
    """Largest distance of a note from the take's median, cents."""
    return worst_notes([take])[0]


def worst_notes(takes: Sequence[TakeNotes]) -> list[float]:
    """`worst_note_cents` of takes of the same notes: the distance of the note that is furthest out in their mean.

    Each take's own furthest note would be further out by the player's scatter.
    """
    cents = _known(np.array([take.cents for take in takes]))
    if cents.shape[1] < MIN_NOTES:
        return [np.nan] * len(cents)
    away = cents - np.median(cents, axis=1, keepdims=True)
    mean = away.mean(axis=0)
    worst = np.abs(mean).argmax()
    distances: list[float] = (np.copysign(1, mean[worst]) * away[:, worst]).tolist()
    return distances


def register_width(take: TakeNotes) -> Told:
    """Mean width of the intervals between notes fingered alike, less the nominal width, cents."""
    index = {int(note): i for i, note in enumerate(take.written)}
    pairs = [(i, index[int(p)]) for i, p in enumerate(take.partner) if int(p) in index]
    lower, upper = np.array(pairs, int).reshape(-1, 2).T
    widths = take.cents[..., upper] - take.cents[..., lower]
    # equal-tempered octave or twelfth between the two notes; what is left are the deviations
    steps = 100.0 * (take.written[upper] - take.written[lower])
    widths = _known(widths + steps - take.nominal_cents)
    return widths.mean(axis=-1) if widths.shape[-1] >= 3 else np.nan


def timbre_evenness(take: TakeNotes) -> Told:
    """RMS of `timbre`, dB."""
    return _rms(timbre(take))


def level_evenness(take: TakeNotes) -> Told:
    """RMS of `loudness`, dB."""
    return _rms(loudness(take))


def noise(take: TakeNotes) -> Told:
    """Air noise above 2 kHz relative to the harmonics, median over notes, dB; NaN where the room hides most notes'.

    The notes in which it is told are those in which it comes out loud.
    """
    return _median(take.noise) if _are_known(take.noise).mean() >= LEAST_TOLD else np.nan


def response(take: TakeNotes) -> Told:
    """Median attack time, ms."""
    return _median(take.attack)


def brightness(take: TakeNotes) -> Told:
    """Median over notes of the tilt against the usual one, dB per octave."""
    return _median(take.tilt)


def odd_even_ratio(take: TakeNotes) -> Told:
    """Median over notes of the odd harmonics against the even ones, against the usual, dB."""
    return _median(take.odd_even)


def fundamental_strength(take: TakeNotes) -> Told:
    """Median over notes of the fundamental against the other harmonics, against the usual, dB."""
    return _median(take.fundamental)


def dynamic_range(loud: TakeNotes, soft: TakeNotes) -> Told:
    """Median over notes of loud minus soft level, dB."""
    return _median(loud.level - soft.level)


def dynamic_drift(loud: TakeNotes, soft: TakeNotes) -> float:
    """Median pitch change from soft to loud, per 10 dB of median level change, cents."""
    return _per_10_db(loud.cents - soft.cents, loud, soft)


def tone_hold(loud: TakeNotes, soft: TakeNotes) -> float:
    """Median loss of brightness from loud to soft, per 10 dB of median level change, dB."""
    return _per_10_db(loud.brightness - soft.brightness, loud, soft)


def intonation(take: TakeNotes) -> Floats:
    """Cents from the take's mean, widened by sqrt(n / (n - 1)) for the mean that was fitted."""
    measured = _known(take.cents)
    n = measured.shape[-1]
    if n < 2:
        return np.full(take.cents.shape, np.nan)
    widened: Floats = (take.cents - measured.mean(axis=-1, keepdims=True)) * np.sqrt(n / (n - 1))
    return widened


def timbre(take: TakeNotes) -> Floats:
    """`unevenness` of the brightness, dB; how hard the take was blown as a whole drops out."""
    return unevenness(take, take.brightness)


def loudness(take: TakeNotes) -> Floats:
    """`unevenness` of the level, dB."""
    return unevenness(take, take.level)


def unevenness(take: TakeNotes, values: Floats) -> Floats:
    """Each note's distance from what its neighbours predict, same unit as `values`; NaN where not predicted.

    The prediction is a local straight line through the neighbours up to NEIGHBOURS semitones away in the same
    register (tricube weights, the note itself left out; Cleveland 1979, J. Am. Stat. Assoc. 74, 829). The
    distance is divided by the factor by which the line's own scatter widens it, so that independent unevenness
    of standard deviation s gives values of standard deviation s, at a register's end as in its middle.
    Veiled notes neither count nor predict.
    """
    usable = _are_known(values) & ~take.veiled
    out = np.full(values.shape, np.nan)
    out[..., usable] = values[..., usable] @ residual_maker(take, usable).T
    return out


def residual_maker(take: TakeNotes, usable: Bools) -> Floats:
    """Matrix (n, n) that makes `unevenness` of the n usable notes' values; rows of notes not predicted are NaN."""
    return line_residuals(tuple(take.written[usable].tolist()), tuple(take.register[usable].tolist()))


@cache
def line_residuals(written: tuple[int, ...], register: tuple[int, ...]) -> Floats:
    """See `residual_maker`: scaled leave-one-out residuals of notes of these numbers and registers."""
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


def _known(values: Floats) -> Floats:
    """Of the values (..., N) of notes those that are known, (..., n)."""
    return values[..., _are_known(values)]


def _are_known(values: Floats) -> Bools:
    """Which of the N notes' values (..., N) are known."""
    told: Bools = np.logical_and.reduce(np.isfinite(values), axis=tuple(range(values.ndim - 1)))
    return told


def _median(values: Floats) -> Told:
    values = _known(values)
    return np.median(values, axis=-1) if values.shape[-1] >= MIN_NOTES else np.nan


def _rms(values: Floats) -> Told:
    values = _known(values)
    return np.sqrt((values**2).mean(axis=-1)) if values.shape[-1] >= MIN_NOTES else np.nan


def _per_10_db(change: Floats, loud: TakeNotes, soft: TakeNotes) -> float:
    step = dynamic_range(loud, soft)
    return 10.0 * _median(change) / step if step >= LEVEL_STEP_DB else np.nan


FUNCTIONS: dict[str, Callable[..., float]] = {criterion.name: globals()[criterion.name] for criterion in MEASURED}
"""Criterion -> its function; one without a function keeps this module from being imported."""

DEVIATIONS: dict[str, Callable[[TakeNotes], Floats]] = {
    "intonation_spread": intonation,
    "timbre_evenness": timbre,
    "level_evenness": loudness,
}
"""Criterion that is a root mean square over notes -> the notes' deviations (N,) behind it: the player's own scatter
inflates it and is taken out where repeat takes tell its size."""

TOGETHER: dict[str, Callable[[Sequence[TakeNotes]], list[float]]] = {"worst_note_cents": worst_notes}
"""Criterion that is to be taken from all takes of an instrument at once."""


def of_takes(criterion: str, takes: Sequence[TakeNotes]) -> list[float]:
    """The criterion (kind "take") for each of an instrument's takes of the same notes."""
    if criterion in TOGETHER:
        return TOGETHER[criterion](takes)
    return [FUNCTIONS[criterion](take) for take in takes]


def criteria_table(just_noticeable: dict[str, float | None], currency: str) -> pd.DataFrame:
    """The criteria table; `just_noticeable` from the config, null where no difference is known."""
    noticed = {c.name: c.just_noticeable for c in CRITERIA.values() if c.kind == "cost"} | just_noticeable
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
        for c in CRITERIA.values()
    )
