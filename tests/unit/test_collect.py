"""Chunks become tables in the order of the sheet, whatever the chunks' order; nothing is lost or made up."""

import numpy as np
import pytest

from evenbore.chunkfile import write_chunk
from evenbore.collect import collect
from evenbore.columns import names
from evenbore.measure import Measured


def measured(recording, steps=()):
    steps = np.array(steps, dtype=float)
    if not len(steps):
        return Measured({"recording": recording, "status": "set_aside", "reason": "silent"}, [], {}, {})
    return Measured(
        {"recording": recording, "status": "ok", "notes_found": len(steps)},
        [{"recording": recording, "step": int(step), "cents": step / 10} for step in steps],
        {
            "step": steps,
            "harmonic": steps * 0 + 1,
            "frequency_hz": steps + 100,
            "level_db": steps,
            "above_noise_db": steps,
        },
        {"step": steps, "band_hz": steps + 100, "level_db": steps, "above_noise_db": steps},
    )


@pytest.fixture
def chunk_files(tmp_path):
    write_chunk([measured("b", [1, 0]), measured("d")], tmp_path / "one.npz")
    write_chunk([measured("c", [2]), measured("a", [3, 4])], tmp_path / "two.npz")
    return [str(tmp_path / "two.npz"), str(tmp_path / "one.npz")]


def test_sheet_order(chunk_files):
    tables = collect(chunk_files, ["a", "b", "c", "d"])
    assert tables["recordings"]["recording"].tolist() == ["a", "b", "c", "d"]
    for table in ("notes", "harmonics", "bands"):
        assert tables[table]["recording"].tolist() == ["a", "a", "b", "b", "c"]
        assert tables[table]["step"].tolist() == [3, 4, 1, 0, 2]  # as measured within a recording
    assert tables["notes"]["cents"].tolist() == [0.3, 0.4, 0.1, 0.0, 0.2]
    assert tables["harmonics"]["frequency_hz"].tolist() == [103, 104, 101, 100, 102]


def test_exact_columns(chunk_files):
    for table, frame in collect(chunk_files, ["a", "b", "c", "d"]).items():
        assert list(frame.columns) == names(table)


def test_what_was_not_measured_is_empty(chunk_files):
    recordings = collect(chunk_files, ["a", "b", "c", "d"])["recordings"].set_index("recording")
    assert recordings.loc["d", "status"] == "set_aside"
    assert recordings.loc["d"].drop(["status", "reason"]).isna().all()
    assert recordings["notes_found"].dtype == "Int64"


def test_nothing_but_bad_recordings(tmp_path):
    write_chunk([measured("x"), measured("y")], tmp_path / "c.npz")
    tables = collect([str(tmp_path / "c.npz")], ["y", "x"])
    assert tables["recordings"]["recording"].tolist() == ["y", "x"]
    for table in ("notes", "harmonics", "bands"):
        assert list(tables[table].columns) == names(table)
        assert len(tables[table]) == 0
