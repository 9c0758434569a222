"""Recordings that are malformed or odd, each with what is to become of it.

All of them are made here, from one good take of eight notes or from seeded noise; nothing is taken from elsewhere.
`reason` is what the reason of a recording set aside, or the warning of one that is used, must say (a regular
expression); "" where a file may just as well turn out to be usable.
"""

import os
import socket
import struct
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import av
import numpy as np
import soundfile
import soxr

from smallstudy import RATE, play

OK, WARNED, SET_ASIDE = "ok", "warned", "set_aside"
ANY = frozenset({OK, WARNED, SET_ASIDE})
USED = frozenset({OK, WARNED})
ASIDE = frozenset({SET_ASIDE})
# Everything that may be said of a file that is damaged; nothing about the scale, for that would lead astray.
DAMAGE = (
    r"not audio|damaged|cut off|did not finish|no sound at all|is empty|not numbers|samples a second|silent|"
    r"no sound track|named \.|holds text|goes on for more"
)
# A damaged header can also give another sampling rate, or noise for samples.
MISREAD = DAMAGE + (
    r"|no such scale|sounds .* than the sheet|opposite order|notes not found|clipp|noise|low"
    r"|samples are missing|within a note|was played|played more than once"
)
LIGHT, HEAVY = "light", "heavy"


@dataclass(frozen=True)
class Case:
    """One file: its name, the kind of fault, how to write it, and what may become of it."""

    name: str
    fault: str
    write: Callable[[Path], None]
    statuses: frozenset
    reason: str
    weight: str = LIGHT


@dataclass(frozen=True)
class Form:
    """A file format: name of its files, arguments of libsndfile or a codec of FFmpeg, length of its header."""

    file: str
    header: int
    options: tuple = ()
    codec: str = ""


FORMS = {
    "wav16": Form("wav", 44, (("subtype", "PCM_16"),)),
    "wav24": Form("wav", 44, (("subtype", "PCM_24"),)),
    "wavfloat": Form("wav", 58, (("subtype", "FLOAT"),)),
    "wavex": Form("wav", 80, (("format", "WAVEX"), ("subtype", "PCM_24"))),
    "rf64": Form("wav", 104, (("format", "RF64"), ("subtype", "PCM_16"))),
    "w64": Form("w64", 112, (("format", "W64"), ("subtype", "PCM_16"))),
    "aiff": Form("aiff", 54, (("format", "AIFF"), ("subtype", "PCM_16"))),
    "caf": Form("caf", 68, (("format", "CAF"), ("subtype", "PCM_16"))),
    "flac": Form("flac", 86, (("format", "FLAC"), ("subtype", "PCM_16"))),
    "ogg": Form("ogg", 4000, (("format", "OGG"), ("subtype", "VORBIS"))),
    "opus": Form("opus", 200, (("format", "OGG"), ("subtype", "OPUS"))),
    "mp3": Form("mp3", 417, (("format", "MP3"), ("subtype", "MPEG_LAYER_III"))),
    "m4a": Form("m4a", 40, codec="aac"),
    "mka": Form("mka", 300, codec="aac"),
}
MORE_FORMS = FORMS | {
    "au": Form("au", 28, (("format", "AU"), ("subtype", "PCM_16"))),
    "alac": Form("m4a", 40, codec="alac"),
}
PCM = ("wav16", "wav24", "wavfloat", "wavex", "rf64", "w64", "aiff", "caf")


@cache
def take() -> np.ndarray:
    """The good take, float64 (n,) at RATE."""
    return play("clar_a", "s1", 1)[0]


@cache
def good(form: str) -> bytes:
    """The good take as a file of this format."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"take.{MORE_FORMS[form].file}"
        if MORE_FORMS[form].codec:
            encode(path, take(), MORE_FORMS[form].codec)
        else:
            rate = 48_000 if form == "opus" else RATE  # Opus knows no other
            soundfile.write(path, soxr.resample(take(), RATE, rate), rate, **dict(MORE_FORMS[form].options))
        return path.read_bytes()


def encode(path: Path, samples: np.ndarray, codec: str) -> None:
    """Write mono samples with one of FFmpeg's codecs."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=RATE, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.float32(samples)[None], format="fltp", layout="mono")
        frame.sample_rate = RATE
        stream.codec_context.open()
        fitted = av.AudioResampler(stream.format.name, "mono", RATE, stream.codec_context.frame_size or 1024)
        for plain in [*fitted.resample(frame), *fitted.resample(None), None]:
            for packet in stream.encode(plain):
                container.mux(packet)


def cases() -> Iterator[Case]:
    """All cases, every one with a name of its own."""
    for group in (
        cut_in_the_header, cut_in_the_sound, flipped_bytes, swapped_pieces, noise_behind_a_signature, wav_headers,
        other_headers, odd_sounds, broken_frames, no_recordings, no_files, deeds,
    ):  # fmt: skip
        yield from group()


def bytes_of(content: bytes | bytearray) -> Callable[[Path], None]:
    """A function that writes these bytes."""
    return lambda path: path.write_bytes(content)


# --- whole formats, damaged ------------------------------------------------------------------------------------


def cut_in_the_header() -> Iterator[Case]:
    """Cut off at eleven places of the header of each format."""
    for form, about in FORMS.items():
        places = sorted({1, 3, 4, 8, 12, *(round(about.header * k / 6) for k in range(1, 7))})
        for length in places:
            name = f"{form}_cut_at_{length}.{about.file}"
            yield Case(name, "cut off in the header", bytes_of(good(form)[:length]), ASIDE, DAMAGE)


def cut_in_the_sound() -> Iterator[Case]:
    """Cut off after a part of the file, or with a hole where the disk lost a block."""
    for form, about in FORMS.items():
        whole = good(form)
        for percent in (10, 45, 90):
            # MP4 keeps its index at the end: without it nothing can be read. The others are read as far as they go.
            statuses = ASIDE if form == "m4a" else ANY - {OK}
            kept = whole[: len(whole) * percent // 100]
            yield Case(
                f"{form}_{percent}_percent.{about.file}", "cut off in the sound", bytes_of(kept), statuses, MISREAD
            )
        hole = len(whole) // 2 // 4096 * 4096
        lost = whole[:hole] + bytes(4096) + whole[hole + 4096 :]
        yield Case(f"{form}_lost_block.{about.file}", "a lost block", bytes_of(lost), ANY, MISREAD)


def flipped_bytes() -> Iterator[Case]:
    """Some bytes of the header replaced by others."""
    for number, (form, about) in enumerate(FORMS.items()):
        for seed in range(4):
            rng = np.random.default_rng([number, seed])
            content = bytearray(good(form))
            for place in rng.integers(4, about.header, 3):
                content[place] = rng.integers(256)
            yield Case(
                f"{form}_flipped_{seed}.{about.file}",
                "bytes of the header changed",
                bytes_of(content),
                ANY,
                MISREAD,
            )


def swapped_pieces() -> Iterator[Case]:
    """The head of one format before the body of another, and a file twice over."""
    forms = list(FORMS)
    for form, other in zip(forms, forms[1:] + forms[:1], strict=True):
        mixed = good(form)[: FORMS[form].header] + good(other)[FORMS[other].header :]
        yield Case(
            f"{form}_then_{other}.{FORMS[form].file}",
            "head of one format, body of another",
            bytes_of(mixed),
            ANY,
            MISREAD,
        )
        yield Case(
            f"{form}_twice.{FORMS[form].file}", "two files in one", bytes_of(good(form) * 2), ANY, MISREAD + "|2 times"
        )


def noise_behind_a_signature() -> Iterator[Case]:
    """The first bytes of a format, then noise."""
    for number, (form, about) in enumerate(FORMS.items()):
        for size in (60, 50_000):
            noise = np.random.default_rng([number, size]).bytes(size)
            yield Case(
                f"{form}_noise_{size}.{about.file}",
                "noise behind a signature",
                bytes_of(good(form)[:12] + noise),
                ASIDE,
                MISREAD,
            )


# --- headers that lie ------------------------------------------------------------------------------------------


def wav(
    rate=RATE,
    channels=1,
    bits=16,
    tag=1,
    align=None,
    fmt_size=16,
    riff_size=None,
    data_size=None,
    before=b"",
    data=None,
) -> bytes:
    """A WAV file whose header says what it is told (RIFF, Microsoft and IBM 1991), the take as its samples."""
    data = (take() * 32767).astype("<i2").tobytes() if data is None else data
    align = channels * bits // 8 if align is None else align
    fmt = struct.pack("<HHIIHH", tag, channels, rate, rate * align % (1 << 32), align, bits)
    body = b"WAVE" + before + b"fmt " + struct.pack("<I", fmt_size) + fmt + b"data"
    body += struct.pack("<I", len(data) if data_size is None else data_size) + data
    return b"RIFF" + struct.pack("<I", len(body) if riff_size is None else riff_size) + body


def wav_headers() -> Iterator[Case]:
    """What each field of a WAV header can lie about."""
    junk = b"LIST" + struct.pack("<I", 1 << 31) + b"INFO"
    small = b"".join(b"junk" + struct.pack("<I", 0) for _ in range(100_000))
    lies = {
        "no_channels": (dict(channels=0, align=2), ASIDE, DAMAGE),
        "65535_channels": (dict(channels=65535, align=2), ASIDE, DAMAGE),
        "1024_channels": (dict(channels=1024), ANY, MISREAD),
        "two_channels_in_one": (dict(channels=2), ANY, MISREAD),
        "rate_0": (dict(rate=0), ASIDE, DAMAGE),
        "rate_1": (dict(rate=1), ASIDE, DAMAGE),
        "rate_4_billion": (dict(rate=(1 << 32) - 1), ASIDE, DAMAGE),
        "rate_doubled": (dict(rate=2 * RATE), ASIDE, r"an octave higher"),
        "rate_halved": (dict(rate=RATE // 2), ASIDE, r"an octave lower|no such scale"),
        "no_bits": (dict(bits=0, align=2), ASIDE, DAMAGE),
        "7_bits": (dict(bits=7, align=1), ANY, MISREAD),
        "64_bits": (dict(bits=64), ASIDE, MISREAD),
        "65535_bits": (dict(bits=65535, align=2), ANY, MISREAD),
        "align_0": (dict(align=0), ANY, MISREAD),
        "align_odd": (dict(align=3), ANY, MISREAD),
        "unknown_codec": (dict(tag=0x7777), ANY, MISREAD),
        "codec_0": (dict(tag=0), ANY, MISREAD),
        "mp3_in_wav": (dict(tag=0x55), ANY, MISREAD),
        "float_of_16_bits": (dict(tag=3), ANY, MISREAD),
        "adpcm": (dict(tag=2), ANY, MISREAD),
        "extensible_without_its_rest": (dict(tag=0xFFFE), ANY, MISREAD),
        "fmt_of_0": (dict(fmt_size=0), ANY, MISREAD),
        "fmt_of_4_billion": (dict(fmt_size=0xFFFFFFFF), ANY, MISREAD),
        "riff_of_0": (dict(riff_size=0), ANY, MISREAD),
        "riff_of_4_billion": (dict(riff_size=0xFFFFFFFF), ANY, MISREAD),
        "data_of_0": (dict(data_size=0), {WARNED}, "did not finish"),
        "data_of_1": (dict(data_size=1), ANY - {OK}, DAMAGE),
        "data_unknown": (dict(data_size=0xFFFFFFFF), {OK}, ""),
        "data_of_2_billion": (dict(data_size=0x7FFFFFFF), {WARNED}, r"cut off.*of the \d+\.\d s"),
        "data_twice_as_long": (dict(data_size=4 * len(take())), {WARNED}, "cut off"),
        "no_data": (dict(data=b""), ASIDE, "no sound at all"),
        "one_byte": (dict(data=b"\1"), ASIDE, DAMAGE),
        "one_sample": (dict(data=b"\1\0"), ASIDE, DAMAGE),
        "chunk_of_2_billion_before": (dict(before=junk), ANY, MISREAD),
        "hundred_thousand_chunks_before": (dict(before=small), ANY, MISREAD),
    }
    for name, (options, statuses, reason) in lies.items():
        yield Case(f"wav_{name}.wav", "lying WAV header", bytes_of(wav(**options)), frozenset(statuses), reason)


def other_headers() -> Iterator[Case]:
    """Lies of the other formats, each a patch at a place that its standard names."""
    patches = {
        # FLAC, RFC 9639, section 8.2: 36 bits of samples, 20 of rate, 3 of channels, 5 of bits
        ("flac", "promises_hours"): (21, b"\x0f", ANY - {OK}),
        ("flac", "says_0_samples"): (21, b"\xf0\0\0\0\0", ANY),
        ("flac", "rate_0"): (18, b"\0\0\0", ANY),
        ("flac", "block_size_0"): (8, b"\0\0\0\0", ANY),
        ("flac", "8_channels"): (20, b"\x4e", ANY),
        ("flac", "metadata_without_end"): (4, b"\x7f\xff\xff\xff", ASIDE),
        ("flac", "wrong_checksum"): (26, bytes(range(16)), ANY),
        # AIFF 1.3 (Apple 1989): COMM holds channels, frames, bits, rate as an 80-bit float
        ("aiff", "no_channels"): (20, b"\0\0", ASIDE),
        ("aiff", "4_billion_frames"): (22, b"\xff\xff\xff\xff", ANY),
        ("aiff", "no_bits"): (26, b"\0\0", ANY),
        ("aiff", "rate_infinite"): (28, b"\x7f\xff" + bytes(8), ASIDE),
        ("aiff", "rate_negative"): (28, b"\xc0\x0e\xac\x44" + bytes(6), ASIDE),
        # CAF (Apple): description as 64-bit float rate
        ("caf", "rate_nan"): (20, b"\x7f\xf8" + bytes(6), ASIDE),
        ("caf", "rate_tiny"): (20, bytes(7) + b"\1", ASIDE),
        ("caf", "no_channels"): (44, b"\0\0\0\0", ASIDE),
        # RF64 (EBU Tech 3306): 64-bit sizes in ds64
        ("rf64", "sizes_of_all_ones"): (20, b"\xff" * 24, ANY),
        ("w64", "size_of_all_ones"): (16, b"\xff" * 8, ANY),
        # Ogg, RFC 3533: version, header type, granule position, serial, page, checksum, segments
        ("ogg", "wrong_page_checksum"): (22, b"\0\0\0\0", ASIDE),
        ("ogg", "no_segments"): (26, b"\0", ASIDE),
        ("ogg", "no_channels"): (39, b"\0", ASIDE),
        ("ogg", "rate_0"): (40, b"\0\0\0\0", ASIDE),
        # Opus, RFC 7845, section 5.1
        ("opus", "no_channels"): (37, b"\0", ASIDE),
        ("opus", "pre_skip_of_all"): (38, b"\xff\xff", ANY),
        # MP3 (ISO 11172-3): an ID3v2 tag that claims 256 MB; frames of a free bit rate
        ("mp3", "tag_of_256_mb"): (0, b"ID3\x04\0\0\x7f\x7f\x7f\x7f", ANY),
        ("mp3", "free_bit_rate"): (0, b"\xff\xfb\x00\x00", ANY),
        # MP4 (ISO 14496-12): sizes of boxes
        ("m4a", "box_of_0"): (0, b"\0\0\0\0", ANY),
        ("m4a", "box_of_1"): (0, b"\0\0\0\1", ANY),
        ("m4a", "box_of_4_billion"): (28, b"\xff\xff\xff\xff", ANY),
        # Matroska (RFC 8794): an element of unknown size
        ("mka", "segment_of_unknown_size"): (40, b"\x01\xff\xff\xff\xff\xff\xff\xff", ANY),
    }  # fmt: skip
    for (form, lie), (place, patch, statuses) in patches.items():
        content = bytearray(good(form))
        content[place : place + len(patch)] = patch
        yield Case(
            f"{form}_{lie}.{FORMS[form].file}",
            "lying header of other formats",
            bytes_of(content),
            frozenset(statuses),
            MISREAD,
        )


# --- sounds ----------------------------------------------------------------------------------------------------


def sound(samples, rate=RATE, subtype="FLOAT", kind="WAV") -> Callable[[Path], None]:
    """A function that writes these samples (a function makes them when they are many)."""
    return lambda path: soundfile.write(path, samples() if callable(samples) else samples, rate, subtype, format=kind)


def broken(every: int, value: float) -> np.ndarray:
    """The take with every so many samples replaced."""
    samples = take().copy()
    samples[::every] = value
    return samples


def odd_sounds() -> Iterator[Case]:
    """Files in perfect order with something odd in them."""
    n = len(take())
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(n)
    scale = "no such scale|sounds .* than the sheet says|opposite order"
    aside = {
        "all_nan": (np.full(n, np.nan), "not numbers"),
        "nan_1_percent": (broken(100, np.nan), "not numbers"),
        "inf_1_percent": (broken(100, np.inf), "not numbers"),
        "minus_inf_1_percent": (broken(100, -np.inf), "not numbers"),
        "dc": (np.full(n, 0.5), "^silent"),
        "dc_full_scale": (np.ones(n), "^silent"),
        "zeros": (np.zeros(n), "^silent|zeros"),
        "denormal": (np.full(n, 1e-40) * noise, "^silent"),
        "below_minus_80_db": (5e-5 * np.sin(np.arange(n)), "^silent"),
        "white_noise": (0.1 * noise, scale),
        "noise_of_1_bit": (np.sign(noise), scale),
        "noise_of_1_bit_in_16": (np.sign(noise) / 32768, "^silent|" + scale),
        "nyquist": (0.5 * (-1.0) ** np.arange(n), scale),
        "click": (np.where(np.arange(n) == n // 2, 1.0, 0.0), scale),
        "clicks": (np.where(np.arange(n) % 4410 == 0, 1.0, 0.0), scale),
        "one_tone": (0.3 * np.sin(2 * np.pi * 440 / RATE * np.arange(n)), scale),
        "sweep": (0.3 * np.sin(2 * np.pi * np.cumsum(np.geomspace(50, 15_000, n)) / RATE), scale),
        "backwards": (take()[::-1], scale),
        "a_tenth_of_a_second": (take()[30_000:34_410], scale + "|short"),
        "two_samples": (np.array([0.1, -0.1]), scale + "|short|can be used"),
    }
    for name, (samples, reason) in aside.items():
        yield Case(f"sound_{name}.wav", "odd sound", sound(samples), ASIDE, reason)
    many = np.tile(0.1 * noise[:, None], 8)
    many[:, 5] = take()
    used = {
        "nan_few": (broken(20_000, np.nan), {WARNED}, "not numbers", {}),
        "dc_under_the_scale": (take() / 2 + 0.4, USED, "", {}),
        "clipped": (np.clip(8 * take(), -1, 1), ANY, "clip", dict(subtype="PCM_16")),
        "8_bits": (take(), USED, "", dict(subtype="PCM_U8")),
        "mu_law": (take(), USED, "", dict(subtype="ULAW")),
        "huge_numbers": (1e30 * take(), ANY, "", {}),
        "tiny_numbers": (1e-3 * take(), USED, "", {}),
        "left_only": (np.column_stack([take(), np.zeros(n)]), USED, "", {}),
        "right_only": (np.column_stack([np.zeros(n), take()]), USED, "", {}),
        "out_of_phase": (np.column_stack([take(), -take()]), USED, "", {}),
        "one_channel_nan": (np.column_stack([np.full(n, np.nan), take()]), USED, "", {}),
        "one_channel_dc": (np.column_stack([np.ones(n), take()]), USED, "", {}),
        "sixth_of_eight_channels": (many, USED, "", dict(subtype="PCM_24")),
    }
    for name, (samples, statuses, reason, options) in used.items():
        yield Case(f"sound_{name}.wav", "odd sound", sound(samples, **options), frozenset(statuses), reason)
    yield Case("sound_192_khz_8_channels.wav", "odd sound", sound(_high_rate, 192_000, "PCM_24"), USED, "")
    yield Case("sound_8_khz.wav", "odd sound", sound(lambda: take()[::5][: n // 5], RATE // 5, "PCM_16"), USED, MISREAD)
    yield Case("sound_3_hours.flac", "very long", _hours(3), USED, "3. times|times", HEAVY)
    yield Case("sound_3_hours_of_one_note.flac", "very long", _one_note, ASIDE, scale, HEAVY)
    yield Case("sound_7_hours.flac", "very long", _silent_hours, ASIDE, "goes on for more than 6 hours", HEAVY)


def _high_rate() -> np.ndarray:
    return np.repeat(soxr.resample(take(), RATE, 192_000)[:, None], 8, axis=1) * 2.0 ** -np.arange(8)


def _hours(hours: int) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16") as file:
            for _ in range(hours * 3600 * RATE // len(take())):
                file.write(take())

    return write


def _one_note(path: Path) -> None:
    second = 0.2 * np.sin(2 * np.pi * 233 / RATE * np.arange(RATE))
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16") as file:
        for _ in range(3 * 3600):
            file.write(second)


def _silent_hours(path: Path) -> None:
    """Small on the disk, large once decoded."""
    second = np.zeros(8000 * 60, np.int16)
    second[0] = 1000
    with soundfile.SoundFile(path, "w", 8000, 1, "PCM_16") as file:
        for _ in range(7 * 60):
            file.write(second)


def broken_frames() -> Iterator[Case]:
    """Pieces of the sound overwritten, for the formats that come in frames."""
    for number, form in enumerate(("mp3", "flac", "ogg", "opus", "m4a", "mka")):
        for seed in range(6):
            rng = np.random.default_rng([number, seed])
            content = bytearray(good(form))
            for place in rng.integers(FORMS[form].header, len(content) - 200, 1 + 4 * seed):
                content[place : place + 200] = rng.bytes(200)
            yield Case(
                f"{form}_broken_frames_{seed}.{FORMS[form].file}",
                "broken frames",
                bytes_of(content),
                ANY,
                MISREAD,
            )


# --- no recordings at all --------------------------------------------------------------------------------------


def no_recordings() -> Iterator[Case]:
    """Things under the name of a recording that are none."""
    texts = {
        "empty": (b"", "is empty"),
        "notes": (b"Scale of the new clarinet, take 3\n" * 50, "holds text"),
        "web_page": (b"<!DOCTYPE html><script>alert(1)</script>" * 50, "web page|text"),
        "playlist": (b"#EXTM3U\n#EXTINF:10,\nhttp://127.0.0.1:9/a.ts\n", "text"),
        "playlist_of_a_file": (b"#EXTM3U\nfile:///etc/hostname\n", "text"),
        "concat_script": (b"ffconcat version 1.0\nfile /etc/hostname\n", "text"),
        "shell_script": (b"#!/bin/sh\ntouch owned\n", "text"),
        "pickle": (b"\x80\x04\x95" + bytes(range(200)), "not audio"),
        "zip": (b"PK\x03\x04" + bytes(range(256)), "ZIP"),
        "picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "picture"),
        "pdf": (b"%PDF-1.7\n" + bytes(range(256)), "PDF"),
        "midi": (b"MThd\0\0\0\6\0\1\0\2\0\x60" + bytes(100), "MIDI"),
        "zeros": (bytes(100_000), "zeros only"),
        "not_fetched": (b"version https://git-lfs.github.com/spec/v1\noid sha256:00\n", "not fetched"),
        "elf": (b"\x7fELF\x02\x01\x01" + bytes(range(256)) * 8, "not audio"),
        "matlab_5": (b"MATLAB 5.0 MAT-file" + b" " * 105 + b"\0\1IM" + bytes(range(256)), "not audio|damaged"),
    }  # fmt: skip
    for name, (content, reason) in texts.items():
        yield Case(f"file_{name}.wav", "no sound file", bytes_of(content), ASIDE, reason)
    for seed in range(6):
        noise = np.random.default_rng(seed).bytes(20_000)
        yield Case(f"file_noise_{seed}.mp3", "no sound file", bytes_of(noise), ASIDE, "not audio|" + DAMAGE)


def no_files() -> Iterator[Case]:
    """Where there is no file to be read."""
    yield Case("place_folder.wav", "no file", Path.mkdir, ASIDE, "is a folder")
    yield Case("place_missing.wav", "no file", lambda path: None, ASIDE, "no such file")
    if os.name == "posix":
        yield Case("place_pipe.wav", "no file", os.mkfifo, ASIDE, "not a regular file")
        yield Case("place_socket.wav", "no file", _socket, ASIDE, "not a regular file")
        yield Case("place_unreadable.wav", "no file", _unreadable, ASIDE, "no permission")
        for name, target, reason in (
            ("device", "/dev/zero", "not a regular file"),
            ("loop", "place_loop.wav", "cannot be opened.*symbolic"),
            ("dangling", "nowhere", "no such file"),
            ("kernel", "/proc/self/mem", "cannot be|not audio"),
        ):
            yield Case(f"place_{name}.wav", "no file", partial(_link, target), ASIDE, reason)


def _link(target: str, path: Path) -> None:
    path.symlink_to(target)


def _unreadable(path: Path) -> None:
    path.write_bytes(good("wav16"))
    path.chmod(0)


def _socket(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # the name of a socket may only be short
    try:
        socket.socket(socket.AF_UNIX).bind(path.name)
    finally:
        os.chdir(here)


def random_damage(count: int, seed: int) -> Iterator[Case]:
    """So many files of all formats in turn, damaged at random places: what may become of them is anything but a
    traceback, a hang, or a wrong number that nothing warns of."""
    rng = np.random.default_rng(seed)
    forms = list(MORE_FORMS)
    kinds = ("a bit of the header flipped", "bits flipped", "cut off anywhere", "bytes overwritten")
    for number in range(count):
        form = forms[number % len(forms)]
        content, header = bytearray(good(form)), MORE_FORMS[form].header
        fault = kinds[rng.integers(len(kinds))]
        place = int(rng.integers(len(content)))
        if fault == "a bit of the header flipped":
            content[rng.integers(header)] ^= 1 << int(rng.integers(8))
        elif fault == "bits flipped":
            for flipped in rng.integers(len(content), size=rng.integers(1, 5)):
                content[flipped] ^= 1 << int(rng.integers(8))
        elif fault == "cut off anywhere":
            del content[place:]
        else:
            run = rng.integers(0, 256, int(rng.integers(1, 2000)), np.uint8).tobytes()
            content[place : place + len(run)] = run
        name = f"random_{seed}_{number}_{form}.{MORE_FORMS[form].file}"
        yield Case(name, fault, bytes_of(bytes(content)), ANY, "", HEAVY)


# --- files that do something to whoever reads them -----------------------------------------------------------------


def deeds() -> Iterator[Case]:
    """See `evil`: the last word of the name says what happens when the decoder opens it."""
    if os.name != "posix":
        return
    for deed, (statuses, reason) in {
        "crash": (ASIDE, r"crashed the program that reads it \(SIGSEGV\)"),
        "abort": (ASIDE, r"crashed the program that reads it \(SIGABRT\)"),
        "leave": (ASIDE, r"crashed the program that reads it \(exit code 0x3\)"),
        "fail": (ASIDE, r"evenbore itself failed on it \(IndexError: evil index\)"),
        "hang": (ASIDE, "took longer than"),
        "eat": (ASIDE, "needs more than"),
        "vanish": (ASIDE, "vanished"),
        "shrink": (ASIDE, DAMAGE + "|changed while it was read"),
        "chatter": ({OK}, ""),
        "once": ({OK}, ""),
    }.items():
        yield Case(f"evil_{deed}.wav", "crash, hang, memory", bytes_of(good("wav16")), frozenset(statuses), reason)
