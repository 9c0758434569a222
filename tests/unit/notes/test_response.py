"""Attack, overshoot, settling and cracks on tones whose envelope and pitch are known by construction."""

import numpy as np
import pytest

from evenbore.notes.edges import Edges
from evenbore.notes.note import measure_notes
from evenbore.recording.audio import signal_from_array

RATE = 48_000
LEAD_S = 0.5
DRY_S = 0.05  # reverberation time


def measured(envelope, pitch_hz, levels_db=(0, -6, -10, -16, -20, -24), seconds=1.0, noise=1e-5, reverb_s=DRY_S):
    """The row of one note of `seconds` after LEAD_S of faint noise; `envelope` and `pitch_hz` are functions of time."""
    t = np.arange(round(seconds * RATE)) / RATE
    phase = 2 * np.pi * np.cumsum(pitch_hz(t)) / RATE
    tone = sum(10 ** (level / 20) * np.sin(h * phase) for h, level in enumerate(levels_db, 1)) * envelope(t) * 0.1
    x = np.random.default_rng(0).normal(0, noise, round((LEAD_S + seconds + 0.5) * RATE))
    start = round(LEAD_S * RATE)
    x[start : start + len(tone)] += tone
    edges = Edges(
        np.array([LEAD_S]), np.array([LEAD_S + seconds]), np.zeros(1, bool), np.full(1, np.nan), np.zeros(1, bool)
    )
    hz = np.array([float(pitch_hz(t)[len(t) // 2])])
    return measure_notes(signal_from_array(x, RATE), edges, hz, hz, reverb_s).rows[0]


def steady(hz):
    return lambda t: np.full(len(t), float(hz))


def flat(t):
    return np.ones(len(t))


@pytest.mark.parametrize("f0", [220.0, 440.0, 1000.0])
@pytest.mark.parametrize("length", [0.05, 0.1, 0.2])
def test_a_straight_rise_takes_eight_tenths_of_its_length(f0, length):
    row = measured(lambda t: np.minimum(t / length, 1), steady(f0))
    # the root mean square over two periods or more (6 ms at least) rounds the corners by a fraction of its width
    width = max(2 / f0, 0.006)
    assert row["attack_ms"] == pytest.approx(800 * length, abs=400 * width)
    assert row["log_attack"] == pytest.approx(np.log10(row["attack_ms"] / 1000))


@pytest.mark.parametrize(("reverb_s", "flag"), [(DRY_S, None), (0.6, "room_heard"), (float("nan"), "room_unknown")])
def test_times_that_a_room_may_hide_are_empty(reverb_s, flag):
    row = measured(lambda t: np.minimum(t / 0.05, 1), steady(440), reverb_s=reverb_s)
    assert (flag is None) == ("room" not in row["flags"]) and (flag or "") in row["flags"]
    assert np.isnan([row["settle_ms"], row["overshoot_db"]]).tolist() == [flag is not None] * 2


def test_overshoot():
    # to 1.5 times the steady amplitude for 50 ms: 20 lg 1.5 = 3.52 dB; a sudden fall would be missing samples
    row = measured(lambda t: np.minimum(t / 0.02, 1) * (1 + 0.5 * np.clip((0.08 - t) / 0.01, 0, 1)), steady(440))
    assert row["overshoot_db"] == pytest.approx(3.52, abs=0.1)
    assert measured(lambda t: np.minimum(t / 0.02, 1), steady(440))["overshoot_db"] == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("length", [0.1, 0.2, 0.3])
def test_settling_time(length):
    """50 cents flat at first, straight up to the pitch: within 10 cents after four fifths of the time."""
    row = measured(flat, lambda t: 440 * 2 ** (-50 / 1200 * np.maximum(1 - t / length, 0)))
    assert row["settle_ms"] == pytest.approx(800 * length, abs=20)


def test_a_tone_in_tune_from_the_start_is_settled_as_soon_as_can_be_known():
    assert measured(flat, steady(440))["settle_ms"] <= 20


@pytest.mark.parametrize(
    ("f0", "semitones"),
    [(f0, step) for f0 in (147.0, 440.0, 880.0) for step in (-12, 7, 12)] + [(440.0, -19), (880.0, -19)],
)
def test_a_cracked_note_is_flagged(f0, semitones):
    def pitch(t):
        return f0 * 2 ** (np.where(t < 0.06, semitones, 0) / 12)

    assert "cracked" in measured(lambda t: np.minimum(t / 0.02, 1), pitch)["flags"].split()


def test_a_crack_is_heard_in_a_short_note_and_behind_a_slow_beginning():
    def pitch(t):
        return 440 * 2 ** (np.where(t < 0.09, -12, 0) / 12)

    for rise_s in (0.01, 0.12):
        row = measured(lambda t, rise_s=rise_s: np.minimum(t / rise_s, 1), pitch, seconds=0.4)
        assert "cracked" in row["flags"].split()


def test_the_echo_of_the_note_before_is_no_crack():
    """A leap of a fifth, the old note still ringing 6 dB down when the new one begins to speak, slowly."""
    t = np.arange(RATE) / RATE
    old = sum(np.sin(2 * np.pi * 330 * h * t) / h for h in range(1, 6)) * 0.1
    new = sum(np.sin(2 * np.pi * 495 * h * t) / h for h in range(1, 6)) * 0.1 * np.minimum(t / 0.15, 1)
    ring = 0.5 * old * np.exp(-t / 0.15)
    x = np.concatenate([np.zeros(RATE // 2), old, new + ring, np.zeros(RATE // 2)])
    x += np.random.default_rng(0).normal(0, 1e-5, len(x))
    edges = Edges(np.array([0.5, 1.5]), np.array([1.5, 2.5]), np.zeros(2, bool), np.full(2, np.nan), np.zeros(2, bool))
    hz = np.array([330.0, 495.0])
    rows = measure_notes(signal_from_array(x, RATE), edges, hz, hz, DRY_S).rows
    assert not any("cracked" in row["flags"].split() for row in rows)


@pytest.mark.parametrize("f0", [58.27, 147.0, 440.0, 880.0])
@pytest.mark.parametrize("levels", [(0, -6, -10, -16, -20, -24), (0, -40, -3, -40, -8, -40), (-20, -40, 0, -40, -5)])
def test_a_sound_note_is_not(f0, levels):
    row = measured(lambda t: np.minimum(t / 0.03, 1), lambda t: f0 * 2 ** (-30 / 1200 * np.exp(-t / 0.03)), levels)
    assert "cracked" not in row["flags"].split()


def test_a_late_note_is_flagged_and_no_other():
    rng = np.random.default_rng(1)
    attack_s = rng.uniform(0.02, 0.035, 12)
    attack_s[7] = 0.2
    pause = np.zeros(RATE // 2)
    t = np.arange(RATE) / RATE
    tone = sum(np.sin(2 * np.pi * 440 * h * t) / h for h in range(1, 6)) * 0.1
    x = np.concatenate([part for length in attack_s for part in (pause, tone * np.minimum(t / length, 1))] + [pause])
    onset = 0.5 + 1.5 * np.arange(12)
    edges = Edges(onset, onset + 1.0, np.zeros(12, bool), np.full(12, np.nan), np.zeros(12, bool))
    signal = signal_from_array(x + rng.normal(0, 1e-5, len(x)), RATE)
    rows = measure_notes(signal, edges, np.full(12, 440.0), np.full(12, 440.0), DRY_S).rows
    assert ["late" in row["flags"].split() for row in rows] == [k == 7 for k in range(12)]


def test_an_attack_ends_where_the_level_first_comes_near():
    """To 95 % in 50 ms, down to 85 % after 0.1 s, and to the steady level only after 0.25 s: from 0.1 to 0.9 of a
    straight rise of 52.6 ms."""

    def level(t):
        return np.interp(t, [0, 0.05, 0.1, 0.25], [0, 0.95, 0.85, 1.0])

    row = measured(level, steady(440.0))
    assert row["attack_ms"] == pytest.approx(800 * 0.05 / 0.95, abs=6)


@pytest.mark.parametrize("semitones", [-12, 12])
def test_a_crack_before_the_onset_is_flagged(semitones):
    """The note's own spectrum shows only once the crack of 0.08 s is over: there the onset was found."""
    f0 = 440.0
    t = np.arange(round(0.8 * RATE)) / RATE
    phase = 2 * np.pi * np.cumsum(f0 * 2 ** (np.where(t < 0.08, semitones, 0) / 12)) / RATE
    tone = 0.1 * sum(np.sin(h * phase) / h for h in (1, 3, 5)) * np.minimum(t / 0.01, 1)
    x = np.concatenate([np.zeros(RATE // 2), tone, np.zeros(RATE // 2)])
    signal = signal_from_array(x + np.random.default_rng(0).normal(0, 1e-5, len(x)), RATE)
    edges = Edges(np.array([0.575]), np.array([1.3]), np.zeros(1, bool), np.full(1, np.nan), np.zeros(1, bool))
    row = measure_notes(signal, edges, np.array([f0]), np.array([f0]), DRY_S).rows[0]
    assert "cracked" in row["flags"].split()
