"""The air's noise in a note against tones whose noise is known by construction, in noisy and live rooms."""

import numpy as np
import pytest

from evenbore.notes.air import note_noise
from evenbore.notes.background import background
from evenbore.notes.edges import Edges
from evenbore.notes.note import measure_notes
from evenbore.notes.spectrum import analyse, harmonics
from evenbore.recording.audio import signal_from_array
from synth.room import Chain, room_noise
from synth.tones import Note, coloured_noise, render

RATE, FIRST_S, SECONDS, NOTES = 32_000, 0.8, 0.5, 12
LEVELS = -20.0 - 6.0 * np.log2(np.arange(1, 25))
TONE_DB = 10 * np.log10(np.sum(10 ** (LEVELS / 10)))


def breath(n, rng):
    """Noise of RMS 1 from 300 Hz to 5 kHz."""
    frequency = np.fft.rfftfreq(n, 1 / RATE)
    return coloured_noise(n, rng, ((frequency >= 300) & (frequency <= 5000)).astype(float))


def hnr(air_db, *how, **manner):
    """hnr_db of slurred notes from A3 up, with air so many dB under the tone as heard dry, and their flags."""
    rows = slurred(air_db, *how, **manner)
    return np.array([row["hnr_db"] for row in rows]), [row["flags"] for row in rows]


def slurred(
    air_db, background_db=-np.inf, room=None, vibrato_cents=0.0, jitter_cents=1.5, reverberant_db=-6.0, whine_db=-np.inf
):
    """The rows of these notes; `whine_db`: of two lines midway between harmonics, against the tone."""
    rng = np.random.default_rng(0)
    notes = [
        Note(FIRST_S + SECONDS * k, FIRST_S + SECONDS * (k + 1), 220.0 * 2 ** (k / 12), LEVELS,
             jitter_cents=jitter_cents, vibrato_cents=vibrato_cents)
        for k in range(NOTES)
    ]  # fmt: skip
    x, truth = render(notes, RATE, FIRST_S + SECONDS * NOTES + 0.8, [0.04] * (NOTES - 1), rng)
    # a full-scale sine has the power 1 here, so its mean square is a half
    air = breath(len(x), rng) * 10 ** ((TONE_DB + air_db) / 20) / np.sqrt(2)
    sounding = np.arange(len(x)) / RATE
    x += np.where((sounding >= FIRST_S) & (sounding <= FIRST_S + SECONDS * NOTES), air, 0.0)
    for one in truth:
        played = (sounding >= one.onset_s) & (sounding < one.offset_s)
        for order in (3.5, 6.5):
            line = np.sin(2 * np.pi * order * one.f0_hz * sounding[played])
            x[played] += 10 ** ((TONE_DB + whine_db) / 20) / np.sqrt(2) * line
    if room is not None:
        x = Chain(seed=3, rt60_s=room, reverberant_db=reverberant_db).record(x, RATE, rng)
    if np.isfinite(background_db):
        x = x + room_noise(len(x), RATE, TONE_DB + background_db, rng) / np.sqrt(2)
    onset, offset = (np.array([getattr(one, edge) for one in truth]) for edge in ("onset_s", "offset_s"))
    hz = np.array([one.f0_hz for one in truth])
    return measure_notes(
        signal_from_array(x + rng.normal(0, 1e-7, len(x)), RATE),
        Edges(onset, offset, np.arange(NOTES) > 0, np.full(NOTES, np.nan), np.zeros(NOTES, bool)), hz, hz,
        np.nan if room is None else room,
    ).rows  # fmt: skip


@pytest.mark.parametrize("air_db", [-10, -20, -30, -40, -50, -60])
def test_known_air(air_db):
    assert np.median(hnr(air_db, jitter_cents=0.0)[0]) == pytest.approx(-air_db, abs=0.7)


@pytest.mark.parametrize("air_db", [-30, -40, -50])
def test_the_wander_of_the_pitch_is_not_the_air(air_db):
    assert np.median(hnr(air_db, jitter_cents=1.5)[0]) == pytest.approx(-air_db, abs=1.0)


@pytest.mark.parametrize("air_db", [-20, -30, -40])
def test_the_background_is_not_the_air(air_db):
    """Noise of the room as loud as the air."""
    assert np.nanmedian(hnr(air_db, background_db=air_db)[0]) == pytest.approx(-air_db, abs=1.0)


@pytest.mark.parametrize("room", [0.4, 0.8])
def test_six_decibels_of_air_are_six_decibels_in_a_live_room(room):
    """Of what is told and not in doubt."""
    takes = [hnr(air_db, -40, room) for air_db in (-36, -30, -24)]
    told = np.array([np.where(["hnr_db" in flag for flag in flags], np.nan, value) for value, flags in takes])
    assert np.isfinite(told[1:]).mean() > 0.8
    assert np.nanmedian(np.diff(told, axis=0), axis=1) == pytest.approx([-6, -6], abs=1.0)


def test_noise_that_is_a_few_lines_is_as_uncertain_as_a_room_makes_a_line():
    flags = hnr(-60, room=0.4, whine_db=-30, reverberant_db=0.0)[1]
    assert all("hnr_db" in flag for flag in flags)


@pytest.mark.parametrize("air_db", [-30, -40])
def test_the_side_bands_of_a_vibrato_are_not_the_air(air_db):
    assert np.nanmedian(hnr(air_db, vibrato_cents=15.0)[0]) == pytest.approx(-air_db, abs=1.0)


def test_the_echo_of_the_note_before_is_not_the_air():
    """In a room as loud as the player it lies over the air; the room's own gain moves each tone by up to 5 dB."""
    value, flags = hnr(-40, -60, 1.2, reverberant_db=0.0)
    told = [one for one, flag in zip(value, flags, strict=True) if "hnr_db" not in flag and np.isfinite(one)]
    assert all(abs(one - 40) < 5.5 for one in told)


def test_air_that_the_background_hides_is_not_told():
    value, flags = hnr(-60, background_db=-30)
    assert np.isnan(value).mean() >= 0.9
    assert all("hnr_db" in flag for flag, one in zip(flags, value, strict=True) if np.isnan(one))


def test_a_gap_beyond_half_the_sample_rate():
    """Three harmonics lie under 0.45 of the rate, the middle of the gap above them beyond half of it."""
    rate, f0, sd = 22_050, 3300.0, 0.01
    rng = np.random.default_rng(5)
    x = 1e-5 * rng.standard_normal(3 * rate)
    x[rate : 2 * rate] += 0.2 * np.sin(2 * np.pi * f0 * np.arange(rate) / rate) + sd * rng.standard_normal(rate)
    signal = signal_from_array(x.astype(np.float32), rate)
    quiet = background(signal, np.array([1.0]), np.array([2.0]))
    spectrum = harmonics(analyse(signal.slice(round(1.1 * rate), round(1.9 * rate)), rate, f0), f0)
    (noise,), _ = note_noise(signal, [(1.0, 1.1, 1.9, 1.0)], [spectrum], 2000.0, quiet)
    expected = 2 * sd**2 * len(spectrum.number) * f0 / (rate / 2)  # white; a sine of amplitude 1 has power 1
    assert len(spectrum.number) == 3
    assert 10 * np.log10(noise[2] / expected) == pytest.approx(0, abs=0.5)


def one_note(change=lambda x: x, sd=1e-3, room=1e-6):
    """What `note_noise` tells of a second of 440 Hz with white noise, in a room's noise: powers and doubts, (3,)."""
    rate, f0 = 48_000, 440.0
    rng = np.random.default_rng(7)
    x = room * rng.standard_normal(3 * rate)
    x[rate : 2 * rate] += sum(0.05 * np.sin(2 * np.pi * h * f0 * np.arange(rate) / rate) for h in range(1, 15))
    x[rate : 2 * rate] += sd * rng.standard_normal(rate)
    signal = signal_from_array(change(x).astype(np.float32), rate)
    quiet = background(signal, np.array([1.0]), np.array([2.0]))
    spectrum = harmonics(analyse(signal.slice(round(1.1 * rate), round(1.9 * rate)), rate, f0), f0)
    power, doubt = note_noise(signal, [(1.0, 1.1, 1.9, 1.0)], [spectrum], 2000.0, quiet)
    return power[0], doubt[0]


@pytest.mark.parametrize("at_s", [1.4, 1.88])
def test_a_splice_within_a_note_is_not_the_air(at_s):
    """A hundred samples are left out: the tone's leap is spread over the spectrum, for as long as a window."""
    first = round(at_s * 48_000)
    whole, _ = one_note()
    spliced, _ = one_note(lambda x: np.delete(x, np.s_[first : first + 70]))
    assert 10 * np.log10(spliced / whole) == pytest.approx(0, abs=1.0)


def test_air_near_the_limit_of_what_can_be_told_is_in_doubt():
    """Noise of the room 12 dB over the air: what is left after it is taken off may be wrong by more than 3 dB."""
    assert not one_note()[1].any()
    power, doubt = one_note(sd=1e-4, room=4e-4)
    assert doubt[np.isfinite(power)].all()


def test_the_lines_of_the_notes_before_are_not_the_air():
    """In a lasting room eight decibels less of air are eight, and what is told is the air, as loud as the room makes it
    (ten times the logarithm of direct and reverberant power together over the direct)."""
    for air_db in (-34, -26):
        rows = [row for row in slurred(air_db, room=1.2, reverberant_db=-3.0) if "hnr_db" not in row["flags"]]
        off_db = [row["level_dbfs"] - row["hnr_db"] - TONE_DB - air_db for row in rows]
        assert np.isfinite(off_db).sum() >= NOTES / 3
        assert np.nanmedian(off_db) == pytest.approx(10 * np.log10(1 + 10**-0.3), abs=1.5)
