"""What a phrase of music tells of an instrument, in sentences: where it agrees with the scale and where it does not."""

from collections.abc import Callable
from typing import cast

import pandas as pd

from evenbore.facts.criteria import CRITERIA
from evenbore.facts.rows import Row
from evenbore.report.words import number, sentence

LEAST_BEND = CRITERIA["tuning_offset"].just_noticeable or 0.0  # cents


def in_playing(rows: pd.DataFrame) -> list[tuple[str, list[str]]]:
    """Name of each phrase, and what it tells; `rows`: those of the table `passages` of one instrument in one state."""
    known = rows[(rows["passage"].fillna("") != "") & rows["value"].notna()]
    told = []
    for name, of_phrase in known.groupby("passage", sort=False):
        of_note = of_phrase["criterion"] == "pitch_in_music"
        sentences = [
            _SENTENCES[row["criterion"]](row) for row in cast(list[Row], of_phrase[~of_note].to_dict("records"))
        ]
        if of_note.any():
            sentences.append(_notes(cast(list[Row], of_phrase[of_note].to_dict("records"))))
        told.append((str(name), sentences))
    return told


def _notes(rows: list[Row]) -> str:
    each = [
        f"{str(row['reason']).split(';')[0].removeprefix('note ')}: {_signed(row)}"
        + ("" if pd.isna(row["low"]) else f" ({number(row['low'], sign=True)} to {number(row['high'], sign=True)})")
        for row in rows
    ]
    return f"In cents from the middle of its notes, with 90 % intervals as far as known: {'; '.join(each)}."


def _spread(row: Row) -> str:
    text = f"Its notes lie {number(row['value'])} cents apart{_interval(row, 'cents')}."
    return text + _beside(row, "on the scale the same notes lie {} cents apart")


def _bend(row: Row) -> str:
    note = str(row["reason"]).split(";")[0].removeprefix("note ")
    way = "lower" if row["value"] < 0 else "higher"
    known = pd.notna(row["low"])
    if not known or row["low"] <= 0 <= row["high"] or abs(row["value"]) < LEAST_BEND:
        return f"No note is shown to be bent away from where the scale has it (furthest: {note}, {_signed(row)} cents)."
    return (
        f"{note} lies {number(abs(row['value']))} cents {way} than the scale has it{_interval(row, 'cents')}: in music"
        " the player bends it."
    )


def _core(row: Row) -> str:
    text = f"From loud to soft the tone loses {number(row['value'])} dB of treble for 10 dB of level"
    return f"{text}{_interval(row, 'dB')}." + _beside(row, "on the scale it loses {} dB")


def _span(row: Row) -> str:
    text = f"Between soft and loud lie {number(row['value'])} dB{_interval(row, 'dB')}."
    return text + _beside(row, "on the scale they are {} dB apart")


_SENTENCES: dict[str, Callable[[Row], str]] = {
    "spread_in_music": _spread,
    "bend_in_music": _bend,
    "tone_core": _core,
    "dynamic_span": _span,
}


def _signed(row: Row) -> str:
    return number(row["value"], sign=True)


def _interval(row: Row, unit: str) -> str:
    if pd.isna(row["low"]):
        return ", from one take, so that how surely is not known"
    return f" (90 % interval {number(row['low'])} to {number(row['high'])} {unit})"


def _beside(row: Row, words: str) -> str:
    """Whether the scale says the same, as far as the interval tells."""
    if pd.isna(row["against_scale"]):
        return ""
    told = " " + sentence(words.format(number(row["against_scale"])))
    if pd.isna(row["low"]):
        return f"{told}."
    inside = row["low"] <= row["against_scale"] <= row["high"]
    return f"{told}: {'both agree as far as can be told' if inside else 'they differ beyond the scatter of the takes'}."
