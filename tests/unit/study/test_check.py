"""Check opens every recording, also when rows have other problems, and tells where a missing one may be."""

import os

import numpy as np
import pytest
import soundfile

from evenbore.process import worker
from evenbore.study.check import kinds_apart, unnamed_audio
from evenbore.study.sheets import load_study, read_study
from evenbore.trade.pitch import note_to_midi
from faults.evil import evil_decoder
from sheetstudies import INSTRUMENTS, RECORDINGS, changed, check_study, write_study


@pytest.fixture
def study(tmp_path):
    folder = write_study(tmp_path)
    (folder / "audio").mkdir()
    for i, row in enumerate(RECORDINGS):
        tone = 0.1 * np.sin(np.arange(8000) * (0.1 + 0.01 * i))
        soundfile.write(folder / row["file"], np.stack([tone, tone], axis=1), 16000)
    return folder


def test_a_right_study_has_no_problems(study):
    assert check_study(study) == []


def test_a_missing_file_with_the_name_that_is_there(study):
    (study / "audio/r2.wav").rename(study / "audio/R2.WAV")
    write_study(study, changed(RECORDINGS, 2, file="adio/r3.wav"))
    first, second = check_study(study)
    assert (first.file, first.row, first.column, first.value) == ("config/recordings.tsv", 3, "file", "audio/r2.wav")
    assert first.cause == "there is 'R2.WAV'"
    assert "no folder 'adio'" in second.cause


@pytest.mark.parametrize("data", [b"", b"not audio at all", b"RIFF\x24\x00\x00\x00WAVE"])
def test_a_file_that_cannot_be_opened(study, data):
    (study / "audio/r2.wav").write_bytes(data)
    (problem,) = check_study(study)
    assert (problem.row, problem.column) == (3, "file")
    assert problem.cause


def test_a_recording_without_samples(study):
    soundfile.write(study / "audio/r2.wav", np.zeros((0, 1)), 16000)
    (problem,) = check_study(study)
    assert problem.row == 3


def test_a_silent_one_and_one_of_no_numbers(study):
    soundfile.write(study / "audio/r2.wav", np.zeros(16000), 16000)
    soundfile.write(study / "audio/r3.wav", np.full(16000, np.nan), 16000, subtype="FLOAT")
    silent, broken = check_study(study)
    assert (silent.row, silent.cause.startswith("silent")) == (3, True)
    assert (broken.row, "not numbers" in broken.cause) == (4, True)


@pytest.mark.parametrize("kind", ["wav", "flac"])  # OGG does not promise a length
def test_one_that_is_cut_off_is_told_though_a_part_can_be_used(study, kind):
    tone = 0.1 * np.random.default_rng(1).standard_normal(16000 * 6)
    whole = study / f"audio/whole.{kind}"
    soundfile.write(whole, tone, 16000)
    (study / f"audio/cut.{kind}").write_bytes(whole.read_bytes()[: whole.stat().st_size * 2 // 3])
    write_study(study, changed(RECORDINGS, 1, file=f"audio/cut.{kind}"))
    (problem,) = check_study(study)
    assert (problem.row, problem.column) == (3, "file")
    assert "cut off" in problem.cause or "damaged" in problem.cause or "did not finish" in problem.cause


def test_one_that_is_named_wrongly(study):
    (study / "audio/r2.wav").rename(study / "audio/r2.mp3")
    write_study(study, changed(RECORDINGS, 1, file="audio/r2.mp3"))
    (problem,) = check_study(study)
    assert "named .mp3, but its content is WAV" in problem.cause


def test_a_folder_in_place_of_a_file(study):
    (study / "audio/r2.wav").unlink()
    (study / "audio/r2.wav").mkdir()
    (problem,) = check_study(study)
    assert problem.row == 3


def test_a_channel_the_file_does_not_have(study):
    write_study(study, changed(RECORDINGS, 0, channel="3"))
    (problem,) = check_study(study)
    assert (problem.column, problem.value, problem.allowed) == ("channel", "3", "a channel from 1 to 2")


def test_a_copy_under_another_name(study):
    (study / "audio/r2.wav").write_bytes((study / "audio/r1.wav").read_bytes())
    (problem,) = check_study(study)
    assert problem.row == 3
    assert "same bytes as the file of row 2" in problem.cause


def test_two_channels_of_one_file_are_two_recordings(study):
    write_study(study, changed(changed(RECORDINGS, 0, channel="1"), 1, channel="2", file="audio/r1.wav"))
    assert check_study(study) == []


def test_recordings_are_opened_though_the_sheets_have_problems(study):
    (study / "audio/r1.wav").write_bytes(b"")
    write_study(study, changed(RECORDINGS, 0, dynamic="loud"), sessions=[{"session": "s1", "date": "May"}])
    assert {(p.file, p.column) for p in check_study(study)} == {
        ("config/recordings.tsv", "dynamic"),
        ("config/recordings.tsv", "file"),
        ("config/sessions.tsv", "date"),
    }


@pytest.mark.skipif(os.name == "nt", reason="signals are POSIX's")
def test_a_recording_that_crashes_its_decoder_is_named(study, tmp_path, monkeypatch):
    """And the others are examined all the same."""
    (tmp_path / "evil").mkdir()
    monkeypatch.setattr(worker, "loaded", False)
    monkeypatch.setenv("PYTHONPATH", evil_decoder(tmp_path / "evil"))
    (study / "audio/r2.wav").rename(study / "audio/r2_crash.wav")
    (study / "audio/r3.wav").write_bytes(b"")
    write_study(study, changed(RECORDINGS, 1, file="audio/r2_crash.wav"))
    first, second = check_study(study)
    assert (first.row, first.column) == (3, "file")
    assert "crashed the program that reads it (SIGSEGV)" in first.cause
    assert (second.row, second.cause[:17]) == (4, "the file is empty")


def test_recordings_that_no_row_names_are_told(tmp_path):
    write_study(tmp_path / "study")
    for name in ("r1.wav", "r2.wav", "r3.wav"):
        (tmp_path / "study/audio").mkdir(exist_ok=True)
        (tmp_path / "study/audio" / name).write_bytes(b"")
    assert unnamed_audio(read_study(tmp_path / "study")) == []
    (tmp_path / "study/audio/later").mkdir()
    (tmp_path / "study/audio/later/r4.flac").write_bytes(b"")
    (told,) = unnamed_audio(read_study(tmp_path / "study"))
    assert "no row of the sheet names: later/r4.flac." in told and " add " in told


def test_basses_of_two_ranges_are_one_kind_once_the_line_told_is_written(tmp_path):
    kinds = ("clarinet_bass_low_e_flat", "clarinet_bass_low_c")
    basses = [row | {"family": kind} for row, kind in zip(INSTRUMENTS, kinds, strict=True)]
    (told,) = kinds_apart(load_study(write_study(tmp_path, instruments=basses)))
    assert told.startswith("Each kind is compared with itself alone: 1 of clarinet_bass_low_e_flat, 1 of clarinet_bass")
    write_study(tmp_path, instruments=[row | {"family": "clarinet_bass_low_c"} for row in basses])
    config = tmp_path / "config/config.yaml"
    config.write_text(config.read_text("utf-8").replace("recording_defaults: {}", told.split("`")[1]), "utf-8")
    study = load_study(tmp_path)
    assert kinds_apart(study) == []
    assert {row["low"] for row in study.recordings} == {note_to_midi("Eb3")}
