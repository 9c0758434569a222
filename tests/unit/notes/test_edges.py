"""Onsets, offsets and slurs against the simulator's truth (−20 dB crossings, middles of glides)."""

import numpy as np
import pytest

from evenbore.notes.edges import refine
from evenbore.recording.audio import signal_from_array
from synth.room import Chain, room_noise
from synth.tones import Note, render

RATE = 24_000
LEVELS = -4.0 * np.arange(12)


def played(f0s, slur_s=None, gap_s=0.08, attack_s=0.025):
    notes = [
        Note(0.5 + 0.5 * i, 1.0 + 0.5 * i - (0 if slur_s else gap_s), f0, LEVELS - 20, attack_s=attack_s)
        for i, f0 in enumerate(f0s)
    ]
    slurs = None if slur_s is None else [slur_s] * (len(f0s) - 1)
    sound, truth = render(notes, RATE, 1.2 + 0.5 * len(f0s), slurs)
    noise = np.random.default_rng(0).normal(0, 1e-5, len(sound))
    return signal_from_array(sound + noise, RATE), truth


def refined(signal, truth, tongued, jitter_s=0.02):
    """Edges from first estimates that are off by up to `jitter_s`, as those of the search are."""
    wobble = np.random.default_rng(1).uniform(-jitter_s, jitter_s, (2, len(truth)))
    first = np.array([note.onset_s for note in truth]) + wobble[0]
    last = np.array([note.offset_s for note in truth]) + wobble[1]
    return refine(signal, first, last, np.array([note.f0_hz for note in truth]), np.full(len(truth), tongued))


@pytest.mark.parametrize("low", [58.27, 146.83, 440.0])
def test_tongued_notes(low):
    signal, truth = played(low * 2 ** (np.arange(6) / 12))
    edges = refined(signal, truth, tongued=True)
    assert edges.onset_s == pytest.approx([note.onset_s for note in truth], abs=0.020)
    assert edges.offset_s == pytest.approx([note.offset_s for note in truth], abs=0.020)
    assert not edges.slurred.any()


@pytest.mark.parametrize("low", [58.27, 146.83, 440.0])
def test_slurs(low):
    signal, truth = played(low * 2 ** (np.arange(6) / 12), slur_s=0.05)
    edges = refined(signal, truth, tongued=False)
    assert edges.onset_s == pytest.approx([note.onset_s for note in truth], abs=0.020)
    assert list(edges.slurred) == [False] + [True] * 5
    assert np.isfinite(edges.transition_s[1:]).all()


def test_a_longer_slur_takes_longer():
    times = []
    for slur_s in (0.03, 0.12):
        signal, truth = played(300 * 2 ** (np.arange(6) / 12), slur_s=slur_s)
        times.append(np.median(refined(signal, truth, tongued=False).transition_s[1:]))
    assert times[1] > times[0] + 0.02


@pytest.mark.parametrize("low", [146.83, 440.0])
@pytest.mark.parametrize("slur_s", [0.04, 0.08, 0.12])
def test_the_length_of_a_slur(low, slur_s):
    """A raised cosine goes from a tenth to nine tenths in 0.59 of its length (closed form)."""
    signal, truth = played(low * 2 ** (np.arange(6) / 12), slur_s=slur_s)
    times = refined(signal, truth, tongued=False, jitter_s=0.005).transition_s[1:]
    assert np.median(times) == pytest.approx(0.5903 * slur_s, abs=0.010)


def test_a_gap_in_a_scale_said_to_be_slurred_is_seen():
    signal, truth = played(300 * 2 ** (np.arange(6) / 12))
    edges = refined(signal, truth, tongued=False)
    assert not edges.slurred.any()
    assert edges.onset_s == pytest.approx([note.onset_s for note in truth], abs=0.020)


def test_a_slow_attack_begins_where_it_becomes_audible():
    signal, truth = played(300 * 2 ** (np.arange(4) / 12), attack_s=0.12)
    edges = refined(signal, truth, tongued=True)
    assert edges.onset_s == pytest.approx([note.onset_s for note in truth], abs=0.025)


@pytest.mark.parametrize("low", [110.0, 220.0])
@pytest.mark.parametrize("seed", [0, 1])
def test_noise_that_wavers_before_a_note_does_not_begin_it(low, seed):
    """The noise of a room, most of it low, 15 dB under the notes."""
    signal, truth = played(low * 2 ** (np.arange(10) / 12))
    x = signal.slice(0, signal.frames).astype(float)
    rms = np.sqrt(np.mean(x[round(0.6 * RATE) : round(5.3 * RATE)] ** 2))
    noise = room_noise(len(x), RATE, 20 * np.log10(rms) - 15, np.random.default_rng(seed))
    edges = refined(signal_from_array(x + noise, RATE), truth, tongued=True)
    assert edges.onset_s == pytest.approx([note.onset_s for note in truth], abs=0.030)


@pytest.mark.parametrize("seed", range(4))
def test_slurs_in_a_live_room(seed):
    """A room that rings for 1.2 s, as loud as the player: at most 60 ms off."""
    notes = [Note(0.5 + 0.5 * i, 1.0 + 0.5 * i, 196.0 * 2 ** (i / 12), LEVELS - 20) for i in range(14)]
    sound, truth = render(notes, RATE, 8.5, [0.04] * 13)
    rng = np.random.default_rng(seed)
    heard = Chain(seed=seed, rt60_s=1.2, reverberant_db=0.0).record(sound, RATE, rng)
    edges = refined(signal_from_array(heard + rng.normal(0, 1e-5, len(heard)), RATE), truth, tongued=False)
    error = edges.onset_s[1:] - [note.onset_s for note in truth[1:]]
    assert np.abs(error).max() <= 0.06


def test_where_a_note_is_slurred_to_its_own_pitch_cannot_be_told():
    signal, truth = played([440.0] * 2, slur_s=0.03)
    assert refined(signal, truth, tongued=False).vague.tolist() == [False, True]


def test_a_note_that_begins_softly_and_swells_only_later():
    """After a rest it stands at a sixth of its amplitude for 0.25 s, duller than later: there it has begun."""
    time = np.arange(round(3.0 * RATE)) / RATE
    sound = np.random.default_rng(0).normal(0, 1e-5, len(time))
    f0_hz = np.array([220.0, 247.0])
    for onset_s, hz in zip((0.5, 1.9), f0_hz, strict=True):
        since = time - onset_s
        soft = np.clip(since / 0.03, 0, 1) * (since < 1.0)
        full = soft * np.clip((since - 0.25) / 0.2, 0, 1)
        for order in range(1, 9):
            loud = (0.2 if order <= 2 else 0.0) * soft + full
            sound += 0.05 / order * loud * np.sin(2 * np.pi * order * hz * time)
    first_s, last_s = np.array([0.72, 2.12]), np.array([1.49, 2.89])  # where the search finds it loud enough
    edges = refine(signal_from_array(sound, RATE), first_s, last_s, f0_hz, np.full(2, True))
    assert edges.onset_s == pytest.approx([0.53, 1.93], abs=0.03)
