"""That the truth of a scenario is what sounds, and that the score counts what is wrong: worked out by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from evenbore.facts.flags import FLAGS
from rendering.render import RATE, note_hz

from . import files
from .play import Other, Played, Stroke, Truth, perform
from .score import MARKED, MEASURES, in_doubt, score
from .sounds import HELD_S, HOP_S, Voice
from .tables import confidence_bars, reliability

LEVEL_DB = 20 * math.log10(0.1 / math.sqrt(2))


def voice(midi, cents=0.0):
    """A sine of amplitude 0.1 with 0.1 s of silence before it."""
    time = np.arange(round(HELD_S * RATE)) / RATE
    sound = 0.1 * np.sin(2 * np.pi * note_hz(midi + cents / 100) * time) * (time >= 0.1)
    return Voice(midi, sound.astype(np.float32), np.full(round(HELD_S / HOP_S), cents), 0.1)


BANK = {midi: voice(midi, 3.0) for midi in range(60, 85)}
NOTE = Truth(69, 1.0, 1.5, 440.0, -20.0, 40.0, (0,), 1)
RIGHT = {
    "step": 0,
    "midi": 69,
    "onset_s": 1.0,
    "offset_s": 1.5,
    "confidence": 0.9,
    "f0_hz": 440.0,
    "f0_se_cents": 0.1,
    "level_dbfs": -20.0,
    "attack_ms": 40.0,
    "hnr_db": 30.0,
    "noise_high_db": -40.0,
    "flags": "",
}


def hz_of(sound):
    """Frequency of a long sine: the greatest of its finely sampled spectrum."""
    size = 1 << 20
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
    return np.argmax(spectrum) * RATE / size


def part(take, note):
    return take.audio[round((note.onset_s + 0.1) * RATE) : round((note.offset_s - 0.1) * RATE)]


@pytest.mark.parametrize("change", [{}, {"cents": 75.0}, {"cents": -30.0, "rise_s": 0.05}, {"gain_db": -6.0}])
def test_what_sounds_is_what_the_truth_says(change):
    take = perform([Stroke(60, 0.8), Stroke(72, 0.8, **change)], BANK, seed=1)
    for note in take.notes:
        body = part(take, note)
        assert 1200 * math.log2(hz_of(body) / note.hz) == pytest.approx(0, abs=0.5)
        assert 10 * math.log10(np.mean(body**2)) == pytest.approx(note.level_db, abs=0.1)
    assert 1200 * math.log2(take.notes[1].hz / note_hz(72)) == pytest.approx(3 + change.get("cents", 0), abs=0.01)


def test_strokes_follow_one_another_as_asked():
    take = perform([Stroke(60, 0.5), Other(np.ones(RATE), 0.2), Stroke(62, 0.5, gap_s=0.3)], BANK, seed=1)
    # 0.55 s of silence, the note, 0.2 s, one second of something else, 0.3 s; a voice begins 20 ms into its stroke
    assert [note.onset_s for note in take.notes] == pytest.approx([0.57, 2.57], abs=0.005)
    assert take.audio[round(1.75 * RATE)] == 1


def test_a_planted_rise_takes_as_long_as_a_raised_cosine_does():
    take = perform([Stroke(72, 0.9, rise_s=0.2)], BANK, seed=1)
    # arccos(0.8) / pi and arccos(-0.8) / pi of the rise; windows of two periods widen that a little
    assert take.notes[0].attack_ms == pytest.approx(200 * 0.5903, abs=3)


def test_what_is_cut_out_moves_the_rest():
    take = perform([Stroke(60, 0.5), Stroke(62, 0.5)], BANK, seed=1)
    shorter = files.late_start(take, np.random.default_rng(0))
    lost = (len(take.audio) - len(shorter.audio)) / RATE
    assert shorter.notes[0].onset_s == 0
    assert shorter.notes[0].attack_ms == math.inf
    assert shorter.notes[1].onset_s == pytest.approx(take.notes[1].onset_s - lost, abs=1e-4)


@pytest.mark.parametrize("form", ["mp3 64", "opus 32", "aac 64"])
def test_coders_keep_the_time(form, tmp_path):
    from evenbore.recording.audio import open_signal

    click = np.zeros(2 * RATE)
    click[RATE : RATE + 480] = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(480) / RATE)
    with open_signal(files.write(Played(click, ()), tmp_path, form)) as signal:
        heard = signal.slice(0, signal.frames)
    assert np.argmax(np.abs(heard)) / signal.rate == pytest.approx(1.005, abs=0.01)


def test_a_right_note_is_right():
    result = score((NOTE,), [RIGHT], [RIGHT])
    assert (result.wrong_notes, result.missed, result.confidence) == (0, 0, [(0.9, 1, 0)])


def test_a_recording_that_makes_all_louder_leaves_the_noise_right():
    quieter = RIGHT | {"level_dbfs": -26.0}
    assert score((NOTE,), [RIGHT], [quieter], 6.0).wrong_notes == 0
    assert score((NOTE,), [RIGHT], [quieter]).silent["noise"] == 1


def test_what_a_recording_does_to_a_lasting_noise_is_known():
    noise = Played(0.1 * np.random.default_rng(1).standard_normal(4 * RATE), (NOTE,))
    for change in (files.room(0.5), files.overdriven, files.opposite, files.automatic_gain):
        changed = files.fitting(change(noise, np.random.default_rng(2)))
        lasting = changed.audio[2 * RATE :], noise.audio[2 * RATE :]
        after, before = (10 * math.log10(np.mean(x**2)) for x in lasting)
        clipped_away_db = 0.3 if change is files.overdriven else 0.0
        assert after - before == pytest.approx(changed.louder_db - clipped_away_db, abs=0.3)


def test_a_room_that_weakens_one_tone_leaves_its_noise_right():
    truth = tuple(replace(NOTE, onset_s=k + 1.0, offset_s=k + 1.5, steps=(k,)) for k in range(3))
    rows = [RIGHT | {"step": k, "onset_s": k + 1.0, "offset_s": k + 1.5} for k in range(3)]
    weaker = {"level_dbfs": -25.0, "hnr_db": 25.0, "noise_high_db": -35.0, "flags": "gain_moved"}
    assert score(truth, [rows[0], rows[1] | weaker, rows[2]], rows).wrong["noise"] == 0


WRONG = {
    "label": {"midi": 70},
    "pitch": {"f0_hz": 440 * 2 ** (26 / 1200)},
    "attack": {"attack_ms": 71.0},
    "onset": {"onset_s": 0.93},
    "noise": {"hnr_db": 26.0},
    "high noise": {"noise_high_db": -44.0},
}


@pytest.mark.parametrize("measure", WRONG)
def test_each_measure_that_is_off_is_counted(measure):
    result = score((NOTE,), [RIGHT | WRONG[measure]], [RIGHT])
    assert [name for name, count in result.silent.items() if count] == [measure]
    assert (result.wrong_notes, result.silent_notes) == (1, 1)


def test_a_note_over_two_others_is_no_note():
    second = replace(NOTE, midi=70, onset_s=1.5, offset_s=2.0)
    assert score((NOTE, second), [RIGHT | {"offset_s": 2.0}]).silent["label"] == 1


def test_levels_count_beside_the_take_s_own():
    truth = tuple(replace(NOTE, onset_s=k + 1.0, offset_s=k + 1.5, steps=(k,)) for k in range(3))
    rows = [RIGHT | {"step": k, "onset_s": k + 1.0, "offset_s": k + 1.5, "level_dbfs": -26.0} for k in range(3)]
    rows[1] |= {"level_dbfs": -28.5}
    assert score(truth, rows).silent["level"] == 1


@pytest.mark.parametrize("row", [{"confidence": 0.4}, {"flags": "unsure"}, {"flags": "slurred noise_limited:f0_hz"}])
def test_what_is_in_doubt_is_not_silent(row):
    result = score((NOTE,), [RIGHT | WRONG["pitch"] | row])
    assert (result.wrong_notes, result.silent_notes) == (1, 0)


def test_an_empty_value_is_not_wrong():
    empty = dict.fromkeys(("f0_hz", "level_dbfs", "attack_ms", "hnr_db", "noise_high_db"), math.nan)
    assert score((NOTE,), [RIGHT | empty], [RIGHT]).wrong_notes == 0


def test_what_nothing_was_found_of_is_missed():
    assert score((NOTE,), []).missed == 1


def test_flags_without_doubts_excuse_nothing():
    assert in_doubt("slurred late noisy") == set()


def test_flags_excuse_what_the_program_leaves_out_for_them():
    assert in_doubt("gain_moved") == {"level", "attack", "noise", "high noise"}
    assert in_doubt("noise_limited:hnr_db") == {"noise"}
    assert in_doubt("unsure") == set(MEASURES)


def test_marks_are_flags():
    assert set(MARKED) <= set(FLAGS)


def test_confidence_is_held_against_what_was_right():
    notes = [(0.99, 1, 0)] * 3 + [(0.97, 0, 1), (0.3, 0, 0), (0.6, 0, 0), (0.2, 1, 0)]
    assert "4 notes above 0.95: 75.00 % right, they are 75.0 % of all right ones" in confidence_bars(notes)
    assert "2 of 3 wrong ones below 0.5 or flagged; 1 of 4 right ones below 0.5" in confidence_bars(notes)
    assert "| 0.2 to 0.5 | 2 | 0.2500 | 0.5000 | 1 | 0 |" in reliability(notes)


def test_a_wrong_note_with_a_doubted_pitch_counts_as_flagged():
    assert score((NOTE,), [RIGHT | {"midi": 70, "flags": "unsteady"}]).confidence == [(0.9, 0, 1)]


def test_a_note_slurred_to_itself_is_one_note():
    take = perform([Stroke(60, 0.5, steps=(0,)), Stroke(60, 0.5, slurred=True), Stroke(62, 0.5)], BANK, seed=1)
    assert [note.midi for note in take.notes] == [60, 62]
    assert take.notes[0].offset_s - take.notes[0].onset_s == pytest.approx(0.93, abs=0.03)


def test_a_voice_that_glides_has_no_one_pitch():
    gliding = replace(BANK[60], cents=np.linspace(-200, 200, len(BANK[60].cents)))
    take = perform(
        [Stroke(60, 0.8), Stroke(62, 0.8, drift_cents=40.0, vibrato_cents=30.0)], BANK | {60: gliding}, seed=1
    )
    assert math.isnan(take.notes[0].hz)
    assert 1200 * math.log2(take.notes[1].hz / note_hz(62)) == pytest.approx(3, abs=3)
