"""Join the chunks of a study into its tables of recordings, notes, harmonics and bands."""

import numpy as np
import pandas as pd

from evenbore.chunkfile import read_chunk
from evenbore.columns import names
from evenbore.tables import conform


def collect(paths: list[str], order: list[str]) -> dict[str, pd.DataFrame]:
    """Tables `recordings`, `notes`, `harmonics` and `bands`, in the order of the sheet's recordings."""
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
    tables = {
        "recordings": pd.DataFrame(recordings).reindex(columns=names("recordings")),
        "notes": pd.DataFrame(notes).reindex(columns=names("notes")),
        **{table: pd.concat(parts, ignore_index=True) for table, parts in long.items()},
    }
    return {
        table: conform(frame.iloc[np.argsort(frame["recording"].map(place), kind="stable")], table)
        for table, frame in tables.items()
    }
