"""Pitch from phases, on tones whose frequency is exact by construction."""

import numpy as np
import pytest
from scipy import signal

from evenbore.notes.pitch import measure_pitch
from evenbore.notes.spectrum import analyse, harmonics

RATE = 48_000


def tone(f0, levels_db, seconds=0.8, rate=RATE, snr_db=None, seed=0):
    t = np.arange(int(seconds * rate)) / rate
    x = sum(
        10 ** (level / 20) * np.sin(2 * np.pi * h * f0 * t + 1.7 * h * h)
        for h, level in enumerate(levels_db, 1)
        if np.isfinite(level) and h * f0 < 0.45 * rate
    )
    if snr_db is not None:
        noise = np.random.default_rng(seed).standard_normal(len(t))
        x = x + noise * np.sqrt(np.mean(x**2)) * 10 ** (-snr_db / 20)
    return (0.1 * x).astype(np.float32)


def off_by(x, f0, guess_cents, rate=RATE):
    guess = f0 * 2 ** (guess_cents / 1200)
    pitch = measure_pitch(analyse(x, rate, guess), guess)
    return 1200 * np.log2(pitch.f0_hz / f0), pitch


ODD_WEAK = np.where(np.arange(1, 16) % 2 == 1, -2.0 * np.arange(15), -np.inf)
ODD_WEAK[0] = -40.0


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000])
@pytest.mark.parametrize("f0", [29.14, 58.27, 146.83, 440.0, 1975.5, 4186.0])
@pytest.mark.parametrize("guess", [-14, 0, 14])
def test_exact_tones(f0, guess, rate):
    error, pitch = off_by(tone(f0, -3.0 * np.arange(20), rate=rate), f0, guess, rate)
    assert abs(error) < 0.01
    assert np.std(pitch.track_cents) < 0.05


@pytest.mark.parametrize("f0", [58.27, 146.83, 233.08])
def test_odd_harmonics_with_the_fundamental_40_db_down(f0):
    error, _ = off_by(tone(f0, ODD_WEAK, snr_db=40), f0, 10)
    assert abs(error) < 0.1


def test_noise_errors_are_small_and_the_standard_error_tells_them():
    results = [off_by(tone(220.0, -4.0 * np.arange(12), snr_db=20, seed=seed), 220.0, 5) for seed in range(40)]
    errors = np.array([error for error, _ in results])
    stated = np.array([pitch.se_cents for _, pitch in results])
    assert np.median(np.abs(errors)) < 0.3
    # the stated error is of the size of the true one, within a factor of two
    assert 0.5 < np.sqrt(np.mean(stated**2)) / np.sqrt(np.mean(errors**2)) < 2


def test_a_hum_line_beside_a_partial_does_not_pull():
    x = tone(146.83, -3.0 * np.arange(12))
    t = np.arange(len(x)) / RATE
    error, _ = off_by(x + 0.004 * np.sin(2 * np.pi * 150 * t).astype(np.float32), 146.83, 5)
    assert abs(error) < 0.3


def test_vibrato_shows_in_the_track_and_not_in_the_mean():
    t = np.arange(int(1.2 * RATE)) / RATE
    f0 = 300.0
    # depth 20 cents, six whole cycles
    phase = 2 * np.pi * np.cumsum(f0 * 2 ** (20 / 1200 * np.sin(2 * np.pi * 5 * t))) / RATE
    x = sum(np.sin(h * phase) / h for h in range(1, 8)).astype(np.float32) * 0.1
    error, pitch = off_by(x, f0, 0)
    assert abs(error) < 1.0
    assert np.std(pitch.track_cents) == pytest.approx(20 / np.sqrt(2), rel=0.1)


def test_the_standard_error_holds_what_a_wandering_player_leaves_open():
    # the pitch wanders around the player's own by 4 cents, forgotten within 40 ms (Ornstein and Uhlenbeck's process)
    rng, f0, keep, errors = np.random.default_rng(5), 261.6, np.exp(-1 / (0.04 * RATE)), []
    for _ in range(60):
        wander = 4 * signal.lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.standard_normal(RATE))
        phase = 2 * np.pi * np.cumsum(f0 * 2 ** (wander / 1200)) / RATE
        error, pitch = off_by(sum(np.sin(h * phase) / h for h in range(1, 8)).astype(np.float32) * 0.1, f0, 0)
        errors.append(error / pitch.se_cents)
    assert np.mean(np.abs(errors) <= 3) >= 0.88  # Student's t of 3 degrees of freedom: 0.94
    assert 0.5 < np.std(errors) < 2  # neither far too sure nor far too shy


def test_noise_alone_has_no_pitch():
    noise = np.random.default_rng(3).standard_normal(RATE).astype(np.float32) * 0.1
    pitch = measure_pitch(analyse(noise, RATE, 220.0), 220.0)
    assert pitch is None or pitch.se_cents > 1


def test_a_scrap_of_sound_is_too_short():
    assert analyse(tone(58.27, [0.0], seconds=0.05), RATE, 58.27) is None


@pytest.mark.parametrize("f0", [58.27, 146.83, 440.0, 1975.5])
def test_harmonic_levels(f0):
    levels = -3.0 * np.arange(8)
    found = harmonics(analyse(tone(f0, levels), RATE, f0), f0)
    known = found.level_db[:8]
    assert known == pytest.approx(levels[: len(known)] - 20, abs=0.05)
    assert np.nan_to_num(found.level_db[8:], nan=-200).max(initial=-200) < -130  # nothing was there


@pytest.mark.parametrize("depth_cents", [8, 30])
@pytest.mark.parametrize("f0", [110.0, 220.0, 440.0, 880.0])
def test_vibrato_takes_no_power_from_the_harmonics(f0, depth_cents):
    """A sine whose frequency goes up and down keeps its power (Carson 1922, Proc. IRE 10, 57): ten, alike strong."""
    t = np.arange(round(0.8 * RATE)) / RATE
    phase = 2 * np.pi * np.cumsum(f0 * 2 ** (depth_cents * np.sin(2 * np.pi * 5.5 * t) / 1200)) / RATE
    x = sum(0.03 * np.sin(h * phase + 1.7 * h * h) for h in range(1, 11))
    x += 1e-5 * np.random.default_rng(1).standard_normal(len(t))
    frames = analyse(x.astype(np.float32), RATE, f0)
    pitch = measure_pitch(frames, f0)
    found = harmonics(frames, pitch.f0_hz, float(np.std(pitch.track_cents)))
    assert found.level_db[:10] == pytest.approx(20 * np.log10(0.03), abs=0.6)
    assert 10 * np.log10(np.sum(10 ** (found.level_db[:10] / 10))) == pytest.approx(20 * np.log10(0.03) + 10, abs=0.3)


def test_noise_between_harmonics():
    """White noise of known power: the noise summed over all harmonics' slots is its power in that range."""
    f0, snr = 220.0, 20.0
    x = tone(f0, np.zeros(5), seconds=4.0, snr_db=snr)
    found = harmonics(analyse(x, RATE, f0), f0)
    signal = np.sum(10 ** (found.level_db[:5] / 10))
    share = len(found.number) * f0 / (RATE / 2)  # of the band that the harmonics' slots cover
    noise = np.sum(10 ** (found.noise_db / 10))
    assert 10 * np.log10(signal / noise) == pytest.approx(snr - 10 * np.log10(share), abs=0.5)
