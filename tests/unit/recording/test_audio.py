"""Reading recordings: every format to its own precision, the right channel, and a reason for each bad file."""

import os
import stat
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from evenbore.files.digest import sha256
from evenbore.files.errors import AudioError
from evenbore.recording import audio, decoders
from evenbore.recording.audio import open_signal, probe, signal_from_array

RATE = 48_000


def tone(amplitude=0.5, hz=440.0, seconds=2.0, rate=RATE, noise=0.0, seed=0):
    t = np.arange(round(seconds * rate)) / rate
    sound = amplitude * np.sin(2 * np.pi * hz * t) * (t > 0.3)
    return (sound + noise * np.random.default_rng(seed).normal(size=len(t))).astype(np.float32)


def everything(signal):
    return signal.slice(0, signal.frames)


def level_db(samples):
    return 10 * np.log10(np.mean(np.square(samples, dtype=float)))


# Format, subtype, largest error of a sample (half a step, a whole one where the writer truncates).
EXACT = [
    *[("WAV", s, e) for s, e in (("PCM_U8", 2**-7), ("PCM_16", 2**-15), ("PCM_24", 2**-23), ("PCM_32", 2**-24))],
    *[(f, s, 0) for f in ("WAV", "WAVEX", "AIFF", "CAF") for s in ("FLOAT",)],
    ("WAV", "DOUBLE", 0), ("WAVEX", "PCM_24", 2**-23), ("WAVEX", "PCM_16", 2**-15), ("RF64", "PCM_24", 2**-23),
    ("W64", "PCM_16", 2**-15), ("AIFF", "PCM_S8", 2**-7), ("AIFF", "PCM_16", 2**-15), ("AIFF", "PCM_24", 2**-23),
    ("CAF", "PCM_24", 2**-23), ("CAF", "ALAC_24", 2**-23), ("FLAC", "PCM_S8", 2**-7), ("FLAC", "PCM_16", 2**-15),
    ("FLAC", "PCM_24", 2**-23),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "subtype", "error"), EXACT)
def test_lossless_formats(tmp_path, kind, subtype, error):
    path = tmp_path / f"take.{kind.lower().replace('wavex', 'wav')}"
    samples = tone(noise=0.01)
    soundfile.write(path, samples, RATE, format=kind, subtype=subtype)
    with open_signal(path) as signal:
        assert (signal.rate, signal.source_rate, signal.frames) == (RATE, RATE, len(samples))
        assert (signal.channel, signal.channels, signal.warnings) == (1, 1, [])
        assert np.abs(everything(signal) - samples).max() <= error
        assert signal.peak == pytest.approx(np.abs(samples).max(), abs=error)
        assert signal.clipped_fraction == 0.0
    info = probe(path)
    assert (info.sample_rate, info.channels, info.frames) == (RATE, 1, len(samples))
    assert info.duration_s == pytest.approx(2.0)


# Vorbis, Opus and MP3 change samples, not the sound: the difference stays far below the tone.
@pytest.mark.parametrize(
    ("kind", "subtype", "suffix"),
    [("OGG", "VORBIS", "ogg"), ("OGG", "OPUS", "opus"), ("MP3", "MPEG_LAYER_III", "mp3")],
)
def test_lossy_formats(tmp_path, kind, subtype, suffix):
    path = tmp_path / f"take.{suffix}"
    samples = tone()
    soundfile.write(path, samples, RATE, format=kind, subtype=subtype)
    with open_signal(path) as signal:
        assert signal.warnings == []
        assert signal.frames / signal.rate == pytest.approx(2.0, abs=0.06)
        middle = everything(signal)[RATE // 2 : RATE]
        assert level_db(middle) == pytest.approx(level_db(samples[RATE // 2 : RATE]), abs=0.1)
        assert strongest_hz(middle, RATE) == pytest.approx(440, abs=2.1)


def strongest_hz(samples, rate):
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return float(np.argmax(spectrum)) * rate / len(samples)


def write_with_av(path, samples, codec, rate=RATE, layout="mono"):
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, layout=layout)
        planar = np.atleast_2d(samples)
        frame = av.AudioFrame.from_ndarray(planar, format="fltp", layout=layout)
        frame.sample_rate = rate
        stream.codec_context.open()
        fitted = av.AudioResampler(stream.format.name, layout, rate, stream.codec_context.frame_size or 1024)
        for plain in [*fitted.resample(frame), *fitted.resample(None), None]:
            for packet in stream.encode(plain):
                container.mux(packet)


@pytest.mark.parametrize(
    ("name", "codec", "rate"),
    [("a.m4a", "aac", 48_000), ("a.mp4", "aac", 44_100), ("a.aac", "aac", 48_000), ("a.3gp", "aac", 16_000),
     ("a.m4a", "alac", 48_000), ("a.mov", "pcm_s16le", 44_100)],
)  # fmt: skip
def test_what_phones_write(tmp_path, name, codec, rate):
    samples = tone(rate=rate)
    write_with_av(tmp_path / name, samples, codec, rate)
    with open_signal(tmp_path / name) as signal:
        assert (signal.rate, signal.channels, signal.warnings) == (rate, 1, [])
        assert signal.frames / rate == pytest.approx(2.0, abs=0.2)
        middle = everything(signal)[rate // 2 : rate]
        assert level_db(middle) == pytest.approx(level_db(samples[rate // 2 : rate]), abs=0.1)
        assert strongest_hz(middle, rate) == pytest.approx(440, abs=2.1)
    # An .aac file states no length: it is estimated from the bit rate.
    assert probe(tmp_path / name).duration_s == pytest.approx(2.0, abs=0.5 if name == "a.aac" else 0.2)


def test_a_video_without_sound(tmp_path):
    with av.open(str(tmp_path / "film.mp4"), "w") as container:
        stream = container.add_stream("mpeg4", rate=25)
        stream.width = stream.height = 64
        for _ in range(5):
            picture = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8), format="rgb24")
            for packet in stream.encode(picture):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    with pytest.raises(AudioError, match="no sound track"):
        open_signal(tmp_path / "film.mp4")


def extensible_wav(path, data, container_bits, valid_bits, rate=RATE):
    """WAVE_FORMAT_EXTENSIBLE, mono PCM, samples left-justified in their container (Microsoft, mmreg.h)."""
    pcm = struct.pack("<IHH8s", 1, 0, 0x10, b"\x80\x00\x00\xaa\x00\x38\x9b\x71")
    size = container_bits // 8
    fmt = struct.pack("<HHIIHHHHI", 0xFFFE, 1, rate, rate * size, size, container_bits, 22, valid_bits, 0) + pcm
    body = b"WAVEfmt " + struct.pack("<I", len(fmt)) + fmt + b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)


def test_24_bits_in_32(tmp_path):
    samples = tone()
    left = np.round(samples * 2**23).astype(np.int32) << 8
    extensible_wav(tmp_path / "take.wav", left.astype("<i4").tobytes(), 32, 24)
    with open_signal(tmp_path / "take.wav") as signal:
        assert np.abs(everything(signal) - samples).max() <= 2**-23


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 32_000, 44_100, 48_000])
def test_usual_rates_stay_as_they_are(tmp_path, rate):
    soundfile.write(tmp_path / "take.wav", tone(rate=rate), rate)
    with open_signal(tmp_path / "take.wav") as signal:
        assert signal.rate == signal.source_rate == rate


@pytest.mark.parametrize("rate", [88_200, 96_000, 176_400, 192_000])
@pytest.mark.parametrize("memory_frames", [audio.MEMORY_FRAMES, 1000])
def test_high_rates_become_48_khz(tmp_path, rate, memory_frames):
    high = 0.3 * np.sin(2 * np.pi * 30_000 * np.arange(2 * rate) / rate)  # gone at 48 kHz, not folded down
    soundfile.write(tmp_path / "take.wav", tone(rate=rate) + high, rate, subtype="FLOAT")
    with open_signal(tmp_path / "take.wav", memory_frames=memory_frames) as signal:
        assert (signal.rate, signal.source_rate) == (48_000, rate)
        assert signal.frames == pytest.approx(96_000, abs=2)
        wanted = tone(rate=48_000)
        late = slice(24_000, 90_000)
        assert np.abs(everything(signal)[late] - wanted[late]).max() < 1e-3


def test_rates_outside_the_range_are_refused(tmp_path):
    soundfile.write(tmp_path / "slow.wav", tone(), 4_000)
    with pytest.raises(AudioError, match="4000 samples a second; 8000 to 192000"):
        open_signal(tmp_path / "slow.wav")


@pytest.mark.parametrize("memory_frames", [audio.MEMORY_FRAMES, 1000])
def test_slices_and_blocks(tmp_path, memory_frames):
    samples = tone(noise=0.1, seconds=3.1)
    soundfile.write(tmp_path / "take.wav", samples, RATE, subtype="FLOAT")
    with open_signal(tmp_path / "take.wav", memory_frames=memory_frames) as signal:
        assert np.array_equal(signal.slice(100, 5000), samples[100:5000])
        assert np.array_equal(signal.slice(-3, 2), [0, 0, 0, *samples[:2]])
        end = len(samples)
        assert np.array_equal(signal.slice(end - 2, end + 3), [*samples[-2:], 0, 0, 0])
        assert np.array_equal(signal.slice(end + 5, end + 8), [0, 0, 0])
        assert np.array_equal(signal.slice(-8, -5), [0, 0, 0])
        assert len(signal.slice(7, 7)) == 0
        assert signal.slice(0, 5).dtype == np.float32
        assert np.array_equal(np.concatenate(list(signal.blocks(10_007))), samples)


def test_long_recordings_leave_no_file_behind(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    soundfile.write(tmp_path / "take.flac", tone(), RATE)
    signal = open_signal(tmp_path / "take.flac", memory_frames=1000)
    signal.close()
    assert os.listdir(tmp_path) == ["take.flac"]


def test_facts_of_the_signal(tmp_path):
    samples = np.clip(tone(1.3), -1, 1) * 0.9 + 0.05
    soundfile.write(tmp_path / "take.wav", samples, RATE, subtype="PCM_24")
    with open_signal(tmp_path / "take.wav") as signal:
        assert signal.peak == pytest.approx(0.95, abs=1e-6)
        at_top = (np.abs(samples - 0.05) > 0.9 - 1e-6).mean()
        assert signal.clipped_fraction == pytest.approx(at_top, rel=0.05)
        assert at_top > 0.2


def test_signal_from_array():
    samples = tone()
    signal = signal_from_array(samples, RATE)
    assert np.array_equal(everything(signal), samples)
    assert (signal.rate, signal.frames, signal.peak) == (RATE, len(samples), np.abs(samples).max())


# Channels


@pytest.mark.parametrize("memory_frames", [audio.MEMORY_FRAMES, 1000])
class TestChannels:
    def choose(self, tmp_path, columns, memory_frames, **how):
        path = tmp_path / "take.wav"
        soundfile.write(path, np.column_stack(columns), RATE, subtype="FLOAT")
        with open_signal(path, memory_frames=memory_frames, **how) as signal:
            assert np.array_equal(everything(signal), columns[signal.channel - 1])
            assert signal.channels == len(columns)
            return signal

    def test_out_of_phase_channels_do_not_cancel(self, tmp_path, memory_frames):
        samples = tone()
        assert self.choose(tmp_path, [samples, -samples], memory_frames).channel == 1

    def test_the_most_signal_over_its_noise(self, tmp_path, memory_frames):
        loud_but_noisy, quiet_but_clean = tone(0.8, noise=0.05), tone(0.1, noise=0.0005)
        assert self.choose(tmp_path, [loud_but_noisy, quiet_but_clean], memory_frames).channel == 2

    def test_a_silent_channel_is_passed_over(self, tmp_path, memory_frames):
        assert self.choose(tmp_path, [np.zeros(2 * RATE, np.float32), tone()], memory_frames).channel == 2

    def test_a_clipped_channel_is_passed_over(self, tmp_path, memory_frames):
        clipped, clean = np.clip(tone(1.5), -1, 1), tone(0.2, noise=0.001)
        signal = self.choose(tmp_path, [clipped, clean], memory_frames)
        assert signal.channel == 2
        assert signal.clipped_fraction == 0.0

    def test_of_clipped_channels_the_least(self, tmp_path, memory_frames):
        clipped, less = np.clip(tone(1.5), -1, 1), np.clip(tone(1.05), -1, 1)
        assert self.choose(tmp_path, [clipped, less, clipped], memory_frames).channel == 2

    def test_a_channel_of_nan_is_passed_over(self, tmp_path, memory_frames):
        assert self.choose(tmp_path, [np.full(2 * RATE, np.nan, np.float32), tone()], memory_frames).channel == 2

    def test_much_the_same_means_the_first(self, tmp_path, memory_frames):
        columns = [tone(noise=0.0011, seed=1), tone(noise=0.001, seed=2)]
        assert self.choose(tmp_path, columns, memory_frames).channel == 1

    def test_the_named_channel(self, tmp_path, memory_frames):
        columns = [tone(), tone(0.1, noise=0.01), tone(0.01), *[tone(0.3)] * 5]
        assert self.choose(tmp_path, columns, memory_frames, channel=2).channel == 2

    @pytest.mark.parametrize("channel", [0, 3, -1])
    def test_a_channel_that_is_not_there(self, tmp_path, memory_frames, channel):
        with pytest.raises(AudioError, match=f"no channel {channel}: the file has 2"):
            self.choose(tmp_path, [tone(), tone()], memory_frames, channel=channel)

    def test_all_silent(self, tmp_path, memory_frames):
        with pytest.raises(AudioError, match="silent"):
            self.choose(tmp_path, [np.zeros(2 * RATE, np.float32)] * 2, memory_frames)


def test_best_channel_at_a_high_rate(tmp_path):
    rate = 96_000
    columns = np.column_stack([tone(rate=rate, noise=0.1), tone(rate=rate, noise=0.0001)])
    soundfile.write(tmp_path / "take.wav", columns, rate, subtype="FLOAT")
    with open_signal(tmp_path / "take.wav") as signal:
        assert (signal.channel, signal.rate) == (2, 48_000)
        assert np.abs(everything(signal)[24_000:90_000] - tone()[24_000:90_000]).max() < 2e-3


def test_stereo_from_a_phone(tmp_path):
    write_with_av(tmp_path / "a.m4a", np.stack([0 * tone(), tone()]), "aac", layout="stereo")
    with open_signal(tmp_path / "a.m4a") as signal:
        assert (signal.channel, signal.channels) == (2, 2)
        middle = slice(RATE // 2, RATE)
        assert level_db(everything(signal)[middle]) == pytest.approx(level_db(tone()[middle]), abs=0.1)


# Bad files


def refused(path, match):
    for reader in (open_signal, probe):
        with pytest.raises(AudioError, match=match):
            reader(path)


def refused_when_read(path, match):
    with pytest.raises(AudioError, match=match):
        open_signal(path)


def test_missing_empty_and_folder(tmp_path):
    refused(tmp_path / "none.wav", "no such file")
    (tmp_path / "empty.wav").touch()
    refused(tmp_path / "empty.wav", r"empty \(0 bytes\)")
    refused(tmp_path, "is a folder")
    refused("bad\0name.wav", "cannot be opened")


@pytest.mark.skipif(sys.platform != "linux", reason="names are text elsewhere")
def test_a_name_that_is_no_text(tmp_path):
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/bad\xff"))
    folder.mkdir()
    soundfile.write(tmp_path / "take.wav", tone(), RATE)
    (tmp_path / "take.wav").rename(folder / "take.wav")
    refused(folder / "take.wav", "no text in UTF-8")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_pipe_and_device_do_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    refused(tmp_path / "pipe.wav", "not a regular file")
    refused("/dev/zero", "not a regular file")


@pytest.mark.skipif(sys.platform == "win32", reason="symbolic links need special rights on Windows")
def test_symlink_loop(tmp_path):
    (tmp_path / "a.wav").symlink_to(tmp_path / "b.wav")
    (tmp_path / "b.wav").symlink_to(tmp_path / "a.wav")
    refused(tmp_path / "a.wav", "cannot be opened: .*symbolic links")


def test_unreadable(tmp_path, monkeypatch):
    path = tmp_path / "take.wav"
    soundfile.write(path, tone(), RATE)
    path.chmod(0)
    if os.access(path, os.R_OK):  # a superuser may read anything

        def denied(*_, **__):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr("builtins.open", denied)
    refused(path, "no permission")
    monkeypatch.undo()
    path.chmod(stat.S_IWUSR | stat.S_IRUSR)


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"recording\tfile\nr1\ttake.wav\n", "it holds text"),
        ("Tonleiter, Klarinette (müde) ♭\n".encode() * 400, "it holds text"),
        (b"#EXTM3U\n#EXTINF:10,\nhttp://127.0.0.1:9/a.ts\n", "it holds text"),
        (b"version https://git-lfs.github.com/spec/v1\noid sha256:00\n", "large file that was not fetched"),
        (b"MThd\0\0\0\6\0\1\0\2\0\x60" + bytes(100), "MIDI"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "a picture"),
        (b"PK\x03\x04" + bytes(range(256)), "ZIP"),
        (bytes(100_000), "zeros only"),
        (np.random.default_rng(0).bytes(50_000), "no decoder can open it"),
        (b"RIFF\0\0\0\0WAVE" + np.random.default_rng(1).bytes(5000), "no decoder can open it"),
        (b"fLaC" + np.random.default_rng(2).bytes(5000), "no decoder can open it"),
    ],
)
@pytest.mark.parametrize("suffix", ["wav", "flac", "m4a", "raw"])
def test_not_audio(tmp_path, content, match, suffix):
    path = tmp_path / f"take.{suffix}"
    path.write_bytes(content)
    refused(path, match)


@pytest.mark.parametrize(("kind", "name"), [("MP3", "take.wav"), ("WAV", "take.mp3"), ("FLAC", "take.ogg")])
def test_wrong_extension_is_read_with_a_warning(tmp_path, kind, name):
    soundfile.write(tmp_path / name, tone(), RATE, format=kind)
    with open_signal(tmp_path / name) as signal:
        assert strongest_hz(everything(signal)[RATE // 2 : RATE], RATE) == pytest.approx(440, abs=2.1)
        (warning,) = signal.warnings
        assert f"content is {kind}" in warning


def test_phone_file_under_the_name_of_a_wav(tmp_path):
    write_with_av(tmp_path / "a.m4a", tone(), "aac")
    (tmp_path / "a.m4a").rename(tmp_path / "a.wav")
    with open_signal(tmp_path / "a.wav") as signal:
        assert signal.warnings == ["named .wav, but its content is MOV (usually .m4a); read as what it is"]


@pytest.mark.parametrize(
    ("name", "options"),
    [("take.wav", {}), ("take.wav", {"format": "RF64"}), ("take.aiff", {}), ("take.flac", {}), ("take.mp3", {}),
     ("take.w64", {}), ("take.au", {})],
)  # fmt: skip
def test_a_truncated_file_is_measured_as_far_as_it_goes(tmp_path, name, options):
    path = tmp_path / name
    samples = tone(seconds=10, noise=0.05)
    soundfile.write(path, samples, RATE, **options)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with open_signal(path) as signal:
        assert signal.frames / RATE == pytest.approx(5.0, abs=0.2)
        (warning,) = signal.warnings
        assert "10.0 s" in warning and ("cut off" in warning or "damaged" in warning)
    path.write_bytes(whole[: len(whole) // 20])
    refused_when_read(path, r"only 0\.\d\d s can be used; (cut off|damaged)")


@pytest.mark.parametrize("tag", [b"", b"ID3\x04\0\0\0\0\x08\0" + bytes(1024)], ids=["bare", "tagged"])
def test_frames_lost_from_an_mp3_file_are_told(tmp_path, tag):
    """Frames that are overwritten leave a gap that the decoder closes without a word."""
    path = tmp_path / "take.mp3"
    soundfile.write(path, tone(seconds=5, noise=0.05), RATE)
    whole = tag + path.read_bytes()
    path.write_bytes(whole)
    with open_signal(path) as signal:
        assert signal.warnings == []
    middle, harm = len(whole) // 2, 900
    path.write_bytes(whole[:middle] + bytes(harm) + whole[middle + harm :])
    with open_signal(path) as signal:
        (warning,) = signal.warnings
        assert warning.startswith("damaged: 0.") and warning.endswith("s less can be read than its header promises")


def test_a_truncated_caf_file(tmp_path):
    path = tmp_path / "take.caf"
    soundfile.write(path, tone(seconds=10), RATE)
    path.write_bytes(path.read_bytes()[: RATE * 10])
    with open_signal(path) as signal:
        assert signal.frames / RATE == pytest.approx(5.0, abs=0.1)
        assert "header is damaged" in signal.warnings[0]


def test_a_phone_file_cut_off_before_its_index(tmp_path):
    write_with_av(tmp_path / "a.m4a", tone(), "aac")
    whole = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "a.m4a").write_bytes(whole[: len(whole) // 2])
    refused(tmp_path / "a.m4a", "damaged at its beginning")


def test_broken_frames(tmp_path):
    for name, write in (("a.m4a", lambda path, x: write_with_av(path, x, "aac")),
                        ("a.flac", lambda path, x: soundfile.write(path, x, RATE))):  # fmt: skip
        path = tmp_path / name
        write(path, tone(seconds=6, noise=0.05))
        content = bytearray(path.read_bytes())
        middle = len(content) // 2
        content[middle : middle + 300] = b"\xff\x00\x55" * 100
        path.write_bytes(content)
        with open_signal(path) as signal:
            assert signal.frames > RATE
            assert "damaged" in signal.warnings[0]


def test_what_comes_before_a_broken_frame_is_read(tmp_path):
    """A decoder that has met damage cannot go back: the file is opened anew."""
    path = tmp_path / "a.flac"
    soundfile.write(path, tone(seconds=3, noise=0.05), RATE)
    content = bytearray(path.read_bytes())
    place = int(0.4 * len(content))  # within the first block that is read
    content[place : place + 200] = b"\xff\x00" * 100
    path.write_bytes(content)
    with open_signal(path) as signal:
        assert 1.0 < signal.duration_s < 1.4
        assert signal.damaged
        assert np.abs(signal.slice(RATE // 2, RATE)).max() == pytest.approx(0.5, abs=0.3)


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_an_ogg_file_without_its_end(tmp_path, subtype):
    """No length is stated that could be missed, but the last page is marked (RFC 3533, section 6)."""
    path = tmp_path / "a.ogg"
    soundfile.write(path, tone(seconds=10, noise=0.05), RATE, subtype=subtype)
    whole = path.read_bytes()
    with open_signal(path) as signal:
        assert (signal.warnings, signal.damaged) == ([], False)
    last_page = whole.rindex(b"OggS")
    for length in (len(whole) // 2, last_page, last_page + 20, last_page + 30, len(whole) - 1):
        path.write_bytes(whole[:length])
        with open_signal(path) as signal:
            assert "its end is missing" in signal.warnings[0]
            assert signal.damaged


def test_a_sound_in_no_known_codec(tmp_path):
    path = tmp_path / "a.wav"
    soundfile.write(path, tone(), RATE)
    content = bytearray(path.read_bytes())
    content[20:22] = b"\x77\x77"
    path.write_bytes(content)
    refused(path, "no decoder can open it")


def test_whole_numbers_saved_as_fractions(tmp_path):
    soundfile.write(tmp_path / "a.wav", 32768 * tone(), RATE, subtype="FLOAT")
    refused_when_read(tmp_path / "a.wav", "go up to 1.6e[+]04 times full scale")


def wav_with_data_length(path, samples, length):
    soundfile.write(path, samples, RATE, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", length)
    path.write_bytes(content)


def test_lying_lengths(tmp_path):
    path = tmp_path / "take.wav"
    wav_with_data_length(path, tone(), 0xFFFFFFFF)  # a stream whose writer could not know
    with open_signal(path) as signal:
        assert (signal.frames, signal.warnings) == (2 * RATE, [])
    wav_with_data_length(path, tone(), 0)  # the recorder lost power
    with open_signal(path) as signal:
        assert signal.frames == 2 * RATE
        assert "did not finish" in signal.warnings[0]
    wav_with_data_length(path, tone(), 4_000_000)
    with open_signal(path) as signal:
        assert signal.frames == 2 * RATE
        assert "cut off: 2.0 s can be read of the 41.7 s" in signal.warnings[0]


def test_flac_that_promises_hours(tmp_path):
    path = tmp_path / "take.flac"
    soundfile.write(path, tone(), RATE)
    content = bytearray(path.read_bytes())
    # STREAMINFO (RFC 9639, 8.2): the number of samples is the last 36 bits of bytes 18 to 25.
    content[21] |= 0x0F
    path.write_bytes(content)
    with open_signal(path) as signal:
        assert signal.frames == 2 * RATE
        assert "2.0 s" in signal.warnings[0]


@pytest.mark.parametrize("channels", [1, 2])
def test_a_recording_without_end(tmp_path, monkeypatch, channels):
    """Also when its header tells another length: the samples count."""
    monkeypatch.setattr(audio, "MAX_S", 1)
    soundfile.write(tmp_path / "take.wav", np.tile(tone(seconds=1.1)[:, None], channels), RATE)
    with pytest.raises(AudioError, match="goes on for more than"):
        open_signal(tmp_path / "take.wav")
    soundfile.write(tmp_path / "take.wav", tone(seconds=0.9), RATE)
    open_signal(tmp_path / "take.wav").close()


def test_no_samples(tmp_path):
    soundfile.write(tmp_path / "take.wav", np.zeros(0), RATE)
    refused_when_read(tmp_path / "take.wav", "no sound at all")


@pytest.mark.parametrize("level", [0.0, 0.25, "faint"])
def test_silence(tmp_path, level):
    samples = tone(0.00005) if level == "faint" else np.full(2 * RATE, level)
    soundfile.write(tmp_path / "take.wav", samples, RATE, subtype="PCM_24")
    refused_when_read(tmp_path / "take.wav", "silent")


def test_samples_that_are_not_numbers(tmp_path):
    samples = tone()
    samples[[5000, 6000]] = np.nan, np.inf
    soundfile.write(tmp_path / "few.wav", samples, RATE, subtype="FLOAT")
    with open_signal(tmp_path / "few.wav") as signal:
        assert np.isfinite(everything(signal)).all()
        assert signal.slice(5000, 5001) == signal.slice(6000, 6001) == 0
        assert "2 samples are not numbers" in signal.warnings[0]
    samples[10_000:12_000] = np.nan
    soundfile.write(tmp_path / "many.wav", samples, RATE, subtype="FLOAT")
    refused_when_read(tmp_path / "many.wav", "2002 of 96000 samples are not numbers")


# Cost

MEASURE_HALF_HOUR = """
import sys
from pathlib import Path
from evenbore.recording.audio import open_signal
with open_signal(sys.argv[1]) as signal:
    assert signal.frames == 1800 * 48_000, signal.frames
    assert abs(signal.slice(100 * 48_000, 101 * 48_000)).max() > 0
    for block in signal.blocks(1 << 16):
        pass
# the process's own peak: rusage would count the memory of the test run that started it
status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
print(status["VmHWM"].split()[0])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads Linux process status")
def test_half_an_hour_stays_under_300_mb(tmp_path):
    # its samples alone are 346 MB
    path = tmp_path / "long.flac"
    minute = np.random.default_rng(0).normal(0, 1e-3, 60 * RATE).astype(np.float32)
    with soundfile.SoundFile(path, "w", RATE, 1, subtype="PCM_24", compression_level=0.0) as file:
        for _ in range(30):
            file.write(minute)
    scripts = Path(audio.__file__).parents[2]
    result = subprocess.run(
        [sys.executable, "-c", MEASURE_HALF_HOUR, str(path)],
        env={**os.environ, "PYTHONPATH": str(scripts)},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert int(result.stdout) < 300 * 1024  # kB


def test_the_import_is_light():
    scripts = Path(audio.__file__).parents[2]
    modules = "evenbore.recording.audio, evenbore.recording.quality"
    code = f"import sys, {modules}; print(*{{'av', 'soxr', 'scipy', 'pandas'}} & set(sys.modules))"
    result = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(scripts)},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert result.stdout.strip() == ""


@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg", "mp3", "m4a"])
def test_a_part_of_a_file_is_what_lies_there_in_the_whole(tmp_path, suffix):
    whole = np.random.default_rng(3).normal(0, 0.05, 20 * RATE).cumsum() * 0.01
    whole = (whole - np.convolve(whole, np.ones(99) / 99, "same")).astype(np.float32)
    path = tmp_path / f"evening.{suffix}"
    if suffix == "m4a":
        write_with_av(path, whole, "aac")
    else:
        soundfile.write(path, whole, RATE)
    with open_signal(path) as signal:
        expected = signal.slice(round(7.25 * RATE), round(9.75 * RATE))
    with open_signal(path, start_s=7.25, end_s=9.75) as signal:
        assert signal.warnings == []
        assert signal.duration_s == pytest.approx(2.5)
        np.testing.assert_allclose(signal.slice(0, signal.frames), expected, atol=1e-3 * np.abs(expected).max())
    with open_signal(path, start_s=18.0) as signal:
        assert signal.duration_s == pytest.approx(2.0, abs=0.05)


def test_a_part_beyond_the_end_is_told(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.random.default_rng(0).normal(0, 0.1, 3 * RATE), RATE)
    with pytest.raises(AudioError, match="ends before 4 s: correct `start_s`"):
        open_signal(tmp_path / "a.wav", start_s=4.0, end_s=5.0)
    with open_signal(tmp_path / "a.wav", start_s=1.0, end_s=5.0) as signal:
        assert signal.warnings == ["ends at 3.0 s, before its `end_s`"]
    with open_signal(tmp_path / "a.wav", start_s=1.0, end_s=2.5) as signal:
        assert (signal.warnings, signal.duration_s) == ([], 1.5)


def test_little_is_read_of_a_part_in_an_evening(tmp_path):
    """What lies before it is leapt over, so that forty takes of an hour do not read forty hours."""
    soundfile.write(tmp_path / "a.wav", np.random.default_rng(0).normal(0, 0.1, 40 * RATE).astype(np.float32), RATE)
    with decoders.open_source(tmp_path / "a.wav") as source:
        part = decoders.Stretch(source, 30.0, 31.0)
        assert sum(len(block) for block in part.blocks()) == RATE
        assert source._file.tell() < 33 * RATE
        assert source._first == 30 * RATE


@pytest.mark.parametrize(("rate", "cents"), [(46_246, "64"), (44_101, "0.039"), (44_100, None), (96_000, None)])
def test_a_rate_that_no_device_has_is_told(tmp_path, rate, cents):
    """1200 log2(48000 / 46246) = 64 cents from the nearest."""
    soundfile.write(tmp_path / "take.wav", tone(), rate)
    with open_signal(tmp_path / "take.wav") as signal:
        told = [text for text in signal.warnings if "samples a second" in text]
    assert told == [] if cents is None else f"all pitches are {cents} cents off" in told[0]


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_a_take_has_the_same_sound_in_every_format_without_loss(tmp_path, rate):
    whole = (32_767 * tone(rate=rate)).astype(np.int16)  # each encoder rounds fractions in its own way
    for name in ("take.wav", "take.flac", "take.aiff", "take.caf"):
        soundfile.write(tmp_path / name, whole, rate, subtype="PCM_16")
    soundfile.write(tmp_path / "other.wav", tone(rate=rate, seed=1, noise=0.01), rate, subtype="PCM_16")
    digests = {}
    for path in tmp_path.iterdir():
        with open_signal(path) as signal:
            digests.setdefault(signal.digest(), []).append(path.name)
    assert sorted(map(len, digests.values())) == [1, 4]


def test_a_codec_that_nobody_records_with_is_left_alone(tmp_path):
    write_with_av(tmp_path / "take.mka", tone(), "adpcm_yamaha")
    with pytest.raises(AudioError, match="no decoder can open it"):
        open_signal(tmp_path / "take.mka")


def test_a_file_with_holes_is_not_read_for_hours(tmp_path):
    with (tmp_path / "take.wav").open("wb") as file:
        file.write(b"RIFF")
        file.truncate(10**12)
    with pytest.raises(AudioError, match="has 1000 GB, more than 17: no recording is so long"):
        open_signal(tmp_path / "take.wav")
    assert sha256(tmp_path / "take.wav") is None


def test_frames_of_other_channels_than_the_first_are_left_out(tmp_path, monkeypatch):
    """A flipped bit in an AAC frame makes two channels of one."""
    write_with_av(tmp_path / "take.m4a", tone(seconds=3), "aac")
    import av

    real, count = av.AudioResampler, [0]

    class Resampler:
        def __init__(self, **options):
            self.real = real(**options)

        def resample(self, frame):
            count[0] += 1
            if count[0] == 20:
                raise ValueError("Frame does not match AudioResampler setup.")
            return self.real.resample(frame)

    monkeypatch.setattr(av, "AudioResampler", Resampler)
    with open_signal(tmp_path / "take.m4a") as signal:
        assert any("1 pieces of it could not be decoded" in text for text in signal.warnings)
