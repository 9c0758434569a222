"""What players do in the middle of a scale: notes played again, restarts, breaks, practice beside whole scales.

Takes are put together from tones whose every beginning, end and pitch is known.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
import soundfile

from evenbore.notes.measure import measure_recording
from tones import harmonic_tone

RATE = 44_100
LOWEST, NOTES = 65, 14  # written F4 … F#5; an oboe sounds as written
OBOE, FLUTE, CLARINET = ([-6, 0, -3, -8, -12, -20], [0, -6, -14, -22, -30], [0, -35, -4, -28, -12, -25, -18])
EDGE_S = 0.015


@dataclass(frozen=True)
class Played:
    """One tone: the step whose note it is to be (None: no note of the scale), cents off, semitones off, seconds."""

    step: int | None
    cents: float = 0.0
    semitones: int = 0
    length_s: float = 0.45
    pause_s: float = 0.06
    breath: bool = False
    breaks_s: float = 0.0


def scale(steps=range(NOTES)):
    return [Played(step) for step in steps]


def tone(midi, length_s, levels):
    x = harmonic_tone(440.0 * 2 ** ((midi - 69) / 12), levels, length_s, RATE)
    edge = np.minimum(1, np.minimum(np.arange(len(x)), np.arange(len(x))[::-1]) / (EDGE_S * RATE))
    return 0.1 * x * np.sin(np.pi / 2 * edge) ** 2


def rendered(played, levels):
    """Audio of tones one after the other, and from when to when each sounds."""
    rng = np.random.default_rng(1)
    pieces, spans, at = [np.zeros(RATE)], [], 1.0
    for one in played:
        pause = np.zeros(round(one.pause_s * RATE))
        if one.breath:
            pause = 0.01 * rng.normal(size=len(pause)) * np.hanning(len(pause))
        midi = LOWEST + (one.step or 0) + one.semitones + one.cents / 100
        sound = tone(midi, one.length_s, levels)
        if one.breaks_s:
            middle, half = len(sound) // 2, round(one.breaks_s * RATE / 2)
            sound[middle - half : middle + half] = tone(midi + 12, one.breaks_s, levels)[: 2 * half]
        pieces += [pause, sound]
        at += len(pause) / RATE
        spans.append((at, at + len(sound) / RATE))
        at = spans[-1][1]
    audio = np.concatenate([*pieces, np.zeros(RATE)])
    return audio + 1e-4 * rng.normal(size=len(audio)), spans


def measured(folder, played, levels=OBOE, **sheet):
    """What was measured: the row of the recording, the notes by step, and true times of each tone."""
    audio, spans = rendered(played, levels)
    return *measured_audio(folder, audio, **sheet), spans


def measured_audio(folder, audio, **sheet):
    """What was measured of the audio: the row of the recording, and the notes."""
    soundfile.write(folder / "take.wav", audio, RATE, subtype="FLOAT")
    row = {
        "recording": "r", "instrument": "i", "session": "s", "take": 1, "dynamic": "mf", "articulation": "tongued",
        "direction": "up", "state": "as_found", "path": str(folder / "take.wav"), "channel": None,
        "start_s": None, "end_s": None,
        "pattern": "chromatic", "family": "oboe", "families_dir": None, "low": LOWEST, "high": LOWEST + NOTES - 1,
        "notes": None, "tuning_hz": 440.0,
    }  # fmt: skip
    found = measure_recording(row | sheet)
    return found.recording, found.notes


def holds_only(note, span):
    """Whether a note's span lies within what truly sounded."""
    return note["onset_s"] > span[0] - 0.03 and note["offset_s"] < span[1] + 0.03


def flagged(notes, word):
    return [note["step"] for note in notes if word in note["flags"].split()]


def with_again(again, step=6):
    played = scale()
    return [*played[: step + 1], *again, *played[step + 1 :]]


@pytest.mark.parametrize("levels", [OBOE, FLUTE, CLARINET])
def test_notes_that_the_sheet_does_not_name_are_no_part_of_those_it_names(tmp_path, levels):
    played = [replace(one, pause_s=0.0, length_s=0.3) for one in scale(range(NOTES - 1))]
    recording, notes, spans = measured(tmp_path, played, levels, pattern="major", articulation="slurred")
    assert recording["notes_found"] == 8
    assert all(holds_only(note, spans[note["midi"] - LOWEST]) for note in notes)


REPEATS = {
    "after silence": [Played(6, pause_s=0.3)],
    "after a breath": [Played(6, pause_s=0.5, breath=True)],
    "after another note": [Played(None, semitones=17, length_s=0.3), Played(6)],
    "at once": [Played(6)],
}


@pytest.mark.parametrize("levels", [OBOE, FLUTE, CLARINET])
@pytest.mark.parametrize("how", REPEATS)
def test_of_a_note_played_twice_the_last_attempt_counts(tmp_path, how, levels):
    played = with_again(REPEATS[how])
    recording, notes, spans = measured(tmp_path, played, levels)
    assert [note["step"] for note in notes] == list(range(NOTES))
    last = max(k for k, one in enumerate(played) if one.step == 6)
    assert holds_only(notes[6], spans[last])
    assert flagged(notes, "repeated") == [6]
    assert "B4 was played twice: the last attempt counts" in recording["reason"]


def test_of_three_attempts_the_last_counts(tmp_path):
    recording, notes, spans = measured(tmp_path, with_again([Played(6, pause_s=0.2), Played(6, pause_s=0.4)]))
    assert holds_only(notes[6], spans[8])
    assert "B4 was played 3 times" in recording["reason"]


def test_a_stub_does_not_count(tmp_path):
    recording, notes, spans = measured(tmp_path, with_again([Played(6, pause_s=0.3, length_s=0.2)]))
    assert holds_only(notes[6], spans[6])
    assert "B4 was played twice: the longest attempt counts" in recording["reason"]


def test_before_a_missing_note_the_first_attempt_counts(tmp_path):
    """C5 comes out as B4 once more: what counts for B4 is what was played for it."""
    played = scale()
    played[7] = replace(played[7], semitones=-1)
    recording, notes, spans = measured(tmp_path, played)
    assert [note["step"] for note in notes] == [step for step in range(NOTES) if step != 7]
    assert holds_only(notes[6], spans[6])
    assert "notes not found: C5" in recording["reason"]


def test_a_hum_at_the_pitch_of_a_note_is_no_part_of_it(tmp_path):
    """It lies 16 dB under the notes, before the first and after the last, which have its pitch."""
    audio, spans = rendered(scale(), OBOE)
    hum = tone(LOWEST, len(audio) / RATE, OBOE) * 10 ** (-16 / 20)
    _, notes = measured_audio(tmp_path, audio + hum[: len(audio)])
    assert notes[0]["step"] == 0
    assert notes[0]["onset_s"] == pytest.approx(spans[0][0], abs=0.06)


def test_a_flawed_scale_before_a_good_one_is_a_take_of_its_own(tmp_path):
    flawed = [replace(one, semitones=(one.step in (3, 7, 10)) * -1) for one in scale()]
    good = scale()
    good[0] = replace(good[0], pause_s=1.0)
    recording, _, _ = measured(tmp_path, [*flawed, *good])
    assert recording["status"] == "set_aside"
    assert "the scale is in it 2 times" in recording["reason"]


@pytest.mark.parametrize("pause_s", [0.06, 0.3, 1.0])
def test_after_a_restart_the_last_attempt_of_each_note_counts(tmp_path, pause_s):
    again = scale(range(4, NOTES))
    again[0] = replace(again[0], pause_s=pause_s)
    recording, notes, spans = measured(tmp_path, [*scale(range(7)), *again])
    assert [note["step"] for note in notes] == list(range(NOTES))
    assert flagged(notes, "repeated") == [4, 5, 6]
    truth = [*spans[:4], *spans[7:]]
    assert all(holds_only(note, span) for note, span in zip(notes, truth, strict=True))
    assert recording["status"] == "warned"


@pytest.mark.parametrize("breaks_s", [0.1, 0.2])
def test_a_break_to_the_octave_is_no_part_of_the_note(tmp_path, breaks_s):
    played = scale()
    played[6] = replace(played[6], length_s=0.9, breaks_s=breaks_s)
    _, notes, spans = measured(tmp_path, played)
    # the steady part begins 60 ms after the onset at the earliest
    assert notes[6]["onset_s"] + 0.06 > sum(spans[6]) / 2 + breaks_s / 2
    assert holds_only(notes[6], spans[6])
    assert flagged(notes, "repeated") == [6]


@pytest.mark.parametrize("levels", [OBOE, FLUTE, CLARINET])
@pytest.mark.parametrize("step", [0, 6, NOTES - 1])
@pytest.mark.parametrize("cents", [-120, -75, 75, 120])
def test_a_note_far_off_its_place_is_told_with_its_cents(tmp_path, cents, step, levels):
    played = scale()
    played[step] = replace(played[step], cents=cents)
    recording, notes, spans = measured(tmp_path, played, levels)
    assert [note["step"] for note in notes] == list(range(NOTES))
    assert flagged(notes, "far_off") == [step]
    assert flagged(notes, "unsure") == []
    assert all(holds_only(note, span) for note, span in zip(notes, spans, strict=True))
    assert notes[step]["cents"] == pytest.approx(cents, abs=1)
    assert max(abs(note["cents"]) for note in notes if note["step"] != step) < 1
    assert "far off their places" in recording["reason"]


@pytest.mark.parametrize("semitones", [-1, 1])
def test_a_neighbour_in_its_place_is_not_the_note(tmp_path, semitones):
    played = scale()
    played[6] = replace(played[6], semitones=semitones)
    recording, notes, _ = measured(tmp_path, played)
    assert [note["step"] for note in notes] == [step for step in range(NOTES) if step != 6]
    assert flagged(notes, "repeated") == [6 + semitones]
    assert "notes not found: B4" in recording["reason"]


def test_a_note_held_through_the_next_one_s_time_is_unsure(tmp_path):
    played = scale()
    played[5] = replace(played[5], length_s=2 * played[5].length_s)
    del played[6]
    _, notes, _ = measured(tmp_path, played)
    assert flagged(notes, "unsure") == [5]


@pytest.mark.parametrize("semitones", [12, 19])
def test_a_note_with_traces_of_the_octave_below_is_not_that_octave(tmp_path, semitones):
    """What overblows sounds faintly between its harmonics: 25 dB down."""
    multiple = {12: 2, 19: 3}[semitones]
    levels = [(-3.0 if h % multiple == 0 else -30.0) - h for h in range(1, 13)]
    played = scale()
    audio, spans = rendered(played, FLUTE)
    start, stop = (round(time * RATE) for time in spans[6])
    audio[start:stop] = tone(LOWEST + 6, (stop - start) / RATE, levels)[: stop - start]
    soundfile.write(tmp_path / "audio.wav", audio, RATE, subtype="FLOAT")
    row = {
        "recording": "r", "instrument": "i", "session": "s", "take": 1, "dynamic": "mf", "articulation": "tongued",
        "direction": "up", "state": "as_found", "path": str(tmp_path / "audio.wav"), "channel": None,
        "start_s": None, "end_s": None,
        "pattern": "chromatic", "family": "flute", "families_dir": None, "low": LOWEST, "high": LOWEST + NOTES - 1,
        "notes": None, "tuning_hz": 440.0,
    }  # fmt: skip
    found = measure_recording(row)
    assert 6 not in [note["step"] for note in found.notes]
    assert "B4" in found.recording["reason"]


PRACTICE = {
    "a false start": [range(6), range(NOTES)],
    "broken off late, then whole": [range(12), range(NOTES)],
    "whole, then broken off late": [range(NOTES), range(12)],
    "bits before it": [range(7, 12), range(2, 8), range(NOTES)],
    "bits after it": [range(NOTES), range(3, 9), range(5, 11)],
}


@pytest.mark.parametrize("what", PRACTICE)
def test_only_whole_scales_are_passes(tmp_path, what):
    played = [
        replace(one, pause_s=1.0 if k == 0 else one.pause_s)
        for part in PRACTICE[what]
        for k, one in enumerate(scale(part))
    ]
    recording, notes, _ = measured(tmp_path, played)
    assert [note["step"] for note in notes] == list(range(NOTES))
    assert flagged(notes, "repeated") == []
    assert recording["notes_found"] == NOTES


@pytest.mark.parametrize("part", [range(NOTES), range(11)], ids=["whole", "each broken off"])
def test_several_takes_in_one_file_are_never_merged(tmp_path, part):
    played = [
        replace(one, pause_s=1.0 if k == 0 else one.pause_s) for _ in range(3) for k, one in enumerate(scale(part))
    ]
    recording, notes, spans = measured(tmp_path, played)
    assert (recording["status"], notes) == ("set_aside", [])
    assert "the scale is in it 3 times: give each take a row with its `start_s` and `end_s`" in recording["reason"]
    borders = [
        float(text) for text in recording["reason"].split("part at ")[1].removesuffix(" s of the file").split(", ")
    ]
    assert len(borders) == 2
    n = len(part)
    for k, border in enumerate(borders, 1):
        assert spans[k * n - 1][1] < border < spans[k * n][0]


def test_a_take_that_breaks_off_is_told_as_such(tmp_path):
    recording, notes, _ = measured(tmp_path, scale(range(11)))
    assert [note["step"] for note in notes] == list(range(11))
    assert recording["status"] == "warned"
    assert "breaks off after Eb5: 11 of 14 notes" in recording["reason"]
    assert "not found" not in recording["reason"]
