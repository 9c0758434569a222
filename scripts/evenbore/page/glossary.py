"""Every word of the report that wants a meaning, each in one sentence, from where it is declared."""

import re

from evenbore.facts.criteria import CRITERIA
from evenbore.facts.verdicts import DECISIONS, VERDICTS
from evenbore.facts.words import plain

OWN = {
    "cents": "The unit of pitch: a hundred cents are a semitone; about 5 are just worth noting in direct comparison.",
    "dB": "The unit of level and of treble: 1 dB is about the least difference in loudness that is noticed.",
    "90 % interval": "Where the true value lies as far as the repeat takes tell; bars and whiskers show it.",
    "just-noticeable step": "The smallest difference that listeners usually notice, from the settings.",
    "quality": "What the weights of a kind of buyer make of all criteria, in just-noticeable steps against the others.",
    "must-pass": "What an instrument has to meet to be ranked among the others at all; who fails stands behind them.",
    "decision": "What follows from what was found: accept, send to the bench, return or record again; a pointer.",
    "finding": "What a technician might look at: it stands out beyond chance, and is no diagnosis.",
    "session": "One set-up on one day: room, microphone, place.",
    "group": "Instruments whose sessions are linked by a shared instrument; between groups rooms are not told apart.",
    "front of best value": "The instruments than which nothing else is both better and cheaper.",
    "register": "The notes that are played in the same mode of the tube: low, clarion, high and so on.",
    "harmonic": "A part of the tone at a whole multiple of the note's frequency; their levels make its colour.",
    "take": "One recording of the scale; repeats of it tell how far the player and the day scatter.",
}
"""Words that no registry declares: one of these names would take the place of a registry's."""


def glossary() -> dict[str, tuple[str, str]]:
    """Key (fit for an id) -> word and meaning, in the order to be read."""
    words = (
        {plain(name): one.glossary for name, one in CRITERIA.items()}
        | OWN
        | {one.words: one.meaning for one in VERDICTS.values()}
        | {word: f"A decision: {meaning}." for word, meaning in DECISIONS.items()}
    )
    return {slug(word): (word, meaning) for word, meaning in words.items()}


def slug(word: str) -> str:
    """A word as part of an id.

    >>> slug("90 % interval")
    '90-interval'
    """
    return re.sub(r"[^A-Za-z0-9]+", "-", word).strip("-")
