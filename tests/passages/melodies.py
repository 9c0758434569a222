"""Melodies in the public domain, written out from memory as note names and lengths in beats.

`C5:1` is a note, `-:0.5` a rest; `'` before a name begins it anew (tongued) in a slurred phrase, as repeated notes are
always. Written as for an instrument in C; `moved` puts them into a family's range.
"""

from dataclasses import dataclass

MELODIES = {
    # L. van Beethoven, the melody of the last movement of the ninth symphony, 1824
    "joy": "E4:1 E4:1 F4:1 G4:1 G4:1 F4:1 E4:1 D4:1 C4:1 C4:1 D4:1 E4:1 E4:1.5 D4:0.5 D4:2 "
    "E4:1 E4:1 F4:1 G4:1 G4:1 F4:1 E4:1 D4:1 C4:1 C4:1 D4:1 E4:1 D4:1.5 C4:0.5 C4:2",
    # traditional, England, sixteenth century
    "sleeves": "A4:1 C5:2 D5:1 E5:1.5 F5:0.5 E5:1 D5:2 B4:1 G4:1.5 A4:0.5 B4:1 C5:2 A4:1 A4:1.5 G#4:0.5 A4:1 B4:2 "
    "G#4:1 E4:2 A4:1 C5:2 D5:1 E5:1.5 F5:0.5 E5:1 D5:2 B4:1 G4:1.5 A4:0.5 B4:1 C5:1.5 B4:0.5 A4:1 G#4:1.5 F#4:0.5 "
    "G#4:1 A4:3",
    # C. Petzold, minuet in G, about 1725
    "minuet": "D5:1 G4:0.5 A4:0.5 B4:0.5 C5:0.5 D5:1 G4:1 G4:1 E5:1 C5:0.5 D5:0.5 E5:0.5 F#5:0.5 G5:1 G4:1 G4:1 "
    "C5:1 D5:0.5 C5:0.5 B4:0.5 A4:0.5 B4:1 C5:0.5 B4:0.5 A4:0.5 G4:0.5 F#4:1 G4:0.5 A4:0.5 B4:0.5 G4:0.5 A4:3",
    # traditional, France, 1761
    "maman": "C4:1 C4:1 G4:1 G4:1 A4:1 A4:1 G4:2 F4:1 F4:1 E4:1 E4:1 D4:1 D4:1 C4:2 -:1 "
    "G4:1 G4:1 F4:1 F4:1 E4:1 E4:1 D4:2 C4:2",
    # A. Dvorak, largo of the ninth symphony, 1893
    "largo": "E4:1.5 G4:0.5 G4:2 E4:1.5 D4:0.5 C4:2 D4:1 E4:1 G4:1 E4:1 D4:3 -:1 E4:1.5 G4:0.5 G4:2 E4:1.5 D4:0.5 "
    "C4:2 D4:1 E4:1 D4:1 C4:1 C4:3",
    # J. Clarke, prince of Denmark's march, about 1700
    "march": "D5:2 A4:1 B4:1 C#5:1 D5:0.5 E5:0.5 C#5:1.5 B4:0.5 A4:1 D5:0.5 E5:0.5 F#5:1 E5:0.5 F#5:0.5 G5:1 F#5:0.5 "
    "E5:0.5 D5:1 E5:0.5 F#5:0.5 E5:2 D5:2",
}


@dataclass(frozen=True)
class Beat:
    """One note or rest (`midi` None) of a melody, `beats` long."""

    midi: int | None
    beats: float


def melody(name: str) -> list[Beat]:
    """The melody in C, in playing order."""
    from evenbore.trade.pitch import note_to_midi

    beats = []
    for word in MELODIES[name].split():
        note, length = word.split(":")
        beats.append(Beat(None if note == "-" else note_to_midi(note), float(length)))
    return beats
