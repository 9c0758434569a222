"""Results tables come back as they were written, hold their columns exactly, and are never half written."""

import math

import numpy as np
import pandas as pd
import pytest

from evenbore.facts.columns import names
from evenbore.files import tables
from evenbore.files.errors import EvenboreError
from evenbore.files.tables import (
    conform,
    read_parquet_parts,
    read_table,
    read_table_parts,
    write_parquet,
    write_parquet_parts,
    write_table,
    write_table_parts,
    write_text,
)

ROW = {
    "instrument": "007", "state": "NA", "tune_on_note": "Bb3", "aim_cents": 1 / 3,
    "overall_offset_cents": math.nan, "temperature_cents": 2.5, "advice": 'pull "out",\tthen ♭\nlisten',
}  # fmt: skip


@pytest.fixture
def frame():
    return pd.DataFrame([ROW])


def test_text_comes_back_unchanged(frame, tmp_path):
    """Ids with leading zeros, the word NA, quotes, tabs, line ends and music signs are text like any other."""
    write_table(frame, "tuning_advice", tmp_path / "t.tsv")
    row = read_table(tmp_path / "t.tsv", "tuning_advice").iloc[0]
    for column in ("instrument", "state", "tune_on_note", "advice"):
        assert row[column] == ROW[column]


def test_bytes_are_fixed(tmp_path):
    """Six significant digits, an empty cell for what is missing, newline alone at line ends, UTF-8."""
    frame = pd.DataFrame([{**ROW, "aim_cents": 1234.56789, "advice": "♭"}])
    write_table(frame, "tuning_advice", tmp_path / "t.tsv")
    assert (tmp_path / "t.tsv").read_bytes() == (
        b"instrument\tstate\ttune_on_note\taim_cents\toverall_offset_cents\ttemperature_cents\tadvice\n"
        b"007\tNA\tBb3\t1234.57\t\t2.5\t\xe2\x99\xad\n"
    )


def test_whole_numbers_with_gaps_stay_whole(tmp_path):
    frame = pd.DataFrame({"instrument": ["a", "b"], "cluster": [1, None], "stability": 0.5, "pc1": 0.0, "pc2": 0.0})
    write_table(frame, "clusters", tmp_path / "c.tsv")
    assert (tmp_path / "c.tsv").read_text().splitlines()[1:] == ["a\t1\t0.5\t0\t0", "b\t\t0.5\t0\t0"]
    read = read_table(tmp_path / "c.tsv", "clusters")
    assert read["cluster"].tolist() == [1, pd.NA]


def test_numbers_are_written_as_pandas_writes_them(tmp_path):
    numbers = [0.1, -0.0, 1e-7, 123456.5, 1234567.0, 99999.95, np.inf, -np.inf, np.nan, 5e-324, 1e300, 2.0]
    frame = pd.DataFrame({"instrument": [*map(str, range(len(numbers)))], "cluster": 1, "stability": numbers,
                          "pc1": numbers[::-1], "pc2": np.nan})  # fmt: skip
    write_table(frame, "clusters", tmp_path / "c.tsv")
    usual = frame.to_csv(sep="\t", index=False, float_format="%.6g", lineterminator="\n")
    assert (tmp_path / "c.tsv").read_text() == usual


def test_columns_are_ordered(frame):
    shuffled = frame[frame.columns[::-1]]
    assert list(conform(shuffled, "tuning_advice").columns) == names("tuning_advice")


@pytest.mark.parametrize("change", ["missing", "extra"])
def test_wrong_columns_are_named(frame, change):
    wrong = frame.drop(columns="advice") if change == "missing" else frame.assign(colour="blue")
    with pytest.raises(
        ValueError, match=rf"tuning_advice: .*{change} columns \['{'advice' if change == 'missing' else 'colour'}'\]"
    ):
        conform(wrong, "tuning_advice")


def test_a_table_without_rows_keeps_its_columns(tmp_path):
    empty = pd.DataFrame(columns=names("pairs"))
    write_table(empty, "pairs", tmp_path / "deep" / "p.tsv")
    assert list(read_table(tmp_path / "deep" / "p.tsv", "pairs").columns) == names("pairs")


@pytest.mark.parametrize("content", [b"", b"\0\xff", b"instrument\tstate\n", b"a\tb\n1\t2\t3\n", b"<html>"])
def test_what_is_no_such_table_is_told_in_plain_words(tmp_path, content):
    """As after a crash of the disk, or from another version: `status` and `plan --pilot` read what lies there."""
    (tmp_path / "variance.tsv").write_bytes(content)
    with pytest.raises(EvenboreError, match=r"variance\.tsv is not as written \(.+\): delete it and run"):
        read_table(tmp_path / "variance.tsv", "variance")


def test_a_table_in_parts_is_the_table(frame, tmp_path, monkeypatch):
    whole = conform(frame, "tuning_advice")
    parts = [whole.iloc[:1], whole.iloc[1:]]
    write_table(whole, "tuning_advice", tmp_path / "whole.tsv")
    write_table_parts(parts, "tuning_advice", tmp_path / "parts.tsv")
    assert (tmp_path / "parts.tsv").read_bytes() == (tmp_path / "whole.tsv").read_bytes()
    write_parquet_parts(iter(parts), tmp_path / "parts.parquet")
    monkeypatch.setattr(tables, "ROWS_AT_ONCE", 1)
    for read in (
        read_table_parts(tmp_path / "parts.tsv", "tuning_advice"),
        read_parquet_parts(tmp_path / "parts.parquet"),
    ):
        rows = list(read)
        assert [len(part) for part in rows] == [1] * len(whole)
        pd.testing.assert_frame_equal(pd.concat(rows, ignore_index=True), whole)


@pytest.mark.parametrize("cells", [1, 1000])  # column by column, and all at once
def test_parquet_comes_back(frame, tmp_path, monkeypatch, cells):
    monkeypatch.setattr(tables, "CELLS_AT_ONCE", cells)
    whole = conform(frame, "tuning_advice")
    write_parquet(whole, tmp_path / "t.parquet")
    for again in (pd.read_parquet(tmp_path / "t.parquet"), tables.read_parquet(tmp_path / "t.parquet")):
        pd.testing.assert_frame_equal(again, whole)
    some = ["instrument", "aim_cents"]
    pd.testing.assert_frame_equal(tables.read_parquet(tmp_path / "t.parquet", some), whole[some])


def test_a_failed_write_leaves_the_old_file_alone(frame, tmp_path):
    path = tmp_path / "t.parquet"
    write_parquet(frame, path)
    before = path.read_bytes()
    with pytest.raises(Exception, match=r"object|mixed|convert|Expected"):
        write_parquet(pd.DataFrame({"x": [object()]}), path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_text_is_written_byte_for_byte(tmp_path):
    write_text("♭\n", tmp_path / "x.txt")
    assert (tmp_path / "x.txt").read_bytes() == b"\xe2\x99\xad\n"
