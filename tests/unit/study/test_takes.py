"""Takes of long files, running lists, and later recordings that join a study."""

import csv

import numpy as np
import pytest
import soundfile as sf

from evenbore.files.errors import EvenboreError
from evenbore.study.new import add_recordings, new_study
from evenbore.study.sheets import load_study, read_study
from evenbore.study.takes import read_order
from rendering.render import RATE
from scenarios import generators
from sheetstudies import check_study

STATES = ["as_found", "after_setup"]


def rows_of(study):
    with (study / "config/recordings.tsv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter="\t"))


def make(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"")
    return folder


def listing(tmp_path, *lines):
    (tmp_path / "list.txt").write_text("\n".join(lines), encoding="utf-8")
    return tmp_path / "list.txt"


@pytest.fixture(scope="module")
def long_file(tmp_path_factory):
    """Three scales of an octave and a half in one file."""
    folder = tmp_path_factory.mktemp("long")
    up = [(60 + k, 0.8 * k, 0.8 * k + 0.8) for k in range(20)]
    down = [(79 - k, 0.8 * k, 0.8 * k + 0.8) for k in range(20)]
    pause = np.zeros(5 * RATE)
    sounds = [generators.additive("oboe", generators.STEADY, notes)[: 16 * RATE] for notes in (up, down, up)]
    sf.write(folder / "Friday.flac", np.concatenate([part for one in sounds for part in (pause, one)] + [pause]), RATE)
    return folder


def test_a_long_file_is_a_row_for_each_scale_and_asks_whose_they_are(tmp_path, long_file):
    lines = new_study(tmp_path / "study", long_file, "oboe")
    rows = rows_of(tmp_path / "study")
    assert [row["direction"] for row in rows] == ["up", "down", "up"]
    starts, ends = ([float(row[key]) for row in rows] for key in ("start_s", "end_s"))
    assert starts == pytest.approx([3, 24, 45], abs=0.3)
    assert ends == pytest.approx([22.5, 43.5, 64.5], abs=0.3)
    assert len({row["instrument"] for row in rows}) == 3
    assert all(row["confirm"].endswith("several scales in one file: which instrument is each?") for row in rows)
    assert "Friday.flac: 1:08 long, 3 scales in it; between them:" in lines[0]


def test_a_list_names_the_scales_of_a_long_file(tmp_path, long_file):
    order = listing(tmp_path, "# Friday", "Old one", "new-one leise", "", "new-one laut vorher")
    new_study(tmp_path / "study", long_file, "oboe", order)
    rows = rows_of(tmp_path / "study")
    assert [(row["instrument"], row["dynamic"], row["confirm"]) for row in rows] == [
        ("Old_one", "", ""),
        ("new-one", "p", ""),
        ("new-one", "f", ""),
    ]
    study = load_study(tmp_path / "study")
    assert [row["start_s"] for row in study.recordings] == [float(row["start_s"]) for row in rows]
    assert check_study(tmp_path / "study") == []


def test_a_list_too_short_or_long_is_told_and_nothing_is_sure(tmp_path):
    files = [f"New Recording {n}.m4a" for n in (9, 10, 11)]
    for lines in (["yew", "oak"], ["yew", "oak", "elm", "fir"]):
        folder = tmp_path / str(len(lines))
        told = new_study(folder / "study", make(folder / "audio", *files), "flute", listing(tmp_path, *lines))
        assert told[0].startswith(f"Please look: the list has {len(lines)} takes, the recordings 3.")
        rows = {row["file"].rpartition("/")[2]: row for row in rows_of(folder / "study")}
        assert [rows[file]["instrument"] for file in files[:2]] == ["yew", "oak"]
        assert all("the recordings 3" in row["confirm"] for row in rows.values())
    assert len({row["instrument"] for row in rows.values()}) == 3


def test_names_are_counted_as_people_count_and_may_speak_against_the_list(tmp_path):
    audio = make(tmp_path / "audio", "New Recording 9.m4a", "New Recording 10.m4a", "elm_mf_2.wav")
    new_study(tmp_path / "study", audio, "flute", listing(tmp_path, "oak", "yew", "fir"))
    rows = {row["file"].rpartition("/")[2]: row for row in rows_of(tmp_path / "study")}
    assert rows["elm_mf_2.wav"]["instrument"] == "elm"
    assert rows["elm_mf_2.wav"]["confirm"] == "please look: the list says oak, the name elm"
    assert [rows[f"New Recording {n}.m4a"]["instrument"] for n in (9, 10)] == ["yew", "fir"]


def test_a_running_list_holds_names_with_spaces_and_words_of_playing(tmp_path):
    path = listing(tmp_path, "Clarinet A\tmf", "Clarinet B, staccato ff", "C after_setup", "forte", "oak loud after")
    assert read_order(path, STATES) == [
        {"instrument": "Clarinet A", "dynamic": "mf"},
        {"instrument": "Clarinet B", "dynamic": "ff", "articulation": "tongued"},
        {"instrument": "C", "state": "after_setup"},
        {"instrument": "forte"},
        {"instrument": "oak", "dynamic": "f", "state": "after_setup"},
    ]
    with pytest.raises(EvenboreError, match="no take in it"):
        read_order(listing(tmp_path, "# nothing"), STATES)


def test_later_recordings_join_a_study_and_nothing_there_changes(tmp_path):
    new_study(tmp_path / "study", make(tmp_path / "audio", "s1/yew_mf_1.wav", "s1/yew_mf_2.wav"), "flute")
    path = tmp_path / "study/config/recordings.tsv"
    lines = path.read_text(encoding="utf-8").splitlines()
    kept = [column for column in lines[0].split("\t") if column != "confirm"]
    before = [dict(zip(lines[0].split("\t"), line.split("\t"), strict=True)) | {"x_own": "1"} for line in lines[1:]]
    kept = ["x_own", *kept]  # an older sheet, in another order, with a column of one's own, from a spreadsheet program
    path.write_text("\r\n".join(";".join(row.get(c, c) for c in kept) for row in [{}, *before]), encoding="utf-8-sig")
    make(tmp_path / "audio", "s1/Yew mf 3.wav", "s2/yew_mf_1.wav", "s2/oak_1.wav")
    told = add_recordings(tmp_path / "study", tmp_path / "audio")
    assert sum("audio/" in line for line in told) == 3
    reading = read_study(tmp_path / "study")
    rows = reading.sheets["recordings"].rows
    assert [(row["instrument"], row["session"], row["take"], row["x_own"]) for row in rows] == [
        ("yew", "s1", 1, "1"),
        ("yew", "s1", 2, "1"),
        ("yew", "s1", 3, None),
        ("oak_1", "s2", 1, None),
        ("yew", "s2", 1, None),
    ]
    assert [problem.row for problem in reading.problems] == [5]  # oak_1: a take, or another instrument?
    instruments = {row["instrument"]: row["family"] for row in reading.sheets["instruments"].rows}
    assert instruments == {"yew": "flute", "oak_1": "flute"}
    with pytest.raises(EvenboreError, match="does not have already"):
        add_recordings(tmp_path / "study", tmp_path / "audio")


def test_a_long_file_joins_a_study_of_a_family_of_its_own(tmp_path, long_file):
    new_study(tmp_path / "study", make(tmp_path / "first", "yew_mf_1.wav"), "oboe")
    (tmp_path / "study/config/families").mkdir()
    (tmp_path / "study/config/families/my_oboe.yaml").write_text("like: oboe\nname: my oboe\n", "utf-8")
    sheet = tmp_path / "study/config/instruments.tsv"
    sheet.write_text(sheet.read_text("utf-8").replace("oboe", "my_oboe"), "utf-8")
    add_recordings(tmp_path / "study", long_file)
    assert [row["direction"] for row in rows_of(tmp_path / "study") if row["start_s"]] == ["up", "down", "up"]


def test_a_list_that_names_an_instrument_again_means_another_take(tmp_path):
    audio = make(tmp_path / "audio", "New Recording 1.m4a", "New Recording 2.m4a")
    new_study(tmp_path / "study", audio, "flute", listing(tmp_path, "oak", "oak"))
    assert [(row["instrument"], row["take"], row["confirm"]) for row in rows_of(tmp_path / "study")] == [
        ("oak", "1", ""),
        ("oak", "2", ""),
    ]


def test_kinds_are_told_by_names_and_asked_for_where_they_are_not(tmp_path):
    names = ["Oboe Pflaume take 1.wav", "Flöte Kirsche take 1.wav", "bass clarinet 9 take 1.wav", "ebony take 1.wav"]
    told = new_study(tmp_path / "study", make(tmp_path / "audio", *names))
    with (tmp_path / "study/config/instruments.tsv").open(encoding="utf-8", newline="") as file:
        families = {row["label"]: row["family"] for row in csv.DictReader(file, delimiter="\t")}
    assert families == {
        "Oboe Pflaume": "oboe", "Flöte Kirsche": "flute", "bass clarinet 9": "clarinet_bass_low_e_flat", "ebony": "",
    }  # fmt: skip
    doubts = {row["file"].rpartition("/")[2]: row["confirm"] for row in rows_of(tmp_path / "study")}
    assert [bool(doubts[name]) for name in names] == [False, False, True, True]
    assert "which kind of instrument?" in doubts[names[3]]
    assert "Not listened to, as nothing tells the kind of instrument: 1 of 4 files." in told
    with pytest.raises(EvenboreError, match="give --family"):
        new_study(tmp_path / "other", make(tmp_path / "more", "ebony take 1.wav"))


def test_later_takes_of_a_study_of_several_kinds_are_of_their_instruments_kind(tmp_path):
    new_study(tmp_path / "study", make(tmp_path / "audio", "Oboe plum take 1.wav", "Flute cherry take 1.wav"))
    later = ["Flute cherry take 2.wav", "Trumpet pear take 1.wav", "quince take 1.wav"]
    add_recordings(tmp_path / "study", make(tmp_path / "later", *later))
    rows = {row["file"].rpartition("/")[2]: row for row in rows_of(tmp_path / "study")}
    assert [bool(rows[name]["confirm"]) for name in later] == [False, False, True]
    with (tmp_path / "study/config/instruments.tsv").open(encoding="utf-8", newline="") as file:
        assert [row["family"] for row in csv.DictReader(file, delimiter="\t")] == [
            "flute",
            "oboe",
            "trumpet_b_flat",
            "",
        ]


def test_a_kind_that_the_study_does_not_have_is_asked_about(tmp_path):
    audio = make(tmp_path / "audio", "basset A take 1.wav")
    new_study(tmp_path / "study", audio, "clarinet_bass_low_c")
    add_recordings(tmp_path / "study", make(tmp_path / "later", "Clarinet 5 take 1.wav", "bass clarinet 6 take 1.wav"))
    assert ["which kind" in row["confirm"] for row in rows_of(tmp_path / "study")] == [False, True, True]


def test_a_letter_in_a_list_may_be_a_name(tmp_path):
    with pytest.raises(EvenboreError, match=r"found `horn f`; is f a name, or how loud\? For a name write `horn_f`"):
        read_order(listing(tmp_path, "horn a", "horn f"), STATES)
    takes = read_order(listing(tmp_path, "horn a", "horn_f", "horn a forte"), STATES)
    assert [take["instrument"] for take in takes] == ["horn a", "horn_f", "horn a"]
    assert read_order(listing(tmp_path, "oak f", "oak"), STATES)[0] == {"instrument": "oak", "dynamic": "f"}
