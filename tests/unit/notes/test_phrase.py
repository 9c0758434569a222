"""Notes of free playing from tones whose notes are known, and what is no playing by one instrument."""

import numpy as np
import pytest

from evenbore.notes.evidence import gather
from evenbore.notes.phrase import find_notes, no_notes, no_single_voice
from evenbore.recording.audio import signal_from_array

RATE = 44_100
LOW, HIGH = 55, 84
REST = None
# the opening of a folk song in the public domain, from memory, with repeated notes, a leap and a rest
TUNE = [60, 60, 67, 67, 69, 69, 67, REST, 65, 65, 64, 64, 62, 62, 60]


def tone(midi, seconds, cents=0.0, vibrato=0.0):
    time = np.arange(round(seconds * RATE)) / RATE
    bent = cents + vibrato * np.sin(2 * np.pi * 5.5 * time)
    phase = 2 * np.pi * np.cumsum(440 * 2 ** ((midi - 69 + bent / 100) / 12)) / RATE
    sound = sum(np.sin(order * phase) / order for order in range(1, 9))
    ramp = np.minimum(1, np.minimum(np.arange(time.size), np.arange(time.size)[::-1]) / (0.01 * RATE))
    return 0.1 * sound * ramp


def play(tune, seconds=0.4, gap=0.05, **how):
    """The sound, and (midi, onset) of every note; a rest is as long as a note."""
    pieces, truth, at = [np.zeros(RATE // 2)], [], 0.5
    for midi in tune:
        sound = np.zeros(round(seconds * RATE)) if midi is REST else tone(midi, seconds, **how)
        truth += [] if midi is REST else [(midi, at)]
        pieces += [sound, np.zeros(round(gap * RATE))]
        at += len(sound) / RATE + len(pieces[-1]) / RATE
    sound = np.concatenate([*pieces, np.zeros(RATE // 2)])
    return sound + 1e-5 * np.random.default_rng(1).standard_normal(sound.size), truth


def found(sound):
    signal = signal_from_array(sound.astype(np.float32), RATE)
    evidence = gather(signal, LOW, HIGH, free=True)
    return find_notes(signal, evidence, LOW, HIGH, 440.0), evidence


@pytest.mark.parametrize("how", [{}, {"cents": 35.0}, {"vibrato": 25.0}])
def test_every_note_is_found_repeated_ones_too(how):
    sound, truth = play(TUNE, **how)
    phrase, evidence = found(sound)
    assert phrase.midi.tolist() == [midi for midi, _ in truth]
    assert phrase.begin_s == pytest.approx([onset for _, onset in truth], abs=0.06)
    assert no_notes(phrase) == no_single_voice(phrase, evidence, []) == ""
    assert phrase.again.tolist() == [k > 0 and truth[k][0] == truth[k - 1][0] for k in range(len(truth))]


def test_the_offset_of_the_whole_is_told():
    phrase, _ = found(play(TUNE, cents=-30.0)[0])
    assert phrase.offset_cents == pytest.approx(-30, abs=10)  # half a step of the grid of pitches


def test_vibrato_is_not_a_row_of_short_notes():
    phrase, _ = found(play([64, 62, 60], seconds=1.5, gap=0.0, vibrato=30.0)[0])
    assert phrase.midi.tolist() == [64, 62, 60]


def test_two_players_and_applause_are_refused():
    one, other = play(TUNE)[0], play([midi and midi + 3 for midi in TUNE[3:] + TUNE[:3]], seconds=0.33)[0]
    size = min(one.size, other.size)
    assert "more than one voice" in no_single_voice(*found(one[:size] + other[:size]), [])
    rng = np.random.default_rng(2)
    claps = np.zeros(6 * RATE)
    for at in rng.integers(0, claps.size - 2000, 900):
        claps[at : at + 2000] += 0.05 * rng.standard_normal(2000) * np.exp(-np.arange(2000) / 300)
    assert "hardly any note" in no_notes(found(claps)[0])
