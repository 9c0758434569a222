"""Attack times in rooms: tones whose rise is known by construction, echoes of known strength put over them."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from evenbore.notes.edges import Edges
from evenbore.notes.note import measure_notes
from evenbore.recording.audio import signal_from_array
from synth.room import room_response
from synth.tones import Note, render

RATE = 44_100
LEVELS = -4.0 * np.log2(np.arange(1, 31))
SECONDS, GAP_S, LEAD_S = 0.5, 0.045, 0.5


def scale(attacks_s, reverb_s, reverberant_db, seed, lowest_hz=220.0):
    """Rows of a tongued scale of semitones in a room, one attack (10 % to 90 %) for each."""
    onset = LEAD_S + SECONDS * np.arange(len(attacks_s))
    hz = lowest_hz * 2 ** (np.arange(len(attacks_s)) / 12)
    notes = [
        Note(start, start + SECONDS - GAP_S, f0, LEVELS - 30, attack_s=attack, upper_delay_s=0.0)
        for start, f0, attack in zip(onset, hz, attacks_s, strict=True)
    ]
    sound, truths = render(notes, RATE, onset[-1] + SECONDS + 0.5)
    rng = np.random.default_rng(seed)
    if reverb_s:
        sound = fftconvolve(sound, room_response(RATE, reverb_s, reverberant_db, rng))[: len(sound)]
    signal = signal_from_array(sound + rng.normal(0, 1e-5, len(sound)), RATE)
    starts, stops = (np.array([getattr(truth, edge) for truth in truths]) for edge in ("onset_s", "offset_s"))
    edges = Edges(starts, stops, np.zeros(len(notes), bool), np.full(len(notes), np.nan), np.zeros(len(notes), bool))
    return measure_notes(signal, edges, hz, hz, reverb_s).rows


def scales(reverb_s, reverberant_db, lowest_hz=220.0, seeds=4):
    """True and measured attack in ms of many notes, (N,) each."""
    true, measured = [], []
    for seed in range(seeds):
        attacks = np.exp(np.random.default_rng(100 + seed).uniform(np.log(0.015), np.log(0.15), 12))
        true += (1000 * attacks).tolist()
        measured += [row["attack_ms"] for row in scale(attacks, reverb_s, reverberant_db, seed, lowest_hz)]
    return np.array(true), np.array(measured)


@pytest.mark.parametrize("lowest_hz", [110.0, 440.0])
@pytest.mark.parametrize(
    ("reverb_s", "reverberant_db", "least_measured", "least_correlation"),
    [(0.45, -6.0, 0.9, 0.97), (0.9, -3.5, 0.6, 0.95)],
)
def test_a_room_hardly_moves_the_attack(reverb_s, reverberant_db, least_measured, least_correlation, lowest_hz):
    true, measured = scales(reverb_s, reverberant_db, lowest_hz)
    known = np.isfinite(measured)
    assert known.mean() >= least_measured
    assert np.corrcoef(true[known], measured[known])[0, 1] >= least_correlation
    assert abs(np.median(np.log(measured / true)[known])) <= 0.1


def test_what_a_very_live_room_hides_is_empty_and_said():
    attacks = np.full(12, 0.05)
    rows = scale(attacks, 2.0, 6.0, 0)
    hidden = ["attack_hidden" in row["flags"].split() for row in rows]
    assert hidden == [bool(np.isnan(row["attack_ms"])) for row in rows]
    assert sum(hidden) >= 6
    assert all(np.isnan(row["overshoot_db"]) for row in rows)


@pytest.mark.parametrize("reverb_s", [0.0, 0.45])
def test_a_swell_that_is_not_seen_whole_is_empty_or_right(reverb_s):
    """Rises of 0.15 to 0.25 s in a note of 0.45 s: right within 30 ms, or empty and flagged."""
    attacks = np.linspace(0.15, 0.25, 10)
    for row, attack in zip(scale(attacks, reverb_s, -6.0, 3), attacks, strict=True):
        assert np.isnan(row["attack_ms"]) or row["attack_ms"] == pytest.approx(1000 * attack, abs=30)
        assert np.isnan(row["attack_ms"]) == ("attack_hidden" in row["flags"].split())


def test_nothing_is_hidden_where_no_room_is_heard():
    rows = scale(np.full(6, 0.05), 0.0, -99.0, 0)
    assert [row["attack_ms"] for row in rows] == pytest.approx([50.0] * 6, abs=2.5)
    assert not any("attack_hidden" in row["flags"].split() for row in rows)
