"""Studies join through the instruments they share; what does not agree is listed and nothing is written."""

import pytest

from evenbore.files.errors import EvenboreError, StudyError
from evenbore.study.join import join_studies
from evenbore.study.sheets import load_study
from sheetstudies import INSTRUMENTS, RECORDINGS, changed, write_study


def two(tmp_path, **second):
    return [write_study(tmp_path / "spring"), write_study(tmp_path / "my autumn", **second)]


def problems_of(tmp_path, folders):
    with pytest.raises(StudyError) as caught:
        join_studies(folders, tmp_path / "joined")
    assert not (tmp_path / "joined").exists()
    assert not list(tmp_path.glob("joined.*"))
    return caught.value.problems


def test_colliding_ids_get_the_name_of_their_study(tmp_path):
    lines = join_studies(two(tmp_path), tmp_path / "joined")
    study = load_study(tmp_path / "joined")
    assert list(study.sessions) == ["spring_s1", "my_autumn_s1"]
    assert [row["recording"] for row in study.recordings] == [
        "spring_r1",
        "spring_r2",
        "spring_r3",
        "my_autumn_r1",
        "my_autumn_r2",
        "my_autumn_r3",
    ]
    assert list(study.instruments) == ["alto1", "Alto2"]
    assert "spring: s1 is now spring_s1" in lines
    assert lines[-1] == "Instruments recorded in more than one of the studies: Alto2, alto1"


def test_ids_of_one_study_only_stay(tmp_path):
    recordings = [row | {"recording": f"n{i}", "session": "t1"} for i, row in enumerate(RECORDINGS)]
    folders = two(tmp_path, recordings=recordings, sessions=[{"session": "t1"}])
    join_studies(folders, tmp_path / "joined")
    study = load_study(tmp_path / "joined")
    assert list(study.sessions) == ["s1", "t1"]
    assert [row["recording"] for row in study.recordings] == ["r1", "r2", "r3", "n0", "n1", "n2"]


def test_cells_and_audio_come_through(tmp_path):
    absolute = tmp_path / "elsewhere" / "x.wav"
    rows = changed(RECORDINGS, 0, low="Bb3", high="F6", channel="2", x_reed_age="3 h", comment='say "ah"')
    rows = changed(changed(rows, 1, file=str(absolute)), 2, pattern="notes", notes="C4 Eb4 F#4")
    folders = two(tmp_path, recordings=rows, instruments=changed(INSTRUMENTS, 0, price="1234567.25"))
    join_studies(folders, tmp_path / "deep" / "joined")
    first, second, third = load_study(tmp_path / "deep" / "joined").recordings[3:]
    origin = load_study(folders[1]).recordings
    for new, old in zip((first, second, third), origin, strict=True):
        same = set(old) - {"recording", "session", "file"}
        assert {key: new[key] for key in same} == {key: old[key] for key in same}
    assert first["file"] == "../../my autumn/audio/r1.wav"
    assert second["file"] == absolute.as_posix()
    assert load_study(tmp_path / "deep" / "joined").instruments["alto1"]["price"] == 1234567.25


def test_a_blank_gives_way_to_a_filled_cell(tmp_path):
    folders = [
        write_study(tmp_path / "a", instruments=changed(INSTRUMENTS, 0, price="900")),
        write_study(tmp_path / "b", instruments=changed(INSTRUMENTS, 0, serial="77", reference="yes")),
    ]
    join_studies(folders, tmp_path / "joined")
    row = load_study(tmp_path / "joined").instruments["alto1"]
    assert (row["price"], row["serial"], row["reference"]) == (900.0, "77", "yes")


def test_all_that_does_not_agree_is_listed(tmp_path):
    instruments = changed(changed(INSTRUMENTS, 0, family="saxophone_tenor", label="Tenor"), 1, instrument="ALTO2")
    folders = two(tmp_path, instruments=instruments, recordings=changed(RECORDINGS, 2, instrument="ALTO2"))
    config = folders[1] / "config/config.yaml"
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace("currency: EUR", "currency: USD").replace("seed: 2025", "seed: 1"), encoding="utf-8")
    config_differs, *problems = problems_of(tmp_path, folders)
    assert str(config_differs).splitlines()[1:] == [
        "  setting   here  there",
        "  currency  USD   EUR",
        "Make the two alike, then join.",
    ]
    assert {(p.column, p.value) for p in problems} == {
        ("family", "saxophone_tenor"),
        ("label", "Tenor"),
        ("instrument", "ALTO2"),
    }


def test_problems_of_every_study_are_listed_with_its_folder(tmp_path):
    folders = [write_study(tmp_path / name, changed(RECORDINGS, 0, take="x")) for name in ("a", "b")]
    assert [p.file for p in problems_of(tmp_path, folders)] == [
        f"{folder.as_posix()}/config/recordings.tsv" for folder in folders
    ]


def test_the_same_audio_in_two_studies(tmp_path):
    row = RECORDINGS[0] | {"file": str(tmp_path / "x.wav")}
    folders = two(tmp_path, recordings=[row])
    write_study(folders[0], [row])
    (problem,) = problems_of(tmp_path, folders)
    assert problem.column == "file"


def test_inspections_join_when_they_agree(tmp_path):
    rows = [{"instrument": "alto1", "item": "pads", "result": "fault", "cost": "40"}]
    folders = [write_study(tmp_path / "a", inspection=rows), write_study(tmp_path / "b", inspection=rows)]
    join_studies(folders, tmp_path / "joined")
    assert [row["cost"] for row in load_study(tmp_path / "joined").inspection] == [40.0]
    write_study(tmp_path / "b", inspection=changed(rows, 0, cost="50"))
    with pytest.raises(StudyError, match="inspected twice"):
        join_studies(folders, tmp_path / "other")


def test_studies_with_folders_of_the_same_name(tmp_path):
    folders = [write_study(tmp_path / name / "study") for name in ("x", "y")]
    join_studies(folders, tmp_path / "joined")
    assert list(load_study(tmp_path / "joined").sessions) == ["study_s1", "study_2_s1"]


def test_no_link_is_said(tmp_path):
    instruments = [row | {"instrument": f"new{i}"} for i, row in enumerate(INSTRUMENTS)]
    recordings = [row | {"instrument": "new0", "take": str(i + 1)} for i, row in enumerate(RECORDINGS)]
    lines = join_studies(two(tmp_path, instruments=instruments, recordings=recordings), tmp_path / "joined")
    assert "cannot be compared" in lines[-1]


def test_the_studys_own_families_come_along(tmp_path):
    folders = two(
        tmp_path,
        instruments=changed(INSTRUMENTS, 0, family="saxophone_home", instrument="home1"),
        recordings=[row | {"instrument": "home1", "take": str(i + 1)} for i, row in enumerate(RECORDINGS)],
    )
    (folders[1] / "config/families").mkdir()
    text = "like: saxophone_alto\nname: home-made saxophone\n"
    (folders[1] / "config/families/saxophone_home.yaml").write_text(text, encoding="utf-8")
    join_studies(folders, tmp_path / "joined")
    assert load_study(tmp_path / "joined").families["saxophone_home"].name == "home-made saxophone"


def test_nothing_is_overwritten_and_one_study_is_not_enough(tmp_path):
    folders = two(tmp_path)
    with pytest.raises(EvenboreError, match="there already"):
        join_studies(folders, folders[0])
    with pytest.raises(EvenboreError, match="two studies"):
        join_studies(folders[:1], tmp_path / "joined")
