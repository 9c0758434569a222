"""Noise that a lossy codec changed is withheld; what it leaves alone, and what no codec touched, is not."""

import numpy as np
import pytest
import soundfile
import soxr

from evenbore.notes.edges import Edges
from evenbore.notes.note import measure_notes
from evenbore.recording.audio import open_signal, signal_from_array
from tones import LEAD_S, harmonic_tone

RATE = 48_000
F0, NOTE_S = 233.1, 0.8
LOSSY = {
    "mp3": {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT"},
    "ogg": {"format": "OGG", "subtype": "VORBIS"},
    "opus": {"format": "OGG", "subtype": "OPUS"},
}
NOISE = ("hnr_db", "noise_low_db", "noise_high_db")


def sound(breath_db, room=2e-5, seed=0):
    """A note of -20 dBFS with white breath so far under it, in a room of faint noise, (n,)."""
    rng = np.random.default_rng(seed)
    tone = 0.1 * harmonic_tone(F0, -6.0 * np.arange(10), NOTE_S, RATE)
    tone += rng.normal(0, 0.1 * 10 ** (breath_db / 20), len(tone))
    ramp = np.clip(np.arange(len(tone)) / (0.02 * RATE), 0, 1)
    pause = np.zeros(round(LEAD_S * RATE))
    return np.concatenate([pause, tone * ramp * ramp[::-1], pause]) + rng.normal(0, room, len(tone) + 2 * len(pause))


def measure(signal):
    edges = Edges(
        np.array([LEAD_S]), np.array([LEAD_S + NOTE_S]), np.zeros(1, bool), np.full(1, np.nan), np.zeros(1, bool)
    )
    return measure_notes(signal, edges, np.array([F0]), np.array([F0])).rows[0]


def limited(row):
    words = [word for word in row["flags"].split() if word.startswith("codec_limited:")]
    return words[0].removeprefix("codec_limited:").split(",") if words else []


def through(tmp_path, x, kind, level):
    path = tmp_path / f"take.{kind}"
    with soundfile.SoundFile(path, "w", RATE, 1, compression_level=level, **LOSSY[kind]) as file:
        for start in range(0, len(x), RATE):
            file.write(x[start : start + RATE])
    return path


@pytest.mark.parametrize("kind", LOSSY)
@pytest.mark.parametrize("level", [0.0, 0.5, 0.9])  # from the most bits to few
@pytest.mark.parametrize("breath_db", [-25, -45])
def test_what_is_not_withheld_is_right(tmp_path, kind, level, breath_db):
    x = sound(breath_db)
    before = measure(signal_from_array(x, RATE))
    with open_signal(through(tmp_path, x, kind, level)) as signal:
        after = measure(signal)
        assert signal.coded_bits < 2 or level < 0.9
        assert signal.coded_bits > 3.5 or level > 0.0
    for name in NOISE:
        assert np.isnan(after[name]) or name in limited(after) or after[name] == pytest.approx(before[name], abs=1.0)
        assert not np.isnan(after[name]) or name in limited(after)
    assert after["cents"] == pytest.approx(before["cents"], abs=0.3)


@pytest.mark.parametrize("kind", LOSSY)
def test_few_bits_leave_no_noise_to_measure(tmp_path, kind):
    with open_signal(through(tmp_path, sound(-30), kind, 0.9)) as signal:
        row = measure(signal)
        few = ("attack_ms", "log_attack", "settle_ms") if signal.coded_bits <= 0.8 else ("settle_ms",)
    assert limited(row)[:3] == list(NOISE)
    beginning = [name for name in few if not np.isnan(row[name])]
    assert limited(row)[3:] == beginning
    assert np.isnan([row[name] for name in NOISE]).all()
    assert not np.isnan([row[name] for name in ("cents", "level_dbfs", "tilt_db_per_octave")]).any()


@pytest.mark.parametrize("kind", LOSSY)
def test_a_lossless_file_made_of_a_lossy_one(tmp_path, kind):
    decoded, _ = soundfile.read(through(tmp_path, sound(-30, room=3e-4), kind, 0.9))
    soundfile.write(tmp_path / "take.flac", decoded, RATE, subtype="PCM_16")
    with open_signal(tmp_path / "take.flac") as signal:
        assert limited(measure(signal))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_no_codec_nothing_withheld(tmp_path, rate, subtype):
    x = soxr.resample(sound(-45), RATE, rate)
    x += 1e-4 * np.sin(2 * np.pi * 15_625 * np.arange(len(x)) / rate)  # a line is no wall
    soundfile.write(tmp_path / "take.wav", x, rate, subtype=subtype)
    with open_signal(tmp_path / "take.wav") as signal:
        assert signal.coded_bits == np.inf
        row = measure(signal)
    assert limited(row) == []
    assert not np.isnan([row[name] for name in NOISE]).any()


def test_companded_samples_are_coarse_at_any_number_of_bits(tmp_path):
    soundfile.write(tmp_path / "take.wav", sound(-45), RATE, subtype="ULAW")
    with open_signal(tmp_path / "take.wav") as signal:
        assert limited(measure(signal))[:3] == list(NOISE)
