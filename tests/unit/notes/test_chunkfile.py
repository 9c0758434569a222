"""A chunk's file gives back what was measured, byte for byte the same every time, and holds no pickles."""

import math
import zipfile

import numpy as np
import pytest

from evenbore.notes import chunkfile
from evenbore.notes.chunkfile import read_chunk_rows, read_columns, write_chunk
from evenbore.notes.measure import Measured


def measured(recording, steps):
    """A recording with a note and two harmonics, one band for each of `steps`."""
    n = len(steps)
    harmonics = {
        "step": np.repeat(steps, 2),
        "harmonic": np.tile([1, 2], n), "frequency_hz": np.arange(2 * n) + 0.1,
        "level_db": -np.arange(2 * n) / 3, "above_noise_db": np.full(2 * n, 30.0),
    }  # fmt: skip
    bands = {
        "step": np.array(steps), "band_hz": np.full(n, 1000.0), "level_db": np.full(n, -20.0),
        "above_noise_db": np.full(n, math.nan),
    }  # fmt: skip
    return Measured(
        {"recording": recording, "reason": "é ♭"}, [{"step": s, "cents": 1 / 3} for s in steps], harmonics, bands
    )


SET_ASIDE = Measured({"recording": "bad", "status": "set_aside"}, [], {}, {})


def test_chunk_comes_back(tmp_path):
    write_chunk([measured("a", [0, 1]), SET_ASIDE, measured("b", [5])], tmp_path / "c.npz")
    chunk = read_chunk_rows(tmp_path / "c.npz")
    assert [row["recording"] for row in chunk.recordings] == ["a", "bad", "b"]
    assert chunk.recordings[0]["reason"] == "é ♭"
    assert chunk.notes == [
        [{"step": 0, "cents": 1 / 3}, {"step": 1, "cents": 1 / 3}],
        [],
        [{"step": 5, "cents": 1 / 3}],
    ]
    harmonics, bands = (read_columns(tmp_path / "c.npz", table) for table in ("harmonics", "bands"))
    assert harmonics["recording"].tolist() == [0, 0, 0, 0, 2, 2]
    assert harmonics["step"].tolist() == [0, 0, 1, 1, 5, 5]
    assert harmonics["frequency_hz"].tolist() == [0.1, 1.1, 2.1, 3.1, 0.1, 1.1]
    assert bands["recording"].tolist() == [0, 0, 2]
    assert np.isnan(bands["above_noise_db"]).all()


@pytest.mark.parametrize("recordings", [[], [SET_ASIDE]])
def test_a_chunk_without_notes_has_empty_columns(tmp_path, recordings):
    write_chunk(recordings, tmp_path / "c.npz")
    chunk = read_chunk_rows(tmp_path / "c.npz")
    assert len(chunk.recordings) == len(recordings)
    for table in ("harmonics", "bands"):
        assert all(len(column) == 0 for column in read_columns(tmp_path / "c.npz", table).values())


def test_missing_values_stay_missing(tmp_path):
    one = Measured({"recording": "a", "snr_db": math.nan}, [{"cents": math.nan}], {}, {})
    write_chunk([one], tmp_path / "c.npz")
    chunk = read_chunk_rows(tmp_path / "c.npz")
    assert math.isnan(chunk.recordings[0]["snr_db"])
    assert math.isnan(chunk.notes[0][0]["cents"])


def test_same_measurements_same_bytes(tmp_path, monkeypatch):
    write_chunk([measured("a", [0, 1])], tmp_path / "one.npz")
    monkeypatch.setattr("os.getpid", lambda: 99)
    monkeypatch.setattr("time.time", lambda: 2e9)
    write_chunk([measured("a", [0, 1])], tmp_path / "two.npz")
    assert (tmp_path / "one.npz").read_bytes() == (tmp_path / "two.npz").read_bytes()


def test_no_pickles_and_no_leftovers(tmp_path):
    write_chunk([measured("a", [0])], tmp_path / "c.npz")
    assert [path.name for path in tmp_path.iterdir()] == ["c.npz"]
    with zipfile.ZipFile(tmp_path / "c.npz") as file:
        for name in file.namelist():
            np.lib.format.read_array(file.open(name), allow_pickle=False)


def test_a_failed_write_leaves_the_old_file_alone(tmp_path, monkeypatch):
    path = tmp_path / "c.npz"
    write_chunk([measured("a", [0])], path)
    before = path.read_bytes()

    def full_disk(target, **arrays):
        target.write(b"half")
        raise OSError("no space left")

    monkeypatch.setattr(chunkfile.np, "savez_compressed", full_disk)
    with pytest.raises(OSError, match="no space left"):
        write_chunk([measured("b", [0])], path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
