"""Join the chunks of a study into its tables of recordings, notes, harmonics and bands."""

import numpy as np
import pandas as pd

from evenbore.chunkfile import read_chunk
from evenbore.columns import names
from evenbore.tables import conform


def collect(paths: list[str], order: list[str]) -> dict[str, pd.DataFrame]:
    """Tables `recordings`, `notes`, `harmonics` and `bands`, in the order of the sheet's recordings.

    Of recordings with the same sound only the first usable one of the sheet stays, the others are set aside: a copy
    taken for a repeat would make the instrument look perfectly repeatable.
    """
    recordings, notes, long = [], [], {"harmonics": [], "bands": []}
    for path in paths:
        chunk = read_chunk(path)
        recordings += chunk["recordings"]
        notes += [note for recording in chunk["notes"] for note in recording]
        ids = np.array([row["recording"] for row in chunk["recordings"]], dtype=object)
        for table, parts in long.items():
            columns = chunk[table]
            parts.append(pd.DataFrame(columns | {"recording": ids[columns["recording"]]}))
    place = {recording: index for index, recording in enumerate(order)}
    recordings.sort(key=lambda row: place[row["recording"]])
    copies = _set_copies_aside(recordings)
    tables = {
        "recordings": pd.DataFrame(recordings).reindex(columns=names("recordings")),
        "notes": pd.DataFrame(notes).reindex(columns=names("notes")),
        **{table: pd.concat(parts, ignore_index=True) for table, parts in long.items()},
    }
    for table in ("notes", "harmonics", "bands"):
        frame = tables[table][~tables[table]["recording"].isin(copies)]
        tables[table] = frame.iloc[np.argsort(frame["recording"].map(place), kind="stable")]
    return {table: conform(frame, table) for table, frame in tables.items()}


def _set_copies_aside(recordings: list[dict]) -> set[str]:
    """Set aside, in place, every usable recording that an earlier one equals byte for byte; return their ids.

    Two channels of one file are two recordings.
    """
    first: dict[tuple, str] = {}
    copies = set()
    for row in recordings:
        if row["status"] == "set_aside" or row["sha256"] is None:
            continue
        original = first.setdefault((row["sha256"], row["channel"]), row["recording"])
        if original != row["recording"]:
            reason = f"the same sound as recording {original}: a copy is no take of its own"
            row |= {"status": "set_aside", "reason": reason}
            copies.add(row["recording"])
    return copies
