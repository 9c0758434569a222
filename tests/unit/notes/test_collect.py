"""Chunks become tables, whatever their order; nothing is lost or made up."""

import numpy as np
import pandas as pd
import pytest

from evenbore.facts.columns import names
from evenbore.notes import collect as module
from evenbore.notes.chunkfile import write_chunk
from evenbore.notes.collect import LONG, collect
from evenbore.notes.measure import Measured


def measured(recording, steps=(), sound="", rate=48_000):
    steps = np.array(steps, dtype=float)
    if not len(steps):
        row = {"recording": recording, "status": "set_aside", "reason": "silent"}
        return Measured(row, [], {}, {})
    return Measured(
        {
            "recording": recording,
            "status": "ok",
            "notes_found": len(steps),
            "reason": "",
            "session": "hall",
            "sample_rate_hz": rate,
            "sound": sound or f"of {recording}",
        },
        [{"recording": recording, "step": int(step), "cents": step / 10} for step in steps],
        {
            "step": steps,
            "harmonic": steps * 0 + 1,
            "frequency_hz": steps + 100,
            "level_db": steps,
            "above_noise_db": steps,
        },
        {
            "step": steps,
            "band_hz": steps + 100,
            "level_db": steps,
            "above_noise_db": steps,
        },
    )


@pytest.fixture
def chunk_files(tmp_path):
    write_chunk([measured("b", [1, 0]), measured("d")], tmp_path / "one.npz")
    write_chunk([measured("c", [2]), measured("a", [3, 4])], tmp_path / "two.npz")
    return [str(tmp_path / "two.npz"), str(tmp_path / "one.npz")]


def collected(paths, order):
    """The tables of `collect`, each in one piece."""
    tables = collect(paths, order, {})
    return tables | {table: pd.concat(tables[table]) for table in LONG}


def test_sheet_order(chunk_files):
    tables = collected(chunk_files, ["a", "b", "c", "d"])
    assert tables["recordings"]["recording"].tolist() == ["a", "b", "c", "d"]
    for table in ("notes", "harmonics", "bands"):
        assert tables[table]["recording"].tolist() == ["a", "a", "b", "b", "c"]
        assert tables[table]["step"].tolist() == [3, 4, 1, 0, 2]  # as measured within a recording
    assert tables["notes"]["cents"].tolist() == [0.3, 0.4, 0.1, 0.0, 0.2]
    assert tables["harmonics"]["frequency_hz"].tolist() == [103, 104, 101, 100, 102]


def test_long_tables_come_in_parts_of_whole_recordings_without_a_loss(chunk_files, monkeypatch):
    whole = collected(chunk_files, ["a", "b", "c", "d"])["harmonics"]
    monkeypatch.setattr(module, "ROWS_AT_ONCE", 3)
    parts = list(collect(chunk_files, ["a", "b", "c", "d"], {})["harmonics"])
    assert [part["recording"].tolist() for part in parts] == [["a", "a", "b", "b"], ["c"]]
    pd.testing.assert_frame_equal(pd.concat(parts, ignore_index=True), whole.reset_index(drop=True))


def test_exact_columns(chunk_files):
    for table, frame in collected(chunk_files, ["a", "b", "c", "d"]).items():
        assert list(frame.columns) == names(table)


def test_what_was_not_measured_is_empty(chunk_files):
    recordings = collected(chunk_files, ["a", "b", "c", "d"])["recordings"].set_index("recording")
    assert recordings.loc["d", "status"] == "set_aside"
    assert recordings.loc["d"].drop(["status", "reason"]).isna().all()
    assert recordings["notes_found"].dtype == "Int64"


def test_nothing_but_bad_recordings(tmp_path):
    write_chunk([measured("x"), measured("y")], tmp_path / "c.npz")
    tables = collected([str(tmp_path / "c.npz")], ["y", "x"])
    assert tables["recordings"]["recording"].tolist() == ["y", "x"]
    for table in ("notes", "harmonics", "bands"):
        assert list(tables[table].columns) == names(table)
        assert len(tables[table]) == 0


def test_a_copy_is_set_aside_also_from_another_chunk(tmp_path):
    same = "the same samples"
    write_chunk([measured("copy", [1, 2], same), measured("bad")], tmp_path / "one.npz")
    write_chunk([measured("first", [1, 2], same), measured("other", [1, 2])], tmp_path / "two.npz")
    paths = [str(tmp_path / f"{name}.npz") for name in ("one", "two")]
    tables = collected(paths, ["bad", "first", "copy", "other"])
    recordings = tables["recordings"].set_index("recording")
    assert recordings.loc["copy", "reason"] == "the same sound as recording first: a copy is no take of its own"
    assert recordings["status"].tolist() == ["set_aside", "ok", "set_aside", "ok"]
    assert recordings.loc["bad", "reason"] == "silent"
    for table in ("notes", "harmonics", "bands"):
        assert tables[table]["recording"].unique().tolist() == ["first", "other"]


def test_another_rate_than_the_sessions_is_remarked(tmp_path):
    """48 kHz against 44.1 kHz is 1200 log2(480 / 441) = 147 cents."""
    write_chunk([*(measured(name, [1]) for name in "abc"), measured("d", [1], rate=44_100)], tmp_path / "one.npz")
    recordings = collected([str(tmp_path / "one.npz")], list("abcd"))["recordings"]
    assert recordings["status"].tolist() == ["ok", "ok", "ok", "warned"]
    assert "44100 samples a second where most of session hall have 48000" in recordings["reason"][3]
    assert "147 cents" in recordings["reason"][3]


def test_of_two_rates_alike_often_none_is_remarked(tmp_path):
    write_chunk([measured("a", [1]), measured("b", [1], rate=44_100)], tmp_path / "one.npz")
    assert collected([str(tmp_path / "one.npz")], ["a", "b"])["recordings"]["status"].tolist() == ["ok", "ok"]


def test_notes_do_not_follow_the_order_of_the_sheet(chunk_files):
    here, there = (collected(chunk_files, order) for order in (list("abcd"), list("dbca")))
    for table in ("notes", *LONG):
        pd.testing.assert_frame_equal(here[table].reset_index(drop=True), there[table].reset_index(drop=True))


def test_a_take_that_sounds_like_another_family_is_remarked(tmp_path):
    chunk = []
    for recording, family, order in [
        *((f"f{k}", "flute", 1.3) for k in range(4)),
        *((f"o{k}", "oboe", 3.5) for k in range(4)),
        ("x", "oboe", 1.3),
    ]:
        one = measured(recording, range(12))
        one.recording.update(family=family, instrument=family, dynamic="mf", reason="low" if recording == "x" else "")
        for note in one.notes:
            note |= {
                "midi": 60 + note["step"],
                "centroid_order": order * (1 + 0.01 * int(recording[-1:] == "1")),
                "odd_even_db": 0.0,
            }
        chunk.append(one)
    write_chunk(chunk, tmp_path / "c.npz")
    recordings = collected([str(tmp_path / "c.npz")], [one.recording["recording"] for one in chunk])["recordings"]
    status = recordings.set_index("recording")["status"]
    assert status["x"] == "warned"
    assert (status.drop("x") == "ok").all()
    assert recordings["reason"].iloc[-1].startswith("low; sounds like the study's takes of flute and not of oboe")
