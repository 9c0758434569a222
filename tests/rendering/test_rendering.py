"""That the rendered sounds are what their truth says: a wrong truth would pass for an error of the program."""

from functools import partial

import numpy as np
import pytest

from rendering.dress import (
    in_room,
    playing_rms,
    speech,
    through_microphone,
    through_mp3,
    with_hum,
    with_noise,
    with_sound,
)
from rendering.models import play_model
from rendering.render import RATE, audible_span, note_hz, praat_pitch, steady_part, tongued_take, yin_pitch
from rendering.tones import odd_tones_take


def tone(hz, seconds=0.4, harmonics=12):
    time = np.arange(round(seconds * RATE)) / RATE
    orders = range(1, int(min(harmonics + 1, 15_000 // hz)))
    return sum(np.cos(2 * np.pi * hz * order * time + order**2) / order for order in orders)


@pytest.mark.parametrize("midi", [34, 49, 60, 72, 84, 96, 104])
def test_both_references_are_right_on_exact_tones(midi):
    hz = note_hz(midi + 0.073)
    for reference in (praat_pitch, yin_pitch):
        assert abs(1200 * np.log2(reference(tone(hz), midi) / hz)) <= 0.2


def test_audible_span_of_a_known_rise_and_fall():
    # Linear rise over 0.1 s and fall over 0.2 s: a tenth of the amplitude is −20 dB.
    time = np.arange(round(1.2 * RATE)) / RATE
    envelope = np.interp(time, [0.05, 0.15, 0.9, 1.1], [0, 1, 1, 0])
    first, last = audible_span(envelope * np.sin(2 * np.pi * 440 * time), held_s=0.9, midi=69)
    assert first == pytest.approx(0.06, abs=0.002)
    assert last == pytest.approx(1.08, abs=0.002)


@pytest.mark.parametrize("gap_s", [0.05, -0.02])
def test_odd_tones_have_the_pitch_and_the_weak_fundamental_they_claim(gap_s):
    take = odd_tones_take(list(range(34, 44)), fundamental_db=-30, gap_s=gap_s)
    for note in take.notes:
        first, last = (round(time * RATE) for time in steady_part(note.onset_s, note.offset_s))
        time = np.arange(first, last) / RATE
        window = np.hanning(last - first)
        sound = window * take.audio[first:last]
        turns = {order: np.exp(-2j * np.pi * order * note.hz * time) for order in (1, 2, 3)}
        level = {order: 20 * np.log10(abs(np.sum(sound * turn))) for order, turn in turns.items()}
        assert level[1] - level[3] == pytest.approx(-30, abs=0.5)
        assert level[2] - level[3] < -60
    assert all(a.offset_s <= b.onset_s + 2 / RATE for a, b in zip(take.notes, take.notes[1:], strict=False))


def test_room_dies_away_in_its_reverberation_time():
    click = np.zeros(RATE)
    click[0] = 1
    tail = in_room(click, rt60_s=0.6)[round(0.01 * RATE) :]
    # Schroeder 1965: the backward-integrated energy falls in a straight line.
    decay = 10 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1][: round(0.4 * RATE)])
    slope = np.polyfit(np.arange(len(decay)) / RATE, decay, 1)[0]
    assert -60 / slope == pytest.approx(0.6, rel=0.1)


def test_noise_and_hum_stand_as_far_below_the_playing_as_asked():
    sound = np.concatenate([np.zeros(RATE), tone(220, 2.0)])
    for added in (with_noise(sound, 15) - sound, with_hum(sound, -15) - sound):
        assert 20 * np.log10(playing_rms(sound) / np.sqrt(np.mean(added**2))) == pytest.approx(15, abs=0.1)


def test_microphone_lifts_its_peak_only():
    for hz, gain_db in ((1000, 0.1), (5000, 5.0)):
        sound = np.sin(2 * np.pi * hz * np.arange(RATE) / RATE)
        heard = through_microphone(sound)[RATE // 2 :]
        assert 20 * np.log10(np.sqrt(np.mean(heard**2)) * np.sqrt(2)) == pytest.approx(gain_db, abs=0.3)


def test_mp3_has_no_delay():
    click = np.zeros(RATE * 2)
    click[RATE] = 0.5
    back = through_mp3(click, 64)
    assert len(back) == len(click)
    assert abs(np.argmax(np.abs(back)) - RATE) <= 2


def test_a_sound_put_in_moves_later_notes_only():
    take = odd_tones_take([50, 51, 52], fundamental_db=-12)
    longer = with_sound(take, np.zeros(RATE), take.notes[1].note_on_s - 0.005)
    assert len(longer.audio) == len(take.audio) + RATE
    moved = [after.onset_s - before.onset_s for before, after in zip(take.notes, longer.notes, strict=True)]
    assert moved == pytest.approx([0, 1, 1])


def test_waveguide_clarinet_plays_the_notes_asked_for(require_program):
    require_program("csound")
    take = tongued_take(partial(play_model, "wgclar"), list(range(34, 60, 5)))
    assert max(abs(1200 * np.log2(note.hz / note_hz(note.midi))) for note in take.notes) <= 0.3
    assert all(note.exact for note in take.notes)


def test_speech_is_as_loud_as_asked_and_lasts_a_moment(require_program):
    require_program("espeak-ng")
    words = speech("take one", level=0.03)
    assert playing_rms(words) == pytest.approx(0.03)
    assert 0.3 <= len(words) / RATE <= 3
