"""A gain that follows the playing is told from one that stands still, by notes in a room's noise."""

import numpy as np
import pytest

from evenbore.notes.edges import Edges
from evenbore.notes.note import measure_notes
from evenbore.recording.audio import signal_from_array
from tones import harmonic_tone

RATE = 48_000
PITCHES = 233.1 * 2 ** (np.arange(6) / 12)
LEAD_S, NOTE_S, GAP_S, TAIL_S = 1.5, 0.6, 0.05, 2.0
ONSETS = LEAD_S + (NOTE_S + GAP_S) * np.arange(len(PITCHES))


def take(snr_db, own_noise_db=-90.0, seed=0):
    """Notes of -20 dBFS with soft ends, each with noise of its own, in a room's noise; (n,)."""
    rng = np.random.default_rng(seed)
    x = np.zeros(round((ONSETS[-1] + NOTE_S + TAIL_S) * RATE))
    for onset, f0 in zip(ONSETS, PITCHES, strict=True):
        tone = 0.1 * harmonic_tone(f0, -6.0 * np.arange(10), NOTE_S, RATE)
        tone = tone + rng.normal(0, 0.1 * 10 ** (own_noise_db / 20), len(tone))
        ramp = np.clip(np.arange(len(tone)) / (0.02 * RATE), 0, 1)
        x[round(onset * RATE) :][: len(tone)] += tone * ramp * ramp[::-1]
    return x + rng.normal(0, 0.1 * 10 ** (-snr_db / 20), len(x))


def moved_gain(range_db, release_s, attack_s=0.01):
    """Gain (n,) that falls by range_db within each note and comes back with release_s."""
    gain, values = 0.0, []
    sounding = np.zeros(round((ONSETS[-1] + NOTE_S + TAIL_S) * 1000), bool)
    for onset in ONSETS:
        sounding[round(onset * 1000) : round((onset + NOTE_S) * 1000)] = True
    for sounds in sounding:
        gain += (-range_db - gain) * 0.001 / attack_s if sounds else -gain * 0.001 / release_s
        values.append(gain)
    return 10 ** (np.repeat(values, RATE // 1000) / 20)


def flagged(x, step=0.0):
    edges = Edges(
        ONSETS, ONSETS + NOTE_S, np.zeros(len(ONSETS), bool), np.full(len(ONSETS), np.nan), np.zeros(len(ONSETS), bool)
    )
    signal = signal_from_array(x, RATE)
    signal.step = step
    notes = measure_notes(signal, edges, PITCHES, PITCHES)
    flags = {"gain_moved" in row["flags"].split() for row in notes.rows}
    assert len(flags) == 1  # all notes or none
    return flags.pop()


@pytest.mark.parametrize("range_db", [6, 12])
@pytest.mark.parametrize("release_s", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("snr_db", [35, 55])
def test_automatic_gain_in_a_rooms_noise(range_db, release_s, snr_db):
    x = take(snr_db)
    assert not flagged(x)
    assert flagged(x * moved_gain(range_db, release_s))


@pytest.mark.parametrize("range_db", [3, 4])
@pytest.mark.parametrize("snr_db", [35, 55])
def test_a_small_gain_that_has_hardly_come_back_when_the_file_ends(range_db, snr_db):
    stop = round((ONSETS[-1] + NOTE_S + 0.8) * RATE)
    x = take(snr_db)
    assert not flagged(x[:stop])
    assert flagged((x * moved_gain(range_db, 2.0))[:stop])


@pytest.mark.parametrize("release_s", [1.0, 3.0])
def test_automatic_gain_where_notes_hiss_louder_than_the_room(release_s):
    """Then only what comes after the last note tells."""
    x = take(55, own_noise_db=-35.0)
    assert not flagged(x)
    assert flagged(x * moved_gain(10, release_s))


def test_a_second_of_silence_after_the_last_note_is_enough():
    """The file ends 0.8 s after the last note, begins half a second before the first."""
    x = take(55, own_noise_db=-35.0)
    end = round((ONSETS[-1] + NOTE_S + 0.8) * RATE)
    assert not flagged(x[:end])
    assert flagged((x * moved_gain(10, 2.0))[:end])


@pytest.mark.parametrize("seed", range(4))
def test_noise_that_changes_is_no_gain(seed):
    """A rustle before and after the notes: rising and falling, but not at all frequencies alike."""
    x = take(50, seed=seed)
    rng = np.random.default_rng(seed)
    rustle = np.cumsum(rng.normal(0, 3e-5, len(x)))
    rustle -= np.convolve(rustle, np.ones(480) / 480, "same")
    time = np.arange(len(x)) / RATE
    loud = (time < 0.7 * LEAD_S) | (time > time[-1] - 0.5)
    assert not flagged(x + rustle * loud)


def test_no_noise_no_evidence():
    """Digital silence around the notes tells nothing, and a loud note after a soft one is no gain."""
    x = take(200, own_noise_db=-200)
    assert not flagged(x)
    assert not flagged(x * np.where(np.arange(len(x)) > len(x) // 2, 2.0, 0.5))


def test_noise_under_the_rounding_tells_nothing():
    step = 2.0**-7
    assert not flagged(np.round(take(45) / step) * step, step)
