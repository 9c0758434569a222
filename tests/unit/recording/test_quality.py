"""Quality measures on synthetic recordings whose noise, hum and room are known by construction."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from evenbore.recording.audio import signal_from_array
from evenbore.recording.clipping import ClipMeter
from evenbore.recording.quality import advice, hum_db, lufs, noise_db, quiet_parts, reverb_s, snr_db
from synth.room import room_response

RATE = 48_000
SPANS = [(2.0, 3.0), (4.5, 5.5), (7.0, 8.0)]
SECONDS = 10.0


def tone_take(seed=0, noise=0.0, amplitude=0.1, rate=RATE):
    """Three notes with long gaps, over white noise of the given standard deviation."""
    t = np.arange(round(SECONDS * rate)) / rate
    rng = np.random.default_rng(seed)
    sounding = sum((t >= on) & (t < off) for on, off in SPANS)
    return amplitude * np.sin(2 * np.pi * 440 * t) * sounding + noise * rng.normal(size=len(t))


def test_quiet_parts_leave_room_around_the_notes():
    parts = quiet_parts(signal_from_array(tone_take(), RATE), SPANS)
    expected = [(0.0, 1.9), (3.4, 4.4), (5.9, 6.9), (8.4, 10.0)]
    assert np.array(parts) / RATE == pytest.approx(np.array(expected))


def test_noise_and_snr_are_those_put_in():
    signal = signal_from_array(tone_take(noise=0.001), RATE)
    assert noise_db(signal, SPANS) == pytest.approx(-60.0, abs=0.3)
    # power of the sine 0.1**2 / 2 over noise power 1e-6
    assert snr_db(signal, SPANS) == pytest.approx(10 * np.log10(5e-3 / 1e-6), abs=0.3)


def test_noise_is_not_fooled_by_an_offset_or_a_click():
    samples = tone_take(noise=0.001) + 0.2
    samples[48_000] += 0.5
    assert noise_db(signal_from_array(samples, RATE), SPANS) == pytest.approx(-60.0, abs=0.3)


@pytest.mark.parametrize("measure", [noise_db, snr_db, hum_db, reverb_s])
def test_nothing_quiet_is_not_measurable(measure):
    signal = signal_from_array(tone_take(noise=0.001), RATE)
    assert np.isnan(measure(signal, [(0.0, SECONDS)]))
    assert np.isnan(measure(signal, []))


def test_digital_silence_between_notes_gives_no_ratio():
    signal = signal_from_array(tone_take(), RATE)
    assert np.isnan(snr_db(signal, SPANS))
    assert np.isnan(hum_db(signal, SPANS))


def tones(f0, amplitudes, rate=RATE):
    """Harmonics of f0 as long as a take."""
    t = np.arange(round(SECONDS * rate)) / rate
    return sum(a * np.sin(2 * np.pi * h * f0 * t + h) for h, a in enumerate(amplitudes, start=1))


@pytest.mark.parametrize("mains", [50, 59.93, 60])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_hum_over_the_noise(mains, rate):
    amplitudes, noise = (4e-4, 6e-4, 4e-4), 0.002
    signal = signal_from_array(tone_take(noise=noise, rate=rate) + tones(mains, amplitudes, rate), rate)
    # In eight bands of 8 Hz; the noise is white up to half the rate.
    noise_power = noise**2 / (rate / 2) * 8 * 8.0
    expected = 10 * np.log10(1 + sum(a**2 / 2 for a in amplitudes) / noise_power)
    assert hum_db(signal, SPANS) == pytest.approx(expected, abs=1.0)


def test_hum_that_drowns_the_noise_is_capped():
    assert hum_db(signal_from_array(tone_take(noise=1e-6) + tones(50, (0.05,) * 6), RATE), SPANS) == 60.0


def test_hum_on_digital_silence_has_no_noise_to_stand_out_of():
    assert np.isnan(hum_db(signal_from_array(tone_take() + tones(50, (1e-3,) * 3), RATE), SPANS))


@pytest.mark.parametrize("seed", range(5))
def test_no_hum_in_noise(seed):
    assert hum_db(signal_from_array(tone_take(seed, noise=0.001), RATE), SPANS) == 0.0


# G1, G2, D3, F4 (0.2 % from the seventh harmonic of 50 Hz), B1 and B2: the notes nearest to mains frequencies.
@pytest.mark.parametrize("f0", [49.0, 98.0, 146.83, 349.23, 61.74, 123.47])
def test_another_note_going_on_is_no_hum(f0):
    signal = signal_from_array(tone_take(noise=1e-4) + tones(f0, [0.1 / h for h in range(1, 9)]), RATE)
    assert hum_db(signal, SPANS) == 0.0


@pytest.mark.parametrize("f0", [50.0, 60.0, 100.0, 120.0])
def test_what_comes_and_goes_is_no_hum(f0):
    """Tails of a ringing room (2 s) that lie on the mains frequency, and a note after the found ones."""
    t = np.arange(round(SECONDS * RATE)) / RATE
    envelope = sum(np.where(t < off, 1, 10 ** (-3 * (t - off) / 2.0)) * (t >= on) for on, off in [*SPANS, (9.2, 9.8)])
    sound = envelope * tones(f0, [0.1 / h for h in range(1, 9)]) + 1e-4 * np.random.default_rng(0).normal(size=len(t))
    assert hum_db(signal_from_array(sound, RATE), SPANS) == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_speech_is_no_hum(seed):
    """Buzzing syllables of 90 to 150 Hz with gliding pitch and short pauses, all through the take."""
    rng = np.random.default_rng(seed)
    sound = tone_take(seed, noise=1e-4)
    start = 0
    while start < len(sound):
        t = np.arange(min(round(rng.uniform(0.1, 0.3) * RATE), len(sound) - start)) / RATE
        phase = 2 * np.pi * rng.uniform(90, 150) * (t + rng.uniform(-1, 1) * t**2)
        sound[start : start + len(t)] += 0.05 * np.hanning(len(t)) * sum(np.sin(h * phase) / h for h in range(1, 16))
        start += len(t) + round(rng.uniform(0.03, 0.2) * RATE)
    assert hum_db(signal_from_array(sound, RATE), SPANS) == 0.0


@pytest.mark.parametrize("rt60", [0.3, 0.6, 1.0])
@pytest.mark.parametrize("seed", range(3))
def test_reverberation_of_exponential_decays(rt60, seed):
    rng = np.random.default_rng(seed)
    t = np.arange(round(SECONDS * RATE)) / RATE
    samples = 1e-5 * rng.normal(size=len(t))
    for onset, offset in SPANS:
        f0 = rng.uniform(150, 600)
        # 60 dB in rt60: amplitude 10**(-3 t / rt60)
        envelope = np.where(t < offset, 1.0, 10 ** (-3 * (t - offset) / rt60)) * (t >= onset)
        samples += 0.1 * envelope * sum(np.sin(2 * np.pi * h * f0 * t + h) / h for h in range(1, 6))
    estimate = reverb_s(signal_from_array(samples, RATE), SPANS)
    assert estimate == pytest.approx(rt60, rel=0.2)


@pytest.mark.parametrize("rt60", [0.45, 0.9, 1.6])
def test_one_decay_in_a_room_is_a_rough_estimate(rt60):
    """A note of a slurred scale's end in rooms of Gaussian noise whose energy falls by 60 dB in rt60 (ISO 3382-1)."""
    span = (0.5, 1.5)
    t = np.arange(round(4.0 * RATE)) / RATE
    estimates = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        note = ((t >= span[0]) & (t < span[1])) * sum(np.sin(2 * np.pi * h * 277.2 * t + h) / h for h in range(1, 9))
        room = room_response(RATE, rt60, -5.0, rng)
        sound = 0.05 * fftconvolve(note, room)[: len(t)] + 1e-5 * rng.normal(size=len(t))
        estimates.append(reverb_s(signal_from_array(sound, RATE), [span]))
    known = np.array(estimates)[np.isfinite(estimates)]
    assert len(known) >= 11
    assert np.median(known) == pytest.approx(rt60, rel=0.25)
    assert np.all((known > rt60 / 2) & (known < rt60 * 2))  # what the column promises


@pytest.mark.parametrize("release_s", [0.01, 0.03, 0.06])
def test_a_player_stops_in_a_dry_room(release_s):
    """A raised-cosine release falls by 20 dB in under 0.8 of its length (closed form): far under a room's 0.25 s."""
    t = np.arange(round(3.0 * RATE)) / RATE
    phase = np.clip((t - 1.5) / release_s, 0, 1)
    tone = 0.1 * (t >= 0.5) * 0.5 * (1 + np.cos(np.pi * phase)) * np.sin(2 * np.pi * 277.2 * t)
    sound = tone + 1e-5 * np.random.default_rng(1).normal(size=len(t))
    assert 0 < reverb_s(signal_from_array(sound, RATE), [(0.5, 1.5)]) <= 0.25


def test_no_reverberation_time_without_a_clean_decay():
    assert np.isnan(reverb_s(signal_from_array(tone_take(noise=0.03), RATE), SPANS))  # decays drown 10 dB down
    signal = signal_from_array(tone_take(noise=1e-5), RATE)
    assert np.isnan(reverb_s(signal, [(2.0, 9.9)]))  # nothing comes after the note


def test_loudness_ignores_an_offset():
    samples = tone_take(noise=0.001)
    plain, offset = (lufs(signal_from_array(samples + dc, RATE)) for dc in (0.0, 0.3))
    assert offset == pytest.approx(plain, abs=0.01)


def clipped_share(samples, step=0.0, block=4096):
    meter = ClipMeter(step)
    for start in range(0, len(samples), block):
        part = samples[start : start + block]
        meter.update(part, part.min(), part.max())
    return meter.fraction()


def sine(amplitude, hz=441.0, seconds=1.0):
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * 44_100)) / 44_100)


@pytest.mark.parametrize("turned_down", [1.0, 0.5, 0.05])
def test_clipping_at_full_scale_and_at_a_flat_top(turned_down):
    samples = np.clip(sine(1.25), -1, 1)
    at_top = np.abs(samples) >= 1.0
    # A period is 100 samples: each top is one run far longer than three.
    assert clipped_share(samples * turned_down) == pytest.approx(at_top.mean(), rel=0.03)


def test_clipping_of_one_side_only():
    samples = np.clip(sine(1.0), -1, 0.6)
    assert clipped_share(samples * 0.7) == pytest.approx((samples >= 0.6).mean(), rel=0.03)


@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("amplitude", [0.03, 0.3, 0.9])
@pytest.mark.parametrize("hz", [58.27, 440.0, 1567.0])
def test_clean_tones_are_not_clipped(bits, amplitude, hz):
    step = 2.0 ** (1 - bits)
    assert clipped_share(np.round(sine(amplitude, hz) / step) * step, step) == 0.0


def test_two_samples_at_full_scale_are_no_run():
    samples = sine(0.5)
    samples[[100, 101, 300]] = 1.0
    assert clipped_share(samples) == 0.0
    samples[[500, 501, 502]] = 1.0
    assert clipped_share(samples) == pytest.approx(3 / len(samples))


def test_advice_speaks_of_what_is_wrong_only():
    good = {
        "clipped_fraction": 0.0, "snr_db": 50.0, "hum_db": 0.4, "reverb_s": 0.4, "peak_dbfs": -9.0, "lead_in_s": 2.0,
        "sample_rate_hz": 48_000,
    }  # fmt: skip
    assert advice(good) == []
    assert advice({}) == []
    assert advice(dict.fromkeys(good, float("nan"))) == []
    bad = {
        "clipped_fraction": ("turn the gain down", 0.01), "snr_db": ("quieter room", 12.0),
        "peak_dbfs": ("turn the gain up", -45.0), "hum_db": ("hum", 15.0), "reverb_s": ("rings", 2.9),
        "lead_in_s": ("wait two seconds", 0.1), "sample_rate_hz": ("44100 or 48000", 16_000),
    }  # fmt: skip
    for name, (words, value) in bad.items():
        lines = advice({**good, name: value})
        assert len(lines) == 1 and words in lines[0]
    assert len(advice({name: value for name, (_, value) in bad.items()})) == len(bad)
