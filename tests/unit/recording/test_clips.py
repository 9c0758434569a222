"""Clips for listening: the right takes, the right notes at the right time, at the stated loudness."""

import dataclasses
import shutil

import numpy as np
import pyloudnorm
import pytest
import soundfile

from evenbore.files.digest import sha256
from evenbore.recording import clips
from evenbore.recording.clips import CLIP_RATE, cut_clips, decoded, kept_clips, read_clips, takes_to_hear, write_clips

SOURCE_RATE = 44_100
# written note, sounding midi, onset, offset: two near each other, one long and far away
NOTES = [("C5", 63, 1.0, 1.8), ("D5", 65, 1.9, 2.6), ("E5", 67, 9.0, 14.0)]


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    samples = np.random.default_rng(0).normal(0, 1e-4, 16 * SOURCE_RATE)
    for number, (_, midi, onset, offset) in enumerate(NOTES):
        time = np.arange(round((offset - onset) * SOURCE_RATE)) / SOURCE_RATE
        first = round(onset * SOURCE_RATE)
        tone = 0.05 * (number + 1) * np.sin(2 * np.pi * 440 * 2 ** ((midi - 69) / 12) * time)
        samples[first : first + len(time)] += tone
    path = tmp_path_factory.mktemp("clips") / "take.wav"
    soundfile.write(path, samples, SOURCE_RATE)
    return str(path)


def take(path, recording, **changes):
    """A row of the sheet, what measuring found, and the notes."""
    row = {"recording": recording, "instrument": "oak", "session": "hall", "state": "as_found", "take": 1,
           "channel": 1, "passage": None, "start_s": None, "end_s": None,
           "path": path, "pattern": "chromatic", "dynamic": "mf", "articulation": "slurred",
           "direction": "up"}  # fmt: skip
    row |= {key: value for key, value in changes.items() if key in row}
    found = {"recording": recording, "status": "ok", "snr_db": 40.0, "sha256": sha256(path)}
    found |= {key: value for key, value in changes.items() if key in found}
    notes = [{"written_note": note, "midi": midi, "onset_s": onset, "offset_s": offset}
             for note, midi, onset, offset in changes.get("notes", NOTES)]  # fmt: skip
    return row, found, notes


def cut(*takes, most_bytes=1e9):
    rows, recordings, notes = map(list, zip(*takes, strict=True))
    return cut_clips(takes_to_hear(rows, recordings, notes, "mf"), most_bytes, "code", {})


def frequency(samples):
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 1 << 17))
    return np.argmax(spectrum) * CLIP_RATE / (1 << 17)


def test_every_note_sounds_when_it_is_said_to(path):
    (clip,) = cut(take(path, "r1"))
    samples = decoded(clip.mp3)
    for (note, midi, onset, offset), (written, sounding, start, end) in zip(NOTES, clip.notes, strict=True):
        assert (written, sounding) == (note, midi)
        assert end - start == pytest.approx(min(offset - onset, clips.NOTE_S))
        inside = samples[round((start + 0.03) * CLIP_RATE) : round((end - 0.03) * CLIP_RATE)]
        assert frequency(inside) == pytest.approx(440 * 2 ** ((midi - 69) / 12), rel=0.002)
        before = samples[round((start - 0.06) * CLIP_RATE) : round((start - 0.02) * CLIP_RATE)]
        assert np.sqrt(np.mean(before**2)) < 0.05 * np.sqrt(np.mean(inside**2))
    # what lies between notes far apart is left out: 1.6 s and 2 s of notes, with a little around
    assert len(samples) / CLIP_RATE == pytest.approx(1.6 + 2.0 + 2 * (clips.BEFORE_S + clips.AFTER_S), abs=0.01)


def test_clips_are_equally_loud(path):
    (clip,) = cut(take(path, "r1"))
    loudness = pyloudnorm.Meter(CLIP_RATE).integrated_loudness(decoded(clip.mp3).astype(float))
    assert loudness == pytest.approx(clips.LOUDNESS_LUFS, abs=0.6)  # the encoder itself takes 0.45 dB off
    whole, *notes = clip.levels
    assert whole == pytest.approx((loudness, 20 * np.log10(np.abs(decoded(clip.mp3)).max())), abs=0.1)
    assert len(notes) == len(clip.notes)


def test_the_best_takes_are_taken_and_those_played_alike(path):
    found = cut(
        take(path, "warned", status="warned"),
        take(path, "aside", status="set_aside"),
        take(path, "tongued", articulation="tongued"),
        take(path, "loud", dynamic="f"),
        take(path, "few", notes=NOTES[:2], take=2),
        take(path, "noisy", snr_db=20.0, take=3),
        take(path, "good", take=4),
        take(path, "mended", state="after_setup"),
        take(path, "tune", pattern="passage", notes=[], dynamic="f"),
    )
    assert [(clip.recording, clip.kind) for clip in found] == [
        ("good", "scale"), ("noisy", "scale"), ("tune", "passage"), ("mended", "scale")]  # fmt: skip
    assert found[0].played == "slurred, up, mf" and found[2].played == "a passage, f"


def test_every_phrase_is_heard_once_at_each_dynamic_with_its_notes(path):
    found = cut(
        take(path, "soft", pattern="passage", passage="tune", dynamic="p"),
        take(path, "warned", pattern="passage", passage="tune", dynamic="f", status="warned"),
        take(path, "loud", pattern="passage", passage="tune", dynamic="f", take=2),
        take(path, "other", pattern="passage", passage="air", dynamic="f"),
    )
    told = sorted((clip.recording, clip.passage, clip.dynamic) for clip in found)
    assert told == [("loud", "tune", "f"), ("other", "air", "f"), ("soft", "tune", "p")]
    # nothing is left out: a note begins where it does in the recording
    assert [note[2] for note in found[0].notes] == [onset for _, _, onset, _ in NOTES]
    assert len(decoded(found[0].mp3)) / CLIP_RATE == pytest.approx(16, abs=0.1)


def test_a_recording_that_is_gone_has_no_clip(path, tmp_path):
    assert cut(take(str(tmp_path / "gone.wav"), "r1")) == []


def test_a_recording_that_was_changed_has_no_clip(path):
    row, found, notes = take(path, "r1")
    assert cut((row, found | {"sha256": "another"}, notes)) == []


def test_the_first_clips_are_kept_as_far_as_there_is_room(path):
    takes = [take(path, f"r{number}", state=state) for number, state in enumerate(["one", "two", "three"])]
    whole = cut(*takes)
    room = 2.5 * len(whole[0].mp3) * 4 / 3
    assert [bool(clip.mp3) for clip in cut(*takes, most_bytes=room)] == [True, True, False]


def test_an_unknown_noise_level_is_no_error(path):
    assert len(cut(take(path, "r1", snr_db=float("nan")), take(path, "r2", snr_db=None))) == 2


def test_kept_clips_come_back(path, tmp_path):
    found = cut(take(path, "r1"), take(path, "tune", pattern="passage", notes=[]))
    write_clips(found, tmp_path / "clips.npz")
    assert read_clips(tmp_path / "clips.npz") == found


@pytest.fixture
def cut_again(path, tmp_path, monkeypatch):
    """Function: the clips of takes, cut beside what was kept of a take, and the recordings of those cut anew."""
    first = take(path, "r1")
    kept = tmp_path / "clips.npz"

    def clips_of(takes):
        rows, recordings, notes = map(list, zip(*takes, strict=True))
        return list(takes_to_hear(rows, recordings, notes, "mf"))

    write_clips(cut_clips(clips_of([first]), 1e9, "code", {}), kept)

    def again(*takes, code="code"):
        anew, cut_one = [], clips._cut
        monkeypatch.setattr(clips, "_cut", lambda row: anew.append(row["recording"]) or cut_one(row))
        found = cut_clips(clips_of(takes), 1e9, code, kept_clips(kept))
        monkeypatch.setattr(clips, "_cut", cut_one)
        return found, anew

    again.first, again.kept = first, kept
    return again


def test_a_take_that_is_as_it_was_is_not_cut_again(path, cut_again):
    other = take(path, "r2", take=2)
    found, anew = cut_again(cut_again.first, other)
    assert anew == ["r2"]
    fresh = cut(cut_again.first, other)
    assert [dataclasses.replace(clip, cut_of="") for clip in found] == [
        dataclasses.replace(clip, cut_of="") for clip in fresh
    ]


def test_whatever_is_another_is_cut_again(path, tmp_path, cut_again):
    row, found, notes = cut_again.first
    changes = {"instrument": "ash", "session": "room", "state": "adjusted", "take": 2, "channel": 2, "start_s": 0.5,
               "end_s": 15.0, "articulation": "tongued", "direction": "down"}  # fmt: skip
    for key, value in changes.items():
        assert cut_again((row | {key: value}, found, notes))[1] == ["r1"], key
    later = [note | {"onset_s": note["onset_s"] + 0.01} for note in notes]
    assert cut_again((row, found, later))[1] == ["r1"]
    assert cut_again(cut_again.first, code="another")[1] == ["r1"]
    # a recording changed under its name: measured anew it has another digest
    swapped = tmp_path / "take.wav"
    shutil.copy(path, swapped)
    with swapped.open("ab") as file:
        file.write(b"more")
    changed = row | {"path": str(swapped)}, found | {"sha256": sha256(swapped)}, notes
    assert cut_again(changed)[1] == ["r1"]
    assert cut_again((changed[0], found, notes)) == ([], [])


def test_a_kept_clip_that_somebody_changed_is_not_taken(cut_again):
    (clip,) = read_clips(cut_again.kept)
    with np.load(cut_again.kept) as file:
        rows = file["rows"]
    for sound in (clip.mp3[:-1], b"\0" + clip.mp3[1:]):
        np.savez(cut_again.kept, rows=rows, mp3_0=np.frombuffer(sound, np.uint8))
        assert kept_clips(cut_again.kept) == {}
    for broken in (b"", b"PK", b"no archive at all"):
        cut_again.kept.write_bytes(broken)
        assert kept_clips(cut_again.kept) == {}
    cut_again.kept.unlink()
    assert kept_clips(cut_again.kept) == {}
