"""Missing samples: planted, they are found in the notes that they were planted in and nowhere else."""

import numpy as np
import pytest
import soundfile

from evenbore.facts.flags import read_flags
from evenbore.facts.measures import MEASURES
from evenbore.notes.breaks import is_broken
from evenbore.notes.edges import Edges
from evenbore.notes.note import measure_notes
from evenbore.recording.audio import open_signal, signal_from_array
from tones import LEAD_S, harmonic_tone

RATE = 48_000
LEVELS = -6.0 * np.arange(12)
NOTE_S = 0.8
TWO = np.array([233.1, 261.6])


def note(f0, noise=1e-4, seed=0):
    """A note with soft ends, in faint noise, LEAD_S of it before and after."""
    tone = 0.1 * harmonic_tone(f0, LEVELS, NOTE_S, RATE)
    ramp = np.clip(np.arange(len(tone)) / (0.02 * RATE), 0, 1)
    pause = np.zeros(round(LEAD_S * RATE))
    x = np.concatenate([pause, tone * ramp * ramp[::-1], pause])
    return x + np.random.default_rng(seed).normal(0, noise, len(x))


def broken(x, f0):
    return is_broken(signal_from_array(x, RATE), LEAD_S, LEAD_S + NOTE_S, f0)


PITCHES = [29.1, 58.3, 233.1, 932.3, 2093.0]


@pytest.mark.parametrize("f0", PITCHES)
@pytest.mark.parametrize("noise", [1e-5, 1e-3])
def test_a_whole_note_is_not_broken(f0, noise):
    assert not any(broken(note(f0, noise, seed), f0) for seed in range(5))


@pytest.mark.parametrize("f0", PITCHES)
@pytest.mark.parametrize("hz", [5000.0, 8000.0])
def test_a_key_that_clicks_is_no_break(f0, hz):
    """A click rings for some milliseconds, as all that a body or the air radiates."""
    x = note(f0)
    t = np.arange(round(0.02 * RATE)) / RATE
    click = np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.001) * (1 - np.exp(-t / 0.0003))
    first = round((LEAD_S + 0.1) * RATE)
    for level in (0.03, 0.1, 0.3):
        clicked = x.copy()
        clicked[first : first + len(t)] += level * click
        assert not broken(clicked, f0)


@pytest.mark.parametrize("f0", PITCHES)
@pytest.mark.parametrize("lost_ms", [5, 12, 40])
def test_silenced_samples(f0, lost_ms):
    x = note(f0)
    first = round((LEAD_S + 0.3) * RATE)
    x[first : first + round(lost_ms / 1000 * RATE)] = 0.0
    assert broken(x, f0)


@pytest.mark.parametrize("f0", PITCHES[1:-1])
def test_samples_left_out(f0):
    """A third of a period is missing: the course jumps. (Of a bright note near the top the jump is like its own.)"""
    x = note(f0)
    for start_s in np.linspace(0.2, 0.6, 5):
        first = round((LEAD_S + start_s) * RATE)
        assert broken(np.delete(x, slice(first, first + round(RATE / f0 / 3))), f0)


@pytest.mark.parametrize("f0", PITCHES)
@pytest.mark.parametrize("spoilt_ms", [6, 20, 45])
def test_noise_in_place_of_samples(f0, spoilt_ms):
    """As when a card or a copy gives other bytes; longer than the median around it follows."""
    x = note(f0)
    first = round((LEAD_S + 0.3) * RATE)
    size = round(spoilt_ms / 1000 * RATE)
    x[first : first + size] = np.random.default_rng(1).uniform(-1, 1, size)
    assert broken(x, f0)


def test_digital_silence_between_notes_is_none():
    x = note(233.1, noise=0.0)
    assert not broken(np.round(x * 2**15) / 2**15, 233.1)


def test_notes_that_a_gate_cuts_off_are_whole():
    """Nothing at all in every gap of the recording, the notes sounding at full level up to it."""
    pause = np.zeros(round(LEAD_S * RATE))
    parts = [np.append(0.1 * harmonic_tone(f0, LEVELS, NOTE_S, RATE), np.zeros(round(0.05 * RATE))) for f0 in TWO]
    signal = signal_from_array(np.concatenate([pause, *parts, pause]), RATE)
    onset = LEAD_S + (NOTE_S + 0.05) * np.arange(2)
    plain = np.full(2, np.nan), np.zeros(2, bool)
    edges = Edges(onset - 0.003, onset + NOTE_S, plain[1], *plain)  # found a little early
    assert not any("dropout" in row["flags"] for row in measure_notes(signal, edges, TWO, TWO).rows)


@pytest.mark.parametrize("f0", PITCHES)
def test_a_low_tone_without_noise_does_not_stand_still(f0):
    tone = 0.1 * np.sin(2 * np.pi * f0 * np.arange(round((2 * LEAD_S + NOTE_S) * RATE)) / RATE)
    assert not broken(tone.astype(np.float32), f0)


def test_coarse_rounding_is_no_break(tmp_path):
    soundfile.write(tmp_path / "take.wav", 0.3 * note(233.1), RATE, subtype="PCM_U8")
    with open_signal(tmp_path / "take.wav") as signal:
        assert not is_broken(signal, LEAD_S, LEAD_S + NOTE_S, 233.1)


def test_a_broken_note_is_flagged_and_not_measured():
    one, two = note(233.1), note(261.6)
    two[round((LEAD_S + 0.4) * RATE) :][:800] = 0.0
    x = np.concatenate([one, two])
    onset = np.array([LEAD_S, 3 * LEAD_S + NOTE_S])
    edges = Edges(onset, onset + NOTE_S, np.zeros(2, bool), np.full(2, np.nan), np.zeros(2, bool))
    hz = np.array([233.1, 261.6])
    notes = measure_notes(signal_from_array(x, RATE), edges, hz, hz)
    assert ["dropout" in row["flags"].split() for row in notes.rows] == [False, True]
    assert all(np.isnan(notes.rows[1][measure.name]) for measure in MEASURES)
    assert notes.spectra[1] is None and notes.bands[1] is None
    assert notes.rows[0]["f0_hz"] == pytest.approx(233.1, abs=0.05)


@pytest.mark.parametrize(("start_s", "stop_s"), [(0.0, 9.9), (0.15, 9.9), (0.0, 1.0), (0.15, 1.0)])
def test_cut_off_by_the_file(start_s, stop_s):
    """The file begins start_s after the onset's pause, or runs to stop_s."""
    cut_s = LEAD_S + start_s if start_s else 0.0
    x = note(233.1)[round(cut_s * RATE) : round(stop_s * RATE)]
    end_s = min(stop_s, LEAD_S + NOTE_S) - cut_s
    edges = Edges(
        np.array([max(LEAD_S - cut_s, 0.0)]),
        np.array([end_s]),
        np.zeros(1, bool),
        np.full(1, np.nan),
        np.zeros(1, bool),
    )
    row = measure_notes(signal_from_array(x, RATE), edges, np.array([233.1]), np.array([233.1])).rows[0]
    doubted = {measure for one in read_flags(row["flags"]) for measure in one.doubts}
    assert ({"level_dbfs", "attack_ms"} <= doubted) == (start_s > 0 or stop_s < 9)
    if start_s:
        assert np.isnan([row["attack_ms"], row["log_attack"], row["overshoot_db"], row["settle_ms"]]).all()
    assert row["cents"] == pytest.approx(0, abs=0.3)
