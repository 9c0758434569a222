"""The notes of a phrase from a file: MIDI or MusicXML, one part of one voice.

Where they lie is the file's own affair: it may be printed as the instrument reads it, or as it sounds.
"""

import io
import warnings
from pathlib import Path
from typing import TypeAlias

from evenbore.files.errors import EvenboreError

MIDI, MUSICXML = (".mid", ".midi"), (".musicxml", ".xml")
MOST_SCORE_BYTES, MOST_NOTES = 4_000_000, 5_000  # a page of music takes some 100 kB


_Note: TypeAlias = tuple[int, bool, int]
"""When it begins, in the file's ticks; whether it takes time of its own, which a grace note does not; MIDI number."""


def score_notes(path: Path) -> list[int]:
    """MIDI numbers of the notes in playing order, repeats played, tied notes once, grace notes among them.

    Raises EvenboreError with the likely cause where the file is no such score.
    """
    suffix = path.suffix.lower()
    if suffix not in MIDI + MUSICXML:
        raise EvenboreError(f"not a file that ends in {', '.join(MIDI + MUSICXML)}")
    if not path.is_file():
        raise EvenboreError("there is no such file")
    if path.stat().st_size > MOST_SCORE_BYTES:
        raise EvenboreError("larger than 4 MB: no single phrase")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of layout and expression marks that no note hangs on
        try:
            parts = _midi(path) if suffix in MIDI else _musicxml(path)
        except Exception as error:  # whatever a broken file makes of the reader
            raise EvenboreError(f"it cannot be read ({type(error).__name__})") from error
    parts = [part for part in parts if part]
    if len(parts) != 1:
        raise EvenboreError(f"one part is wanted, it has {len(parts)}")
    notes = sorted(parts[0], key=lambda note: note[:2])  # stable: grace notes as they are printed
    if len({note[:2] for note in notes if note[1]}) < sum(note[1] for note in notes):
        raise EvenboreError("several notes sound together: one voice is wanted")
    if len(notes) > MOST_NOTES:
        raise EvenboreError(f"more than {MOST_NOTES} notes: no single phrase")
    return [pitch for _, _, pitch in notes]


def _midi(path: Path) -> list[list[_Note]]:
    # slow to import, and few studies have a score
    from partitura import load_performance_midi  # type: ignore[import-untyped]  # the library has no types

    return [
        [(note["note_on_tick"], True, note["midi_pitch"]) for note in part.notes]
        for part in load_performance_midi(path).performedparts
    ]


def _musicxml(path: Path) -> list[list[_Note]]:
    from partitura import load_musicxml
    from partitura.score import GraceNote, unfold_part_maximal  # type: ignore[import-untyped]

    # as bytes: a path might be taken for an archive, of any size when unpacked
    return [
        [
            (note.start.t, not isinstance(note, GraceNote), note.midi_pitch)
            for note in unfold_part_maximal(part).notes_tied
        ]
        for part in load_musicxml(io.BytesIO(path.read_bytes())).parts
    ]
