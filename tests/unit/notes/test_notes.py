"""Measures of notes in noise, and what must not change them: gain, polarity, sample rate, lossless format."""

import numpy as np
import pytest
import soundfile
import soxr

from evenbore.facts.measures import MEASURES
from evenbore.notes.edges import Edges
from evenbore.notes.measure import measure_recording
from evenbore.notes.note import measure_notes
from evenbore.recording.audio import signal_from_array
from evenbore.trade.families import load_family
from synth.instrument import make_instrument
from synth.playing import scale
from tones import harmonic_tone, measure_tone

RATE = 48_000
LEVELS = {"level_dbfs", "level_dba", "level_lufs"}
DB = {m.name for m in MEASURES if m.unit in ("dB", "dB/octave")} | LEVELS


def in_noise(tone, snr_db, seed=0):
    """The tone at a tenth of full scale with white noise, `snr_db` under it as a whole, and how to measure it."""
    tone = 0.1 * tone
    room = np.sqrt(np.mean(tone**2)) * 10 ** (-snr_db / 20)
    return tone, {"room": room, "seed": seed}


def random_note(rng):
    f0 = 58.27 * 2 ** rng.uniform(0, 4.5)
    order = np.arange(1, max(2, int(9900 / f0)) + 1)
    level = rng.uniform(-12, -4) * np.log2(order) + rng.normal(0, 3, len(order))
    if rng.random() < 0.4:
        level[1::2] -= 15  # a cylinder closed at one end
    return f0, level - level.max()


def test_harmonics_and_pitch_at_20_db():
    """Harmonics 10 dB or more above the noise in their own band (f0 wide): 0.5 dB, 0.5 cent, median over notes."""
    rng = np.random.default_rng(5)
    level_errors, pitch_errors = [], []
    for seed in range(40):
        f0, level = random_note(rng)
        tone, room = in_noise(harmonic_tone(f0, level, 0.5, RATE), 20, seed)
        notes = measure_tone(tone, RATE, f0, **room)
        spectrum = notes.spectra[0]
        noise_db = 10 * np.log10(2 * room["room"] ** 2 * f0 / (RATE / 2))  # of white noise in a band f0 wide
        true = level[: len(spectrum.number)] - 20
        clear = true >= noise_db + 10
        level_errors.append(np.median(np.abs(spectrum.level_db[: len(true)] - true)[clear]))
        pitch_errors.append(abs(notes.rows[0]["cents"]))
        assert not np.isnan(spectrum.level_db[: len(true)][clear]).any()
    assert np.median(level_errors) <= 0.5
    assert np.max(level_errors) <= 1.0
    assert np.median(pitch_errors) <= 0.5


def test_what_changes_with_the_noise_is_flagged():
    """From 60 dB to 20 dB: a measure either hardly moves or is named as limited by noise."""
    rng = np.random.default_rng(6)
    moved = {name: 0 for name in ("centroid_hz", "rolloff_hz", "tilt_db_per_octave", "high_band_db", "brightness_db")}
    for seed in range(40):
        f0, level = random_note(rng)
        rows = []
        for snr_db in (60, 20):
            tone, room = in_noise(harmonic_tone(f0, level, 0.6, RATE), snr_db, seed)
            rows.append(measure_tone(tone, RATE, f0, **room).rows[0])
        quiet, noisy = rows
        words = [word for word in noisy["flags"].split() if word.startswith("noise_limited:")]
        limited = words[0].removeprefix("noise_limited:").split(",") if words else []
        for name in moved:
            least = 0.1 * quiet[name] if name.endswith("_hz") else 1.5
            if not abs(noisy[name] - quiet[name]) <= least and not (np.isnan(quiet[name]) and np.isnan(noisy[name])):
                moved[name] += 1
                assert name in limited, (name, quiet[name], noisy[name])
    assert moved["tilt_db_per_octave"] == 0  # made not to depend on the weak harmonics
    assert moved["centroid_hz"] > 0  # or the test would show nothing


def test_digital_silence_gives_the_best_ratio_there_is():
    tone = 0.1 * harmonic_tone(220.0, [0, -6, -12], 0.6, RATE)
    assert measure_tone(tone, RATE, 220.0, room=0.0).rows[0]["snr_db"] == 100.0


@pytest.fixture(scope="module")
def take():
    """An alto saxophone's first fifteen notes, tongued, in a quiet room, at 96 kHz."""
    family = load_family("saxophone_alto")
    written = list(range(58, 73))
    rng = np.random.default_rng(3)
    played = scale(make_instrument(family, 1, "alto"), written, rng, articulation="tongued", rate=96_000)
    return played.audio + rng.normal(0, 1e-4, len(played.audio)), written


def row_for(path, written):
    return {
        "recording": "r", "instrument": "i", "session": "s", "take": 1, "dynamic": "mf", "articulation": "tongued",
        "direction": "up", "state": "as_found", "path": str(path), "channel": None,
        "start_s": None, "end_s": None, "pattern": "chromatic",
        "family": "saxophone_alto", "families_dir": None, "low": written[0], "high": written[-1], "notes": None,
        "tuning_hz": 440.0,
    }  # fmt: skip


def measured(folder, take, gain_db=0.0, sign=1, rate=48_000, suffix=".wav", subtype="FLOAT"):
    audio, written = take
    path = folder / f"take{suffix}"
    x = sign * 10 ** (gain_db / 20) * soxr.resample(audio, 96_000, rate, quality="VHQ")
    soundfile.write(path, x, rate, subtype=subtype)
    found = measure_recording(row_for(path, written))
    assert len(found.notes) == len(written), found.recording
    return found.notes


@pytest.fixture(scope="module")
def plain(take, tmp_path_factory):
    return measured(tmp_path_factory.mktemp("plain"), take)


def differences(plain, other, gain_db=0.0, over_notes=np.max):
    """Largest difference of each measure over the notes, the gain taken off the levels; infinite if only one has it."""
    found = {}
    for name in (m.name for m in MEASURES):
        before, after = (np.array([note[name] for note in notes]) for notes in (plain, other))
        either = ~(np.isnan(before) & np.isnan(after))
        if either.any():
            change = np.abs(after - before - (gain_db if name in LEVELS else 0.0))[either]
            found[name] = over_notes(np.where(np.isnan(change), np.inf, change))
    return found


def assert_the_same(worst, time_ms=1e-3):
    for name in DB & worst.keys():
        assert worst[name] <= 0.1, (name, worst[name])
    for name in ("cents", "cents_sd", "f0_se_cents"):
        assert worst[name] <= 0.1, (name, worst[name])
    for name in ("tristimulus_1", "tristimulus_2", "tristimulus_3"):
        assert worst[name] <= 0.01, (name, worst[name])
    assert worst["centroid_order"] <= 0.05
    for name in {"attack_ms", "settle_ms"} & worst.keys():
        assert worst[name] <= time_ms, (name, worst[name])


@pytest.mark.parametrize("gain_db", [-40, -20, -6])
@pytest.mark.parametrize("subtype", ["FLOAT", "PCM_24"])
def test_gain_moves_the_levels_alone(take, plain, tmp_path, gain_db, subtype):
    other = measured(tmp_path, take, gain_db=gain_db, subtype=subtype)
    assert_the_same(differences(plain, other, gain_db), time_ms=1.0)


def test_polarity_changes_nothing(take, plain, tmp_path):
    assert_the_same(differences(plain, measured(tmp_path, take, sign=-1)))


def test_lossless_format_changes_nothing(take, tmp_path):
    wav = measured(tmp_path, take, subtype="PCM_24")
    flac = measured(tmp_path, take, suffix=".flac", subtype="PCM_24")
    assert_the_same(differences(wav, flac))


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_sample_rate_changes_nothing(take, plain, tmp_path, rate):
    # windows are whole numbers of samples, so the frames of another rate fall elsewhere and see other moments of the
    # noise and of the player's wander
    other = measured(tmp_path, take, rate=rate)
    largest, median = (differences(plain, other, over_notes=f) for f in (np.max, np.median))
    noise = {"hnr_db", "noise_low_db", "noise_high_db", "snr_db", "cents_sd"}
    assert_the_same({name: (median if name in noise else largest)[name] for name in largest}, time_ms=25.0)


@pytest.mark.parametrize("snr_db", [20, 40])
def test_level_over_the_background_by_hand(snr_db):
    """White noise: of its power, the share from f0 / 2 to 10 kHz of the band up to half the rate counts."""
    f0 = 440.0
    tone, room = in_noise(harmonic_tone(f0, [0, -6, -12], 1.0, RATE), snr_db)
    share = (10_000 - f0 / 2) / (RATE / 2)
    expected = snr_db - 10 * np.log10(share)
    assert measure_tone(tone, RATE, f0, **room).rows[0]["snr_db"] == pytest.approx(expected, abs=0.5)


def test_drift_and_scatter_of_pitch_by_hand():
    """A straight glide of 20 cents a second over the note: slope 20, standard deviation 20 T / sqrt(12) over T s."""
    seconds, f0 = 1.0, 440.0
    t = np.arange(round(seconds * RATE)) / RATE
    phase = 2 * np.pi * np.cumsum(f0 * 2 ** (20 * (t - 0.5 * seconds) / 1200)) / RATE
    row = measure_tone(0.1 * sum(np.sin(h * phase) / h for h in range(1, 6)), RATE, f0).rows[0]
    assert row["cents_drift"] == pytest.approx(20, abs=0.5)
    # the steady part runs from 0.15 to 0.9 s, less a window of 40 ms whose middle must lie in it
    assert row["cents_sd"] == pytest.approx(20 * (0.75 - 0.04) / np.sqrt(12), abs=0.3)


def test_a_clipped_note_keeps_its_pitch_and_has_no_tone():
    """Two notes, the first so loud that it clips at 0.9: the second is measured as if the first had not."""
    rate, pause = RATE, np.zeros(RATE // 2)
    loud, soft = (harmonic_tone(hz, [-6, -10, -14, -18, -22], 1.0, rate) for hz in (220.0, 330.0))
    rows, spectra = {}, {}
    for gain in (0.5, 2.0):
        x = np.concatenate([pause, np.clip(gain * loud, -0.9, 0.9), pause, 0.1 * soft, pause])
        x = x + np.random.default_rng(0).normal(0, 1e-5, len(x))
        edges = Edges(
            np.array([0.5, 2.0]), np.array([1.5, 3.0]), np.zeros(2, bool), np.full(2, np.nan), np.zeros(2, bool)
        )
        hz = np.array([220.0, 330.0])
        measured = measure_notes(signal_from_array(x, rate), edges, hz, hz)
        rows[gain], spectra[gain] = measured.rows, measured.spectra
    clipped, beside = rows[2.0]
    assert "clipped" in clipped["flags"].split() and spectra[2.0][0] is None
    assert abs(clipped["cents"]) < 1 and np.isfinite(clipped["snr_db"])
    assert all(np.isnan(clipped[name]) for name in ("level_dbfs", "brightness_db", "hnr_db", "attack_ms"))
    assert "clipped" not in beside["flags"] + rows[0.5][0]["flags"]
    assert beside["brightness_db"] == pytest.approx(rows[0.5][1]["brightness_db"], abs=0.01)


def test_a_note_clipped_on_one_side_is_clipped():
    """Narrow peaks on one side only, cut off at 0.9 there: the mean of the samples lies on the other side of zero."""
    pause = np.zeros(RATE // 2)
    t = np.arange(RATE) / RATE
    pulses = sum(np.cos(2 * np.pi * 220 * h * t) for h in range(1, 13)) / 12
    x = np.concatenate([pause, np.maximum(-pulses * 1.6, -0.9), pause, 0.1 * pulses, pause])
    x = x + np.random.default_rng(0).normal(0, 1e-5, len(x)) + 0.03 * (np.abs(x) > 0)
    edges = Edges(np.array([0.5, 2.0]), np.array([1.5, 3.0]), np.zeros(2, bool), np.full(2, np.nan), np.zeros(2, bool))
    rows = measure_notes(signal_from_array(x, RATE), edges, np.full(2, 220.0), np.full(2, 220.0)).rows
    assert ["clipped" in row["flags"].split() for row in rows] == [True, False]


def test_the_level_of_a_brief_note_that_only_swells_is_in_doubt():
    """0.1 s, all of it rise; and held for 0.6 s."""
    for seconds, doubted in ((0.1, True), (0.6, False)):
        tone = harmonic_tone(440.0, [-6, -12, -18], seconds, RATE)
        tone *= 0.1 * np.minimum(np.arange(len(tone)) / (0.1 * RATE), 1) ** 2
        row = measure_tone(tone, RATE, 440.0).rows[0]
        assert ("level_moves" in row["flags"].split()) == doubted
