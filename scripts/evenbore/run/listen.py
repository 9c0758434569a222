"""What one take says, as plain text for the player in the room.

Pitch: cents from equal temperament at the take's tuning note; the take's own median is its offset, the rest is the
instrument's unevenness. Evenness: differences between neighbouring notes of one register, because a register break
is a step on every instrument. NaN (not measurable) shows as an empty cell and counts in no figure.
"""

import math
import tempfile
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from statistics import median, stdev
from typing import TypeGuard

from evenbore.facts.flags import read_flags
from evenbore.facts.rows import RecordingRow, Row
from evenbore.files.digest import sha256
from evenbore.notes.chunkfile import read_chunk_rows
from evenbore.process.guard import Guard, measure_chunk
from evenbore.trade.families import Family, Register
from evenbore.trade.pitch import midi_to_note, note_to_midi

HEADINGS = {"ok": "Good take", "warned": "To be read with care", "set_aside": "Not usable"}


def row_for_listening(
    path: Path,
    family: Family,
    pattern: str,
    low: str | None,
    high: str | None,
    direction: str,
    tuning_hz: float,
    notes: str | None = None,
) -> RecordingRow:
    """A row for measuring one file without a study.

    `low`/`high` are written notes, None: the family's range; `notes` are those of the pattern notes, apart by spaces.
    """
    return {
        "recording": path.stem,
        "path": str(path),
        "sha256": sha256(path),
        "instrument": family.key,
        "session": "now",
        "take": 1,
        "dynamic": "mf",
        "articulation": "slurred",
        "pattern": pattern,
        "direction": direction,
        "low": family.low if low is None else note_to_midi(low),
        "high": family.high if high is None else note_to_midi(high),
        "notes": None if notes is None else [note_to_midi(note) for note in notes.split()],
        "passage": None,
        "channel": None,
        "start_s": None,
        "end_s": None,
        "state": "as_found",
        "family": family.key,
        "families_dir": None,
        "tuning_hz": tuning_hz,
    }


def measured_guarded(row: RecordingRow) -> tuple[Row, list[Row]]:
    """What one file told, measured as in a study, in a worker process with limits: its row of `recordings`, its notes.

    Sets the file aside when it ends the worker.
    """
    with tempfile.TemporaryDirectory(prefix="evenbore-") as folder, Guard() as guard:
        path = Path(folder) / "take.npz"
        list(measure_chunk([row], "", path, guard))  # what it tells beside stands in the row's reason
        chunk = read_chunk_rows(path)
    return chunk.recordings[0], chunk.notes[0]


def describe(recording: Row, notes: list[Row], expected: Sequence[int], family: Family) -> str:
    """Text on one measured take.

    `expected` are the WRITTEN midi notes of the scale in playing order, to which `step` of `notes` points; empty for a
    passage of music, whose notes are no neighbours. `recording` and the notes hold the columns of the tables
    `recordings` and `notes`; what was not measured is NaN or, in a recording, left out.
    """
    heading = HEADINGS[recording["status"]]
    if recording["reason"]:
        heading += f": {recording['reason']}"
    if recording["status"] == "set_aside":
        return heading
    lines = [heading, "", *_found(notes, expected), *_quality(recording)]
    if notes:
        lines += [*_pitch(notes), *(_evenness(notes, family) if len(expected) else []), "", *_table(notes)]
    return "\n".join(lines)


def _found(notes: list[Row], expected: Sequence[int]) -> list[str]:
    if not len(expected):
        return [_item("Notes", f"{len(notes)} in the passage")]
    there = {note["step"] for note in notes}
    missing = [midi_to_note(written) for step, written in enumerate(expected) if step not in there]
    text = f"{len(there)} of {len(expected)} found"
    return [_item("Notes", text + (f"; missing: {' '.join(missing)}" if missing else ""))]


def _quality(recording: Row) -> list[str]:
    noise, clipped = recording.get("snr_db"), recording.get("clipped_fraction")
    parts = []
    if _known(noise):
        parts.append(f"notes {noise:.0f} dB over the noise")
    if _known(clipped):
        parts.append(f"{clipped:.2%} of the samples clipped" if clipped > 0 else "no clipping")
    return [_item("Quality", "; ".join(parts) or "not measurable")]


def _pitch(notes: list[Row]) -> list[str]:
    pitched = [note for note in notes if _known(note["cents"])]
    if len(pitched) < 2:
        return [_item("Pitch", "too few notes with a steady pitch")]
    offset = median(note["cents"] for note in pitched)
    worst = max(pitched, key=lambda note: abs(note["cents"] - offset))
    spread = stdev(note["cents"] for note in pitched)
    return [
        _item("Pitch", f"as a whole {_sharp_or_flat(offset)} (median of its notes)"),
        _item("", f"spread of the notes: {spread:.1f} cents (standard deviation)"),
        _item("", f"furthest note: {worst['written_note']}, {_sharp_or_flat(worst['cents'] - offset)} of the rest"),
    ]


def _evenness(notes: list[Row], family: Family) -> list[str]:
    def steps(column: str) -> list[tuple[float, str]]:
        return [
            (abs(after[column] - before[column]), f"{before['written_note']} to {after['written_note']}")
            for before, after in pairwise(sorted(notes, key=lambda note: note["step"]))
            if after["step"] == before["step"] + 1
            and _register(before, family) == _register(after, family)
            and _known(before[column])
            and _known(after[column])
        ]

    lines: list[str] = []
    for column, name, unit in (("level_dbfs", "level", " dB"), ("centroid_order", "centroid", " harmonics")):
        sizes = steps(column)
        if not sizes:
            text = f"{name}: not measurable"
        else:
            size, where = max(sizes)
            typical = median(size for size, _ in sizes)
            text = f"{name} from note to note: usually {typical:.1f}{unit}, most {where} ({size:.1f}{unit})"
        lines.append(_item("" if lines else "Evenness", text))
    return lines


def _register(note: Row, family: Family) -> Register | None:
    return family.register_of(family.to_written(note["midi"]))


def _table(notes: list[Row]) -> list[str]:
    def typical(column: str) -> float:
        values: list[float] = [note[column] for note in notes if _known(note[column])]
        return median(values or [math.nan])

    offset, level = typical("cents"), typical("level_dbfs")
    rows = [
        (
            note["written_note"],
            _number(note["cents"], "+.1f"),
            _number(note["cents"] - offset, "+.1f"),
            _number(note["level_dbfs"] - level, "+.1f"),
            _number(note["centroid_order"], ".1f"),
            _remarks(note["flags"]),
        )
        for note in notes
    ]
    head = ("Note", "Cents", "From median", "Level dB", "Centroid", "Remarks")
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head) - 1)]
    table = []
    for row in (head, *rows):
        cells = [row[0].ljust(widths[0]), *(row[i].rjust(widths[i]) for i in range(1, len(widths))), row[-1]]
        table.append("  ".join(cells).rstrip())
    return [
        *table,
        "",
        "Written notes. Cents: from equal temperament; From median: the same with the whole take's offset taken out.",
        "Level: against the take's median. Centroid: centre of the note's spectrum, as a harmonic number.",
    ]


def _remarks(flags: str) -> str:
    """A note's flags in words, less those that say nothing about the columns shown here."""
    return ", ".join(
        one.flag.short
        for one in read_flags(flags)
        if one.flag.short and (not one.flag.listed or "centroid_order" in one.listed)
    )


def _item(name: str, text: str) -> str:
    return f"{name:<10}{text}"


def _known(value: float | None) -> TypeGuard[float]:
    return value is not None and not math.isnan(value)


def _number(value: float, form: str) -> str:
    return format(round(value, 1) + 0.0, form) if _known(value) else ""  # + 0.0 turns -0.0 into 0.0


def _sharp_or_flat(cents: float) -> str:
    if abs(cents) < 0.5:
        return "in tune"
    size = f"{abs(cents):.0f}"
    return f"{size} {'cent' if size == '1' else 'cents'} {'sharp' if cents > 0 else 'flat'}"
