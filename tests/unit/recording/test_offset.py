"""An offset put into a recording is taken out again; what has none stays as it is, sample for sample."""

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from evenbore.recording.audio import open_signal, signal_from_array

RATE = 48_000


def three_notes(hz=220.0, rate=RATE, noise=1e-4):
    t = np.arange(8 * rate) / rate
    rise = sum(np.clip((t - on) / 0.02, 0, 1) * np.clip((on + 1 - t) / 0.02, 0, 1) for on in (1.0, 3.0, 5.0))
    sounding = (1 - np.cos(np.pi * rise)) / 2
    return 0.3 * np.sin(2 * np.pi * hz * t) * sounding + noise * np.random.default_rng(0).normal(size=len(t))


def offsets():
    """Offset and what may be left of it: of a constant nothing, of what moves what a second's mean does not follow."""
    t = np.arange(8 * RATE) / RATE
    return [
        pytest.param(0.03 + 0 * t, 1e-4, id="constant"),
        pytest.param(-0.2 + 0 * t, 1e-4, id="large"),
        pytest.param(0.03 * np.sin(2 * np.pi * 0.1 * t), 5e-3, id="wandering"),
        pytest.param(0.1 * np.exp(-t / 2), 0.02, id="settling"),
    ]


@pytest.mark.parametrize("memory_frames", [10**9, 1000])
@pytest.mark.parametrize(("offset", "left"), offsets())
def test_an_offset_is_taken_out(tmp_path, offset, left, memory_frames):
    sound = three_notes()
    soundfile.write(tmp_path / "take.wav", sound + offset, RATE, subtype="FLOAT")
    with open_signal(tmp_path / "take.wav", memory_frames=memory_frames) as signal:
        assert np.abs(signal.slice(0, signal.frames) - sound).max() < left
        assert np.abs(np.concatenate(list(signal.blocks(5000))) - sound).max() < left
        stored = np.abs(sound + offset)
        assert signal.highest(2000, 9000) == pytest.approx(stored[2000:9000].max(), abs=1e-3)
        assert len(signal.warnings) == 1
        words = float(signal.warnings[0].removeprefix("an offset of up to ").split(" %")[0])
        assert words == pytest.approx(100 * np.abs(offset).max(), rel=0.2)


def test_it_is_taken_out_at_the_right_place_of_another_rate(tmp_path):
    sound = three_notes(rate=96_000)
    t = np.arange(len(sound)) / 96_000
    soundfile.write(tmp_path / "take.wav", sound + 0.05 * np.sin(2 * np.pi * 0.1 * t), 96_000, subtype="FLOAT")
    with open_signal(tmp_path / "take.wav") as signal:
        left = signal.slice(0, signal.frames) - resample_poly(sound, 1, 2)
    assert np.sqrt(np.mean(left**2)) < 2e-3  # of 0.035


@pytest.mark.parametrize("hz", [29.1, 41.2, 100.0, 101.0, 440.0, 2001.0])
def test_a_recording_without_offset_stays_as_it_is(hz):
    sound = three_notes(hz).astype(np.float32)
    assert np.array_equal(signal_from_array(sound, RATE).slice(0, len(sound)), sound)


def test_a_small_offset_is_taken_out_without_words(tmp_path):
    sound = three_notes()
    soundfile.write(tmp_path / "take.wav", sound + 0.004, RATE, subtype="FLOAT")
    with open_signal(tmp_path / "take.wav") as signal:
        assert signal.warnings == []
        assert np.abs(signal.slice(0, signal.frames) - sound).max() < 1e-4


def test_what_comes_and_goes_with_the_notes_is_left_alone():
    """Sampled tones may carry an offset of their own."""
    sound = three_notes(noise=0.0)
    lifted = (sound + 0.05 * (np.abs(sound) > 0)).astype(np.float32)
    assert np.array_equal(signal_from_array(lifted, RATE).slice(0, len(sound)), lifted)


def test_a_recorders_own_is_taken_out_from_under_what_comes_and_goes(tmp_path):
    """Tones that carry an offset of their own, against the recorder's and larger: that of the recorder goes."""
    sound = three_notes()
    lifted = sound - 0.05 * (np.abs(three_notes(noise=0.0)) > 0)
    soundfile.write(tmp_path / "take.wav", lifted + 0.03, RATE, subtype="FLOAT")
    with open_signal(tmp_path / "take.wav") as signal:
        assert np.abs(signal.slice(0, signal.frames) - lifted).max() < 1e-4
        assert signal.warnings == [
            "an offset of up to 3 % of full scale: taken out; the recorder or its cable should be looked at"
        ]
