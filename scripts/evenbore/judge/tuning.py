"""Tuning advice: on which note to tune, how far from true to aim with it, and how far to pull out.

A note that lies 4 cents above the instrument's median has to be tuned 4 cents sharp for the whole to be in tune:
aim = the note's own deviation from the median. How far to move is an estimate for an ideal tube of the length of
the fingered note, L = c / 4f (cylinder closed at one end) or c / 2f (cone, open cylinder), at 20 °C. A millimetre
moves short notes more than long ones; the median over the recorded notes mends the median.

A warm room raises the pitch of every note. How much at most follows from the speed of sound, if the air in the bore
were as warm as the room; breath warms it in a cold room too, so the true effect is smaller. It is told, never applied.
"""

from typing import Any

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Ints
from evenbore.facts.columns import names
from evenbore.facts.rows import Row
from evenbore.judge.takes import prepared_takes
from evenbore.judge.values import TakeNotes
from evenbore.statistics.alignment import take_offsets
from evenbore.trade.families import Family
from evenbore.trade.pitch import cents, midi_to_hz, midi_to_note, speed_of_sound

TEMPERATURE_C = 20.0


def tuning_advice(
    notes: pd.DataFrame, assessed: pd.DataFrame, instruments: dict[str, Row], sessions: dict[str, Row],
    families: dict[str, Family], config: dict[str, Any],
) -> pd.DataFrame:  # fmt: skip
    """The tuning_advice table, one row per instrument and state with a tuning offset.

    `notes`: normalised notes; `assessed`: the instruments table; `instruments`, `sessions`: sheet rows; `config`
    needs base_dynamic, just_noticeable.tuning_offset and gates.tuning_offset_min (cents; either may be null).
    """
    room = {name: row.get("temperature_c") for name, row in sessions.items()}
    takes: dict[tuple[str, str], list[TakeNotes]] = {}
    temperatures: dict[tuple[str, str], list[float | None]] = {}
    for key, take in prepared_takes(notes, instruments, families):
        if key["dynamic"] == config["base_dynamic"]:
            takes.setdefault((key["instrument"], key["state"]), []).append(take)
            temperatures.setdefault((key["instrument"], key["state"]), []).append(room.get(key["session"]))
    offsets = assessed[(assessed["criterion"] == "tuning_offset") & assessed["value"].notna()]
    rows = []
    for instrument, state, offset in offsets[["instrument", "state", "value"]].itertuples(index=False):
        family = families[instruments[instrument]["family"]]
        played = takes[instrument, state]
        note, aim = tuning_note(played, family.tuning_notes)
        move = move_mm(family, np.unique(np.concatenate([take.written for take in played])), offset)
        # NaN where the sheet does not tell one of the takes
        temperature = float(np.mean([np.nan if t is None else t for t in temperatures[instrument, state]]))
        rows.append(
            {
                "instrument": instrument,
                "state": state,
                "tune_on_note": None if note is None else midi_to_note(note),
                "aim_cents": aim,
                "overall_offset_cents": offset,
                "temperature_cents": temperature_cents(temperature),
                "advice": f"{_advice(family, note, aim, move, offset, config)}{_room(temperature)}",
            }
        )
    return pd.DataFrame(rows, columns=names("tuning_advice"))


def tuning_note(takes: list[TakeNotes], customary: tuple[int, ...]) -> tuple[int | None, float]:
    """The customary tuning note (written) that stands for the instrument best, and its aim in cents.

    Best: smallest root mean square over the takes, less each take's own offset, of its deviation from the instrument's
    median, which asks for near the middle and steady at once. (None, NaN) when no customary tuning note was played.
    """
    written = np.unique(np.concatenate([take.written for take in takes]))
    aligned = np.full((len(takes), written.size), np.nan)
    for row, take in zip(aligned, takes, strict=True):
        row[np.searchsorted(written, take.written)] = take.cents
    aligned -= take_offsets(aligned)[:, None]
    heard = np.isfinite(aligned).any(axis=0)
    middle = np.median(np.nanmean(aligned[:, heard], axis=0)) if heard.any() else np.nan
    best: tuple[float, int | None, float] = (np.inf, None, np.nan)
    for note in customary:
        away = aligned[:, written == note].ravel() - middle
        away = away[np.isfinite(away)]
        if away.size:
            best = min(best, (float(np.sqrt(np.mean(away**2))), note, float(away.mean())), key=lambda b: b[0])
    return best[1], best[2]


def temperature_cents(temperature_c: float) -> float:
    """The most that a room of this temperature can raise the pitch over one of TEMPERATURE_C, cents.

    >>> round(temperature_cents(30), 1)  # 1200 log2 of the root of 303.15 K / 293.15 K
    29.0
    """
    return float(cents(speed_of_sound(temperature_c), speed_of_sound(TEMPERATURE_C)))


def _room(temperature: float) -> str:
    """A sentence on the room's temperature; nothing where it is not known or makes less than a cent."""
    most = temperature_cents(temperature)
    if not abs(most) >= 1:
        return ""
    return (
        f" The room had {temperature:.0f} °C: at most {abs(most):.0f} {_cents(most)} {'sharp' if most > 0 else 'flat'}"
        f" of this may be its doing, against {TEMPERATURE_C:.0f} °C (if the air in the bore were as warm as the room;"
        " breath makes it less). Nothing was corrected for it but what shared instruments show of differences between"
        " sessions."
    )


def move_mm(family: Family, written: Ints, offset_cents: float) -> float:
    """Millimetres to pull out (positive) or push in (negative) to mend `offset_cents` in the middle of these notes.

    The median over the notes of `cents_per_mm` counts. NaN for brass, where the length of tube behind a note depends
    on valves or slide.
    """
    if family.bore == "brass" or not family.overblow:
        return np.nan
    return float(-offset_cents / np.median([cents_per_mm(family, int(note)) for note in written]))


def cents_per_mm(family: Family, written: int) -> float:
    """Change of that note's pitch in cents when an ideal tube of its length grows by a millimetre (negative).

    >>> from evenbore.trade.families import load_family
    >>> clarinet = load_family("clarinet_b_flat")  # its lowest note sounds at 146.8 Hz: 584.4 mm, a quarter wave
    >>> round(cents_per_mm(clarinet, 52), 2)  # -1200 log2(585.4 / 584.4)
    -2.96
    """
    register = family.register_of(written)
    fingered = written - family.overblow if register is not None and register.overblown else written
    quarter_or_half = 4.0 if family.bore == "cylinder_closed" else 2.0
    length = speed_of_sound(TEMPERATURE_C) / (quarter_or_half * midi_to_hz(family.to_sounding(fingered)))
    return float(cents(length, length + 0.001))


def _advice(family: Family, note: int | None, aim: float, move: float, offset: float, config: dict[str, Any]) -> str:
    if note is None:
        return f"{_overall(offset)}. No customary tuning note was recorded, so there is no note to tune on."
    allowed = config["just_noticeable"].get("tuning_offset")
    name = midi_to_note(note)
    about = "" if np.isnan(move) else f" about {abs(move):.1f} mm (an estimate; short notes move more than long ones)"
    if allowed is not None and abs(offset) < allowed:
        first = f"Leave the {family.pull} where it was: {_overall(offset, start=False)}"
        if round(offset):
            first += f", within the {allowed:g} cents that listeners hardly notice"
    elif offset > 0:
        first = f"Pull out{about} at the {family.pull}: {_overall(offset, start=False)}"
    else:
        first = (
            f"Push in{about} at the {family.pull}: {_overall(offset, start=False)}."
            " If it was all the way in already, it does not reach pitch"
        )
    limit = config["gates"].get("tuning_offset_min")
    if limit is not None and offset < limit:
        first += f"; flatter than {abs(limit):g} cents is hardly mended by pushing in"
    if round(aim) == 0:
        second = f"Tune {name} true, and the instrument as a whole is in tune"
    else:
        side = "sharp" if aim > 0 else "flat"
        second = f"Tune {name} {abs(aim):.0f} {_cents(aim)} {side} so that the instrument as a whole is in tune"
    return f"{first}. {second}."


def _overall(offset: float, start: bool = True) -> str:
    side = (
        "in tune" if round(offset) == 0 else f"{abs(offset):.0f} {_cents(offset)} {'sharp' if offset > 0 else 'flat'}"
    )
    return f"{'It' if start else 'it'} is {side} as a whole"


def _cents(value: float) -> str:
    return "cent" if round(abs(value)) == 1 else "cents"
