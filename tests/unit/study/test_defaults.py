"""What is said once of all recordings fills the blank cells, and the range that was played is proposed."""

import pytest

from evenbore.files.errors import StudyError
from evenbore.study.defaults import played_range, range_advice
from evenbore.study.join import join_studies
from evenbore.study.sheets import chunks, load_study
from evenbore.trade.pitch import note_to_midi
from sheetstudies import INSTRUMENTS, RECORDINGS, changed, write_study


def said(folder, text):
    path = folder / "config/config.yaml"
    config = path.read_text(encoding="utf-8")
    assert "recording_defaults: {}\n" in config
    path.write_text(config.replace("recording_defaults: {}\n", text + "\n"), encoding="utf-8")
    return folder


def test_a_blank_cell_takes_the_familys_default_then_the_studys_then_the_programs(tmp_path):
    instruments = [*INSTRUMENTS[:1], INSTRUMENTS[1] | {"family": "flute"}]
    recordings = changed([row | {"high": ""} for row in RECORDINGS], 0, high="C5", player="Ben")
    write_study(tmp_path, recordings, instruments)
    line = "recording_defaults: {player: Ada, low: D4, families: {saxophone_alto: {high: Eb5, articulation: tongued}}}"
    rows = load_study(said(tmp_path, line)).recordings
    assert [row["player"] for row in rows] == ["Ben", "Ada", "Ada"]
    assert [row["high"] for row in rows[:2]] == [note_to_midi("C5"), note_to_midi("Eb5")]
    assert {row["low"] for row in rows} == {note_to_midi("D4")}
    assert [row["articulation"] for row in rows] == ["tongued", "tongued", "slurred"]
    assert {row["pattern"] for row in rows} == {"chromatic"}


def test_what_is_said_once_is_measured_with(tmp_path):
    before = chunks(load_study(write_study(tmp_path)))
    after = chunks(load_study(said(tmp_path, "recording_defaults: {high: Bb5}")))
    assert before != after
    assert {row["high"] for rows in after.values() for row in rows} == {note_to_midi("Bb5")}


def test_an_older_config_has_none(tmp_path):
    assert load_study(said(write_study(tmp_path), "")).config["recording_defaults"] == {}


@pytest.mark.parametrize(
    ("line", "column"),
    [
        ("recording_defaults: {high: H5}", "recording_defaults.high"),
        ("recording_defaults: {pattern: scales}", "recording_defaults.pattern"),
        ("recording_defaults: {take: 1}", "recording_defaults.take"),
        ("recording_defaults: {families: {kazoo: {low: C4}}}", "recording_defaults.families.kazoo"),
        ("recording_defaults: {families: {flute: {low: C}}}", "recording_defaults.families.flute.low"),
    ],
)
def test_what_makes_no_sense_is_told(tmp_path, line, column):
    with pytest.raises(StudyError) as caught:
        load_study(said(write_study(tmp_path), line))
    assert [problem.column for problem in caught.value.problems] == [column]


def test_a_joined_study_keeps_what_each_said(tmp_path):
    for name in ("one", "two"):
        recordings = [row | {"recording": f"{name}{row['recording']}", "session": name} for row in RECORDINGS]
        write_study(tmp_path / name, recordings, sessions=[{"session": name}])
        said(tmp_path / name, "recording_defaults: {high: Bb5, player: Ada}")
    join_studies([tmp_path / "one", tmp_path / "two"], tmp_path / "both")
    rows = load_study(tmp_path / "both").recordings
    assert {(row["high"], row["player"]) for row in rows} == {(note_to_midi("Bb5"), "Ada")}


SAX = ("saxophone_alto", note_to_midi("Bb3"), note_to_midi("F#6"))


def test_the_range_that_fits_is_proposed_when_most_takes_lack_the_same_ends():
    found = [(note_to_midi("Bb3"), note_to_midi("F6"))] * 4 + [(note_to_midi("Bb3"), note_to_midi("F#6"))]
    takes = [(*SAX, *ends) for ends in found]
    assert range_advice(takes, {"player": "Ada", "families": {"flute": {"low": "C4"}}}) == [
        "Most takes of saxophone_alto end elsewhere than the sheet says: 4 of 5 at F6, not F#6. If no more was played, "
        "write into config.yaml: `recording_defaults: {player: Ada, families: {flute: {low: C4}, saxophone_alto: "
        "{high: F6}}}`"
    ]
    assert range_advice(takes[:2] + takes[4:], {}) == []  # two may be slips
    assert range_advice(takes[:3] + takes[4:] * 3, {}) == []


def test_the_line_that_is_proposed_can_be_written_as_it_is(tmp_path):
    study = write_study(tmp_path)
    lines = ["recording\tlowest_found\thighest_found", *(f"r{n}\tC4\tE6" for n in (1, 2, 3))]
    (study / "results/tables").mkdir(parents=True)
    (study / "results/tables/recordings.tsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (told,) = played_range(load_study(study))
    rows = load_study(said(study, told.split("`")[1])).recordings
    assert {(row["low"], row["high"]) for row in rows} == {(note_to_midi("C4"), note_to_midi("E6"))}
    assert played_range(load_study(study)) == []
