"""A file is there whole or not at all."""

import pytest

from evenbore.files.atomic import write_atomically


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_failed_write_leaves_the_old_file_alone(tmp_path):
    path = tmp_path / "deep" / "a.tsv"
    write_atomically(path, lambda temporary: temporary.write_text("old"))

    def fail(temporary):
        temporary.write_text("half")
        raise OSError("no space left")

    with pytest.raises(OSError, match="no space left"):
        write_atomically(path, fail)
    assert path.read_text() == "old"
    assert names(path.parent) == ["a.tsv"]


def test_what_was_cut_off_is_cleared_away_and_nothing_else(tmp_path):
    for name in (".a.tsv.123.part", ".b.tsv.123.part", "a.tsv.part"):
        (tmp_path / name).touch()
    write_atomically(tmp_path / "a.tsv", lambda temporary: temporary.write_text("new"))
    assert names(tmp_path) == [".b.tsv.123.part", "a.tsv", "a.tsv.part"]
