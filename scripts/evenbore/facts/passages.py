"""What a passage of music tells of an instrument: criteria of its own, never mixed with those of the scale."""

from typing import NamedTuple


class PassageCriterion(NamedTuple):
    """One criterion; `meaning` as in the table's description; `of_scale`: the scale's criterion that tells the same;
    `each_note`: a row for every written note. Own definitions."""

    name: str
    unit: str
    meaning: str
    of_scale: str = ""
    each_note: bool = False


PASSAGE_CRITERIA = (
    PassageCriterion(
        "spread_in_music",
        "cents",
        "standard deviation of the pitch of the phrase's written notes, each the median of its places",
    ),
    PassageCriterion(
        "pitch_in_music",
        "cents",
        "pitch of a written note from the middle of the phrase's notes, each the median of its places; the reason names"
        " it and says how often it was measured in a take, in the middle",
        each_note=True,
    ),
    PassageCriterion(
        "bend_in_music",
        "cents",
        "pitch of the written note that lies furthest from where the scale has it, both from their own middle; the"
        " reason names it, the interval holds for all notes at once",
    ),
    PassageCriterion(
        "tone_core",
        "dB",
        "loss of treble from the loud to the soft takes of the phrase on the same places, per 10 dB of level",
        of_scale="tone_hold",
    ),
    PassageCriterion(
        "dynamic_span",
        "dB",
        "level of the loud takes of the phrase less that of the soft ones on the same places",
        of_scale="dynamic_range",
    ),
)
