"""Names of notes, their frequencies, and the speed of sound.

Conventions: scientific pitch notation, C4 = middle C = MIDI 60, A4 = MIDI 69; equal temperament;
frequencies in Hz; cents = 1200 log2(f / reference). Functions on numbers take scalars or arrays and
give NaN where the input has no meaning (a frequency of zero or less).
"""

import re
from typing import overload

import numpy as np

from evenbore.facts.arrays import Floats, Numbers
from evenbore.files.errors import EvenboreError

SEMITONE_OF_LETTER = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
SHIFT_OF_ACCIDENTAL = {"": 0, "b": -1, "♭": -1, "flat": -1, "#": 1, "♯": 1, "sharp": 1}
NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")  # as players mostly meet them
HIGHEST_MIDI = 131  # B9
NOTE_PATTERN = re.compile("([A-G])(b|♭|#|♯|[- ]?flat|[- ]?sharp)? ?(-1|[0-9])", re.IGNORECASE)
ALLOWED_NOTES = "a letter A to G, then # or b or nothing, then the octave -1 to 9, such as Bb4, F#3 or C5"


def note_to_midi(note: str) -> int:
    """MIDI number of a note name: `Bb4`, `B♭4`, `bb4`, `B-flat 4`, `F#3`, `F♯3`.

    Raises EvenboreError naming the value, what is allowed and the likely cause. `B` is always the
    English B (German H).

    >>> note_to_midi("B♭4")
    70
    """
    match = NOTE_PATTERN.fullmatch(note.strip()) if isinstance(note, str) else None
    if match is None:
        raise _bad_note(note)
    letter, accidental, octave = match.groups(default="")
    midi = (
        12 * (int(octave) + 1)
        + SEMITONE_OF_LETTER[letter.upper()]
        + SHIFT_OF_ACCIDENTAL[accidental.lower().lstrip("- ")]
    )
    if not 0 <= midi <= HIGHEST_MIDI:
        raise _bad_note(note)
    return midi


def is_note(text: str) -> bool:
    """Whether the text is the name of a note."""
    try:
        note_to_midi(text)
    except EvenboreError:
        return False
    return True


def midi_to_note(midi: int) -> str:
    """ASCII name of a MIDI number, such as `Bb4` or `C#4`.

    >>> midi_to_note(61)
    'C#4'
    """
    number = int(midi)
    if number != midi or not 0 <= number <= HIGHEST_MIDI:
        raise EvenboreError(f"{midi!r} is not a note number; allowed: a whole number from 0 (C-1) to 131 (B9).")
    return f"{NAMES[number % 12]}{number // 12 - 1}"


@overload
def midi_to_hz(midi: float, a4: float = 440.0) -> float: ...
@overload
def midi_to_hz(midi: Numbers, a4: float = 440.0) -> Floats: ...
def midi_to_hz(midi: float | Numbers, a4: float = 440.0) -> float | Floats:
    """Equal-tempered frequency in Hz of a (fractional) MIDI number: f = a4 * 2^((m - 69) / 12), ISO 16 for a4 = 440.

    >>> float(midi_to_hz(57))  # an octave below
    220.0
    """
    return a4 * np.exp2((np.asarray(midi, dtype=float) - 69.0) / 12.0)


@overload
def hz_to_midi(hz: float, a4: float = 440.0) -> float: ...
@overload
def hz_to_midi(hz: Numbers, a4: float = 440.0) -> Floats: ...
def hz_to_midi(hz: float | Numbers, a4: float = 440.0) -> float | Floats:
    """Fractional MIDI number of a frequency in Hz: m = 69 + 12 log2(f / a4); NaN where f <= 0.

    >>> float(hz_to_midi(880.0))  # an octave above
    81.0
    """
    return 69.0 + cents(hz, a4) / 100.0


@overload
def cents(hz: float, reference_hz: float) -> float: ...
@overload
def cents(hz: Numbers, reference_hz: float | Numbers) -> Floats: ...
@overload
def cents(hz: float, reference_hz: Numbers) -> Floats: ...
def cents(hz: float | Numbers, reference_hz: float | Numbers) -> float | Floats:
    """Interval in cents from `reference_hz` up to `hz`: 1200 log2(f / f_ref); NaN where either is not positive.

    >>> print(f"{cents(3.0, 2.0):.3f}")  # a pure fifth
    701.955
    """
    hz, reference_hz = np.asarray(hz, dtype=float), np.asarray(reference_hz, dtype=float)
    valid = (hz > 0) & (reference_hz > 0)
    return 1200.0 * np.log2(np.where(valid, hz, np.nan) / np.where(valid, reference_hz, np.nan))


@overload
def speed_of_sound(temperature_c: float) -> float: ...
@overload
def speed_of_sound(temperature_c: Numbers) -> Floats: ...
def speed_of_sound(temperature_c: float | Numbers) -> float | Floats:
    """Speed of sound in m/s in dry air as an ideal gas: c = 331.3 sqrt(1 + T / 273.15), T in degrees Celsius.

    What a change of temperature can do to pitch at most is `cents(speed_of_sound(t1), speed_of_sound(t0))`:
    an upper bound, because breath warms the bore.

    >>> print(f"{speed_of_sound(20.0):.1f}")  # 331.3 · 1.03596
    343.2
    """
    return 331.3 * np.sqrt(1.0 + np.asarray(temperature_c, dtype=float) / 273.15)


def _bad_note(note: object) -> EvenboreError:
    if not isinstance(note, str):
        return EvenboreError(f"{note!r} is not a note; allowed: {ALLOWED_NOTES}. Likely cause: it is not text.")
    text = note.strip()
    if not text:
        cause = "the note is missing"
    elif re.match("h", text, re.IGNORECASE):
        cause = "German names: write B for H and Bb for B"
    elif re.match("-?[0-9]+[- ]?[a-g]", text, re.IGNORECASE):
        cause = "the octave comes after the letter"
    elif re.fullmatch("[a-g](b|♭|#|♯|[- ]?flat|[- ]?sharp)?", text, re.IGNORECASE):
        cause = "the octave number is missing"
    elif re.match("[a-g][^0-9-]*-?[0-9]", text, re.IGNORECASE):
        cause = "the octave is out of reach, or the sharp or flat is written in an unknown way"
    else:
        cause = "it is no note name"
    shown = text if len(text) <= 40 else text[:40] + "…"
    return EvenboreError(f"{shown!r} is not a note; allowed: {ALLOWED_NOTES}. Likely cause: {cause}.")
