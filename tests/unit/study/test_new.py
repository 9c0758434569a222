"""A new study: what names tell is written, what they do not tell is said, and nothing is overwritten."""

import csv
import os
import re
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenbore.facts.formats import AUDIO_SUFFIXES, SUFFIXES_OF
from evenbore.files.errors import EvenboreError, StudyError
from evenbore.files.paths import repo_root
from evenbore.recording.decoders import CONTAINERS
from evenbore.study.new import new_study
from evenbore.study.sheetfile import write_sheet
from evenbore.study.sheets import load_study
from sheetstudies import check_study


def make(folder, *files):
    for file in files:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        (folder / file).write_bytes(b"")
    return folder


def confirm_all(folder):
    """Clear the column `confirm`, as one does who has looked; return what stood there by file."""
    path = folder / "config/recordings.tsv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, delimiter="\t"))
    path.unlink()
    write_sheet(path, "recordings", [row | {"confirm": ""} for row in rows])
    return {row["file"]: row["confirm"] for row in rows}


def study_of(tmp_path, *files):
    lines = new_study(tmp_path / "study", make(tmp_path / "audio", *files), "saxophone_alto")
    confirm_all(tmp_path / "study")
    study = load_study(tmp_path / "study")
    return {row["path"].relative_to(tmp_path / "audio").as_posix(): row for row in study.recordings}, study, lines


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("alto3_take2", {"instrument": "alto3", "take": 2}),
        ("alto3 t2 mf", {"instrument": "alto3", "take": 2, "dynamic": "mf"}),
        ("alto3-pp-tongued-tk12", {"instrument": "alto3", "take": 12, "dynamic": "pp", "articulation": "tongued"}),
        ("alto3_legato_3", {"instrument": "alto3", "take": 3, "articulation": "slurred"}),
        ("alto3_slurred_down_ff", {"direction": "down", "dynamic": "ff", "articulation": "slurred"}),
        ("alto3_up-down", {"instrument": "alto3", "direction": "up-down"}),
        ("alto3_up", {"instrument": "alto3", "direction": "up"}),
        ("alto3_major_scale (2)", {"instrument": "alto3", "pattern": "major", "take": 2}),
        ("s2_alto3_take1", {"instrument": "alto3", "session": "s2", "take": 1}),
        ("session 2 alto3", {"instrument": "alto3", "session": "session_2"}),
        ("2024-05-03 alto3", {"instrument": "alto3", "session": "2024-05-03"}),
        ("20240503_alto3_after_setup", {"session": "2024-05-03", "instrument": "alto3", "state": "after_setup"}),
        ("alto3_before", {"instrument": "alto3", "state": "as_found"}),
        ("Élan № 3, take 1", {"instrument": "Elan_No_3", "take": 1}),
        ("No 7 (take 2)", {"instrument": "No_7", "take": 2}),
        ("stuffy_pad", {"instrument": "stuffy_pad", "dynamic": "mf", "take": 1}),
        ("2024-13-45_alto3", {"instrument": "2024-13-45_alto3"}),
    ],
)
def test_what_a_file_name_tells(tmp_path, name, told):
    rows, _, _ = study_of(tmp_path, f"{name}.wav")
    row = rows[f"{name}.wav"]
    assert {key: row[key] for key in told} == told


def test_folders_of_one_instrument_each_are_instruments(tmp_path):
    rows, study, _ = study_of(tmp_path, "hall/Alto A/mf_1.wav", "hall/Alto A/mf_2.wav", "hall/Alto B/ff.flac")
    assert [(row["instrument"], row["session"], row["take"]) for row in rows.values()] == [
        ("Alto_A", "hall", 1),
        ("Alto_A", "hall", 2),
        ("Alto_B", "hall", 1),
    ]
    assert study.instruments["Alto_A"]["label"] == "Alto A"


def test_folders_of_several_instruments_are_sessions(tmp_path):
    rows, _, _ = study_of(tmp_path, "first evening/alto a.wav", "first evening/alto b.wav", "second/Alto A.wav")
    assert [(row["instrument"], row["session"]) for row in rows.values()] == [
        ("alto_a", "first_evening"),
        ("alto_b", "first_evening"),
        ("alto_a", "second"),
    ]


def test_a_leading_word_is_a_session_only_where_it_crosses_with_instruments(tmp_path):
    crossing = ["e1_alto_01_mf.wav", "e1_alto_02_mf.wav", "e2_alto_01_mf.wav"]
    rows, _, _ = study_of(tmp_path / "a", *crossing)
    assert {(row["session"], row["instrument"], row["take"]) for row in rows.values()} == {
        ("e1", "alto_01", 1),
        ("e1", "alto_02", 1),
        ("e2", "alto_01", 1),
    }
    rows, _, _ = study_of(tmp_path / "b", "a1_oak.wav", "a2_oak.wav", "a3_oak.wav")
    assert [row["instrument"] for row in rows.values()] == ["a1_oak", "a2_oak", "a3_oak"]


def test_the_date_of_a_session_is_written_when_all_its_recordings_agree(tmp_path):
    _, study, _ = study_of(tmp_path, "s1/2024-05-03 a.wav", "s1/2024-05-03 b.wav", "s2/2024-05-04 a.wav", "s2/b.wav")
    assert {key: row["date"] for key, row in study.sessions.items()} == {"s1": "2024-05-03", "s2": None}


def test_what_was_not_told_is_said_once_or_with_its_file(tmp_path):
    _, _, lines = study_of(tmp_path, "alto3_take2_mf.wav", "Recording.m4a")
    assert lines == [
        "../audio/Recording.m4a: nothing; please look: the name tells no instrument",
        "../audio/alto3_take2_mf.wav: instrument alto3 (the name), take 2 (take2), dynamic mf",
        "No session is told: all are put into one, session1.",
        "No date is told (it may stay blank) for: session1.",
        "Blank means: dynamic mf, articulation slurred, direction up, pattern chromatic, state as_found.",
        "Doubtful: 1 of 2 rows. Correct what is wrong and clear their cells of the column `confirm`; until then "
        "nothing is run.",
    ]


def test_a_missing_session_or_repeat_is_doubtful_where_others_have_it(tmp_path):
    _, _, lines = study_of(tmp_path, "s1/oak.wav", "s1/oak.flac", "oak.wav")
    assert lines[0] == "../audio/oak.wav: instrument oak (the name); please look: no session is told, written: session1"
    assert lines[2].endswith(
        "instrument oak (the name), session s1; please look: there is another of this name and number: a repeat, a "
        "copy, or another instrument?"
    )


def test_the_name_of_a_folder_that_is_a_session_is_kept(tmp_path):
    _, study, _ = study_of(tmp_path, "town hall/a.wav", "town hall/b.wav", "evening 2/a.wav", "evening 2/b.wav")
    comments = {key: row["comment"] for key, row in study.sessions.items()}
    assert comments == {"town_hall": "folder: town hall", "evening_2": None}


def test_takes_never_share_a_number(tmp_path):
    rows, _, lines = study_of(tmp_path, "a/x take1.wav", "a/x take1.mp3", "a/x.wav", "a/x mf.wav", "a/y.wav")
    assert sorted((row["instrument"], row["take"]) for row in rows.values()) == [
        ("x", 1),
        ("x", 2),
        ("x", 3),
        ("x", 4),
        ("y", 1),
    ]
    assert sum("another of this name and number" in line for line in lines) == 3


def test_only_audio_is_listed_in_any_case_and_no_hidden_files(tmp_path):
    rows, _, _ = study_of(tmp_path, "a.WAV", "b.Flac", "c.txt", "d", ".e.wav", "._a.wav", ".hidden/f.wav", "g.m4a")
    assert list(rows) == ["a.WAV", "b.Flac", "g.m4a"]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such file names")
def test_every_kind_of_file_that_can_be_read_is_listed(tmp_path):
    rows, _, _ = study_of(tmp_path, *(f"alto{number}{suffix}" for number, suffix in enumerate(AUDIO_SUFFIXES)))
    assert {Path(file).suffix for file in rows} == set(AUDIO_SUFFIXES)
    assert {".wav", ".m4a", ".3gp", ".amr", ".wma", ".webm"} <= set(AUDIO_SUFFIXES)
    assert set(CONTAINERS.split(",")) <= {name.lower() for name in SUFFIXES_OF}


def test_hard_names_become_sound_ids_and_come_back_as_they_are(tmp_path):
    names = [
        'quo"ted.wav',
        "tab\tin.wav",
        "con.wav",
        "クラリネット.wav",
        "=1+1.wav",
        "a;b,c.wav",
        "<b>.wav",
        "x" * 240 + ".wav",
        "narrow\u202fspace.wav",
        " lead.wav",
        "X.wav",
        "x.flac",
    ]
    rows, study, lines = study_of(tmp_path, *names)
    assert set(rows) == {name for name in names if "\t" not in name}
    assert sum("left out" in line for line in lines) == 1
    assert study.instruments["con_1"]["label"] == "con"
    assert "クラリネット" in {row["label"] for row in study.instruments.values()}


def test_ids_of_recordings_tell_folder_and_file(tmp_path):
    rows, _, _ = study_of(tmp_path, "Alto A/mf 1.wav", "Alto A/mf-1.wav", "Alto B/mf 1.wav")
    assert [row["recording"] for row in rows.values()] == ["Alto_A_mf_1", "Alto_A_mf-1", "Alto_B_mf_1"]


def test_the_config_is_an_unchanged_copy_and_paths_are_relative(tmp_path):
    _, study, _ = study_of(tmp_path, "a.wav")
    assert study.files["config"].read_bytes() == (repo_root() / "config/config.yaml").read_bytes()
    assert study.recordings[0]["file"] == "../audio/a.wav"
    assert (tmp_path / "audio/a.wav").read_bytes() == b""


def test_the_same_folder_gives_the_same_study(tmp_path):
    files = ["b/2.wav", "a/1.wav", "a/2.wav"]
    texts = []
    for name, order in (("one", files), ("two", files[::-1])):
        make(tmp_path / name / "audio", *order)
        new_study(tmp_path / name / "study", tmp_path / name / "audio", "flute")
        texts.append((tmp_path / name / "study/config/recordings.tsv").read_bytes())
    assert texts[0] == texts[1]


@pytest.mark.parametrize("name", ["config.yaml", "recordings.tsv", "instruments.tsv", "inspection.tsv"])
def test_an_existing_study_is_never_overwritten(tmp_path, name):
    make(tmp_path / "audio", "a.wav")
    (tmp_path / "study/config").mkdir(parents=True)
    (tmp_path / "study/config" / name).write_text("mine", encoding="utf-8")
    with pytest.raises(EvenboreError, match=f"study already.*{name}"):
        new_study(tmp_path / "study", tmp_path / "audio", "flute")
    assert [path.name for path in (tmp_path / "study/config").iterdir()] == [name]
    assert (tmp_path / "study/config" / name).read_text(encoding="utf-8") == "mine"


def test_what_is_doubtful_is_marked_and_neither_checked_nor_run_until_confirmed(tmp_path):
    new_study(tmp_path / "study", make(tmp_path / "audio", "New Recording 12.m4a", "oak_mf_1.wav"), "flute")
    with pytest.raises(StudyError) as caught:
        load_study(tmp_path / "study")
    (problem,) = caught.value.problems
    assert (problem.row, problem.column) == (2, "confirm")
    assert problem.value == "please look: the name tells no instrument"
    assert confirm_all(tmp_path / "study")["../audio/oak_mf_1.wav"] == ""
    assert len(load_study(tmp_path / "study").recordings) == 2


def test_wrong_family_folder_or_no_recordings(tmp_path):
    make(tmp_path / "audio", "notes.txt")
    with pytest.raises(EvenboreError, match=r"Perhaps flute\?"):
        new_study(tmp_path / "study", tmp_path / "audio", "flut")
    with pytest.raises(EvenboreError, match=r"No recordings in .*\.flac"):
        new_study(tmp_path / "study", tmp_path / "audio", "flute")
    with pytest.raises(EvenboreError, match="is not a folder"):
        new_study(tmp_path / "study", tmp_path / "nowhere", "flute")
    assert not (tmp_path / "study").exists()


def test_empty_files_are_found_by_check_and_by_nothing_else(tmp_path):
    study_of(tmp_path, "a.wav", "b.wav")
    problems = check_study(tmp_path / "study")
    assert [(problem.row, problem.column) for problem in problems] == [(2, "file"), (3, "file")]


NAME = st.text(st.characters(exclude_characters="/\0\\", exclude_categories=["Cs"]), min_size=1, max_size=12)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such file names")
@settings(max_examples=40, deadline=None)
@given(names=st.lists(st.tuples(NAME, st.sampled_from(["", " take1", "_mf", " 2024-05-03", "(2)", " up"])), max_size=6))
def test_any_file_names_give_a_sound_study(names):
    with tempfile.TemporaryDirectory() as folder:
        files = {f"{'' if i % 2 else 'x '}{name}{end}.wav" for i, (name, end) in enumerate(names)}
        make(Path(folder) / "audio", "first.wav", *files)
        lines = new_study(Path(folder) / "study", Path(folder) / "audio", "flute")
        confirm_all(Path(folder) / "study")
        study = load_study(Path(folder) / "study")
        listed = {row["path"].name for row in study.recordings}
        hidden = {file for file in files if file.startswith(".")}
        assert listed | hidden >= {file for file in files if not re.search("[\x00-\x1f\x7f]", file)}
        per_file = [
            line for line in lines if not line.startswith(("No session is", "No date is", "Blank means", "Doubtful"))
        ]
        assert len(per_file) == len({"first.wav", *files} - hidden)
        assert all(os.path.lexists(row["path"]) for row in study.recordings)


def test_a_label_keeps_its_brackets(tmp_path):
    _, study, _ = study_of(tmp_path, "No 7 (blue case)/mf (take 1).wav", "No 8/mf 1.wav")
    labels = [row["label"] for row in study.instruments.values()]
    assert labels == ["No 7 (blue case)", "No 8"]
