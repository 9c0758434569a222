"""Join the chunks of a study into its tables of recordings, notes, harmonics and bands."""

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import lru_cache

import pandas as pd

from evenbore.facts.columns import names
from evenbore.facts.rows import Row
from evenbore.files.tables import ROWS_AT_ONCE, conform
from evenbore.notes.chunkfile import read_chunk_rows, read_columns
from evenbore.notes.familysound import unlike_their_family
from evenbore.notes.phrases import with_places

LONG = ("harmonics", "bands")
CHUNKS_AT_ONCE = 32  # takes of one instrument often alternate with others' in the sheet


def collect(
    paths: list[str], order: list[str], phrases: dict[str, list[int]]
) -> dict[str, pd.DataFrame | Iterator[pd.DataFrame]]:
    """Tables `recordings`, in the order of the sheet's, and by the recordings' ids `notes`, `passage_notes` and in
    parts the LONG ones. `phrases`: written notes of the phrases that the sheet lists, by name.

    No number that is computed of them hangs on the order of the sheet.

    Of recordings with the same sound only the first usable one of the sheet stays, the others are set aside: a copy
    taken for a repeat would make the instrument look perfectly repeatable. Takes that sound like another family than
    their own are remarked.
    """
    recordings: list[Row] = []
    notes: list[pd.DataFrame] = []
    played: list[pd.DataFrame] = []
    where: dict[str, tuple[str, int]] = {}
    for path in paths:
        chunk = read_chunk_rows(path)
        where |= {row["recording"]: (path, number) for number, row in enumerate(chunk.recordings)}
        recordings += chunk.recordings
        rows = [note for recording in chunk.notes for note in recording]
        for frames, of in ((notes, "notes"), (played, "passage_notes")):
            its = [row for row in rows if ("passage" in row) == (of == "passage_notes")]
            frames.append(conform(pd.DataFrame(its).reindex(columns=names(of)), of))
    place = {recording: index for index, recording in enumerate(order)}
    recordings.sort(key=lambda row: place[row["recording"]])
    copies = _set_copies_aside(recordings)
    kept = [(key, *where[key]) for key in sorted(where) if key not in copies]
    all_notes, all_played = (
        of_all[~of_all["recording"].isin(copies)].sort_values("recording", kind="stable")
        for of_all in (pd.concat(parts, ignore_index=True) for parts in (notes, played))
    )
    for doubts in (unlike_their_family(recordings, all_notes), _other_rates(recordings)):
        for row in (row for row in recordings if row["recording"] in doubts):
            row |= {"status": "warned", "reason": "; ".join(filter(None, [row["reason"], doubts[row["recording"]]]))}
    return {
        "recordings": conform(pd.DataFrame(recordings).reindex(columns=names("recordings")), "recordings"),
        "notes": all_notes,
        "passage_notes": with_places(all_played, phrases),
        **{table: _parts(table, kept) for table in LONG},
    }


def _parts(table: str, kept: Iterable[tuple[str, str, int]]) -> Iterator[pd.DataFrame]:
    """The rows of a long table, some ROWS_AT_ONCE at a time.

    `kept`: recordings in order, each with the path of its chunk and its number there.
    """
    read = lru_cache(CHUNKS_AT_ONCE)(read_columns)
    parts, rows = [pd.DataFrame(columns=names(table))], 0
    for recording, path, number in kept:
        columns = read(path, table)
        of_recording = columns["recording"] == number
        part = pd.DataFrame({name: values[of_recording] for name, values in columns.items()})
        parts.append(part.assign(recording=recording))
        rows += len(part)
        if rows >= ROWS_AT_ONCE:
            yield _joined(table, parts)
            parts, rows = parts[:1], 0
    yield _joined(table, parts)


def _joined(table: str, parts: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [part for part in parts if len(part)]
    return conform(pd.concat(filled or parts[:1], ignore_index=True), table)


def _set_copies_aside(recordings: list[Row]) -> set[str]:
    """Set aside, in place, every usable recording whose sound is that of an earlier one, in whatever format; return
    their ids."""
    first: dict[str, str] = {}
    copies = set()
    for row in recordings:
        if row["status"] == "set_aside":
            continue
        original = first.setdefault(row["sound"], row["recording"])
        if original != row["recording"]:
            reason = f"the same sound as recording {original}: a copy is no take of its own"
            row |= {"status": "set_aside", "reason": reason}
            copies.add(row["recording"])
    return copies


def _other_rates(recordings: list[Row]) -> dict[str, str]:
    """Recording -> a warning, where its sampling rate is not that of most of its session."""
    sessions: dict[str, list[Row]] = {}
    for row in recordings:
        if row["status"] != "set_aside":
            sessions.setdefault(row["session"], []).append(row)
    doubts = {}
    for rows in sessions.values():
        usual, count = Counter(row["sample_rate_hz"] for row in rows).most_common(1)[0]
        if 2 * count <= len(rows):
            continue
        for row in (row for row in rows if row["sample_rate_hz"] != usual):
            cents = abs(1200 * math.log2(row["sample_rate_hz"] / usual))
            doubts[row["recording"]] = (
                f"{row['sample_rate_hz']} samples a second where most of session {row['session']} have {usual}; if its"
                f" header is wrong, all pitches are {cents:.3g} cents off"
            )
    return doubts
