"""Opens any usual audio file and gives its samples out in blocks, whatever its format.

Conventions: blocks are float32, shape (n, channels), full scale at ± 1. The content decides what a file is,
not its name. libsndfile reads WAV, FLAC, OGG, MP3, AIFF, CAF and their like; what it cannot open (m4a, AAC,
3gp and other phone formats) goes to the FFmpeg libraries through PyAV, loaded only then.
"""

import os
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias, cast

import numpy as np
import soundfile

from evenbore.facts.arrays import Floats32
from evenbore.facts.formats import SUFFIXES_OF
from evenbore.files.digest import MOST_BYTES
from evenbore.files.errors import AudioError

if TYPE_CHECKING:
    from av.audio.stream import AudioStream
    from av.container import InputContainer

MIN_RATE, MAX_RATE = 8_000, 192_000  # Hz
BLOCK = 1 << 16  # samples read at a time, over all channels
MIN_BLOCK_FRAMES = 1 << 12
DAMAGED_BLOCK_FRAMES = 1 << 8
MAX_BROKEN_PIECES = 1000
MISCOUNTED_FRAMES = 1728  # one and a half of 1152 samples: some encoders count the frame that holds the count
MP3_TAG_BYTES = 64  # the tag lies 13 to 38 bytes after the frame's beginning
OGG_PAGE = 27 + 255 + 255 * 255  # the largest

# Quantisation step of the integer formats, full scale = 1.
QUANTISATION_STEPS = {"PCM_S8": 2.0**-7, "PCM_U8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23, "PCM_32": 2.0**-31}

# How samples are stored without loss (beginnings of the names that libsndfile and FFmpeg give), and by codecs that
# spend their bits where they are heard. All others (companding, differences) are coarse at any number of bits.
LOSSLESS = ("PCM_", "FLOAT", "DOUBLE", "ALAC", "DPCM", "DWVW", "FLAC", "WAVPACK", "APE", "TTA", "WMALOSSLESS", "TRUEHD")
COARSE = ("PCM_ALAW", "PCM_MULAW", "PCM_VIDC")
PERCEPTUAL = ("VORBIS", "LIBVORBIS", "OPUS", "LIBOPUS", "MPEG_LAYER", "MP1", "MP2", "MP3", "AAC", "AC3", "EAC3", "WMAV")

# Containers that FFmpeg may open. Playlists and streams are left out on purpose: a text file named like audio
# must not make it fetch anything.
CONTAINERS = "mov,matroska,aac,asf,amr,mp3,wav,w64,flac,ogg,aiff,caf,ac3,eac3"
# What recordings are stored in. FFmpeg has hundreds of decoders more, of games and films; what nobody records with is
# left alone.
CODECS = (
    "aac", "aac_fixed", "aac_latm", "ac3", "eac3", "alac", "amrnb", "amrwb", "libopencore_amrnb", "libopencore_amrwb",
    "ape", "flac", "mp1", "mp1float", "mp2", "mp2float", "mp3", "mp3float", "opus", "libopus", "tta", "vorbis",
    "libvorbis", "wavpack", "wmav1", "wmav2", "wmapro", "wmalossless", "adpcm_ima_wav", "adpcm_ms", "adpcm_ima_qt",
    "gsm", "gsm_ms", "pcm_alaw", "pcm_mulaw", "pcm_u8", "pcm_s8", "pcm_s16le", "pcm_s16be", "pcm_s24le", "pcm_s24be",
    "pcm_s32le", "pcm_s32be", "pcm_f32le", "pcm_f32be", "pcm_f64le", "pcm_f64be",
)  # fmt: skip
LIMITS = {"format_whitelist": CONTAINERS, "codec_whitelist": ",".join(CODECS)}
TIMED_CONTAINERS = ("mov", "matroska", "asf")  # whose length is stated, not estimated from the bit rate
# First bytes of things that get named like audio by mistake.
NOT_AUDIO = (
    (b"MThd", "a MIDI file (notes to be played, not sound)"),
    (b"version https://git-lfs", "the placeholder of a large file that was not fetched"),
    (b"\x89PNG", "a picture"), (b"\xff\xd8\xff", "a picture"), (b"GIF8", "a picture"),
    (b"%PDF", "a PDF document"), (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"<!DOCTYPE", "a web page"), (b"<html", "a web page"),
)  # fmt: skip

# What libsndfile says of files that it does not know at all.
UNINFORMATIVE = ("File does not exist", "Format not recognised", "samplerate must", "File contains data in an")


@dataclass(frozen=True)
class AudioInfo:
    """What a file says of itself. `frames` is exact for PCM and FLAC, an estimate for some lossy formats."""

    sample_rate: int
    channels: int
    frames: int
    duration_s: float
    format: str
    subtype: str


def coded_bits(info: AudioInfo, size: int, frames: int) -> float:
    """Bits that a file of `size` bytes spends on each of its `frames` samples of a channel, infinite without loss.

    0 for codecs that are coarse at any number of bits.
    """
    name = info.subtype.upper()
    if name.startswith(LOSSLESS) and not name.startswith(COARSE):
        return float("inf")
    return 8 * size / max(frames * info.channels, 1) if name.startswith(PERCEPTUAL) else 0.0


@contextmanager
def open_source(path: Path | str) -> Iterator["SoundfileSource | ContainerSource"]:
    """A context with the source that can read `path`: `SoundfileSource` or `ContainerSource`.

    Every way of not being readable ends in an `AudioError` that says why and what may have happened.
    """
    path = Path(path)
    source = _source(path, _head(path))
    try:
        if not MIN_RATE <= source.info.sample_rate <= MAX_RATE:
            raise AudioError(
                f"its header says {source.info.sample_rate} samples a second; {MIN_RATE} to {MAX_RATE} can be "
                "used (a damaged header, or not a recording)"
            )
        yield source
    finally:
        source.close()


class _ForwardFile(soundfile.SoundFile):  # type: ignore[misc]  # the library has no types
    """Read from front to back: a seekable file would be asked to seek after every block, slow in FLAC."""

    def seekable(self) -> bool:
        return False


class SoundfileSource:
    """A file that libsndfile reads."""

    def __init__(self, path: Path):
        self._path = path
        self._first = 0
        self._broken_after: str | None = None
        self._file = file = _ForwardFile(path)
        frames = file.frames if 0 < file.frames < 1 << 60 else 0  # streams tell 0 or the largest number
        self.info = AudioInfo(
            file.samplerate, file.channels, frames, frames / file.samplerate, file.format, file.subtype
        )
        self.step = QUANTISATION_STEPS.get(file.subtype, 0.0)

    def blocks(self) -> Iterator[Floats32]:
        """All blocks; the memory is used again for the next one."""
        done = self._first
        # A block with damage in it is lost as a whole, so it is tried again in small pieces.
        for block_frames in (max(BLOCK // self.info.channels, MIN_BLOCK_FRAMES), DAMAGED_BLOCK_FRAMES):
            buffer = np.empty((block_frames, self.info.channels), np.float32)
            try:
                self._go_to(done)
                while len(block := self._file.read(out=buffer)):
                    done += len(block)
                    yield block
                return
            except soundfile.LibsndfileError as error:
                reason = error.error_string.removeprefix("Error : ").strip(". ")
                self._broken_after = f"damaged after {done / self.info.sample_rate:.1f} s ({reason})"

    def leap(self, frames: int) -> int:
        """Leave out so many frames at the start where that is exact; how many are left out."""
        if self.info.subtype.startswith(LOSSLESS) and frames < self.info.frames:
            self._first = self._file.seek(frames)
        return self._first

    def _go_to(self, frames: int) -> None:
        if not self._broken_after:
            if self._file.tell():
                self._file.seek(frames)
            return
        self._file.close()  # a decoder that has met damage is in no state to go back
        self._file = _ForwardFile(self._path)
        for start in range(0, frames, BLOCK):
            self._file.read(min(BLOCK, frames - start), dtype="float32")

    def damage(self, frames: int) -> list[str]:
        """What is wrong with the file, `frames` of which could be read."""
        if self._broken_after:
            return [f"{self._broken_after}; the rest of {self.info.duration_s:.1f} s is left out"]
        if self.info.format == "OGG" and not _ogg_ends(self._path):
            return ["cut off: its end is missing (copied or saved incompletely?)"]
        slack_s = 0.01 if self.info.subtype in QUANTISATION_STEPS else 0.2 + 0.02 * self.info.duration_s
        short = _unfinished_header(self._file.extra_info, self.info) or _cut_short(frames, self.info, slack_s)
        lost = self.info.frames - frames
        if not short and self.info.format == "MP3" and lost > MISCOUNTED_FRAMES and _mp3_counts_frames(self._path):
            return [f"damaged: {lost / self.info.sample_rate:.2f} s less can be read than its header promises"]
        return short

    def misnamed(self) -> list[str]:
        """Whether the file's name says something else than its content."""
        return _misnamed(self._path, self.info.format)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


class ContainerSource:
    """A file that only FFmpeg reads."""

    step = 0.0  # lossy, or rare enough

    def __init__(self, path: Path, header_damage: str | None = None):
        self._path = path
        self._broken = 0
        self._header_damage = header_damage
        self._file = open(path, "rb")  # noqa: SIM115 (closed by `close`)
        try:
            with self._container() as (container, stream):
                context = stream.codec_context
                if context is None or context.name not in CODECS:
                    raise ValueError("no decoder for its sound")
                seconds = float(stream.duration * stream.time_base) if stream.duration and stream.time_base else 0.0
                if not seconds and container.duration:
                    seconds = container.duration / 1e6
                if not context.sample_rate or not context.channels:
                    raise ValueError("no sample rate or no channels")  # noise taken for a format
                self.info = AudioInfo(
                    context.sample_rate,
                    context.channels,
                    round(seconds * context.sample_rate),
                    seconds,
                    container.format.name.split(",")[0],
                    context.name,
                )
        except BaseException:
            self.close()
            raise

    @contextmanager
    def _container(self) -> Iterator[tuple["InputContainer", "AudioStream"]]:
        import av

        self._file.seek(0)
        with av.open(self._file, mode="r", container_options=LIMITS) as container:
            if not container.streams.audio:
                raise AudioError("holds no sound track (a video without sound, or a picture?)")
            yield container, container.streams.audio[0]

    def leap(self, frames: int) -> int:
        """Leave out nothing: what FFmpeg leaps to is not exact."""
        return 0

    def blocks(self) -> Iterator[Floats32]:
        """All blocks from the start."""
        import av

        with self._container() as (container, stream):
            to_float = av.AudioResampler(format="flt")
            packets = container.demux(stream)
            while self._broken < MAX_BROKEN_PIECES:
                try:
                    packet = next(packets, None)
                    if packet is None:
                        return
                    for frame in packet.decode():
                        for plain in to_float.resample(frame):
                            yield cast(Floats32, plain.to_ndarray()).reshape(-1, self.info.channels)
                except av.error.EOFError:
                    return
                except (av.FFmpegError, ValueError):  # ValueError: a frame of other channels or rate than the first
                    self._broken += 1

    def damage(self, frames: int) -> list[str]:
        """What is wrong with the file, `frames` of which could be read."""
        if self._broken:
            return [f"damaged: {self._broken} pieces of it could not be decoded and are left out"]
        if self._header_damage:
            return [self._header_damage]
        if self.info.format in TIMED_CONTAINERS:
            return _cut_short(frames, self.info, slack_s=0.2 + 0.02 * self.info.duration_s)
        return []

    def misnamed(self) -> list[str]:
        """Whether the file's name says something else than its content."""
        return _misnamed(self._path, self.info.format)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


class Stretch:
    """A stretch of another source, from `start_s` to `end_s` (None: its own ends); what lies after it is not read."""

    def __init__(self, source: "SoundfileSource | ContainerSource", start_s: float | None, end_s: float | None):
        info, rate = source.info, source.info.sample_rate
        self._source, self.step = source, source.step
        self._first = round((start_s or 0.0) * rate)
        self._last = None if end_s is None else round(end_s * rate)
        end = min(info.frames or self._last or 0, self._last or info.frames)
        frames = max(end - self._first, 0)
        self.info = replace(info, frames=frames, duration_s=frames / rate)

    def blocks(self) -> Iterator[Floats32]:
        """All blocks of the stretch."""
        done = self._source.leap(self._first)
        for block in self._source.blocks():
            start, done = done, done + len(block)
            if done > self._first:
                yield block[max(self._first - start, 0) : None if self._last is None else self._last - start]
            if self._last is not None and done >= self._last:
                return

    def damage(self, frames: int) -> list[str]:
        """What is wrong with the stretch, `frames` of which could be read."""
        if self._last is not None and frames == self._last - self._first:
            return []
        if frames == 0:
            raise AudioError(f"ends before {self._first / self.info.sample_rate:g} s: correct `start_s`")
        damage = self._source.damage(self._first + frames)
        end_s = (self._first + frames) / self.info.sample_rate
        return damage if damage or self._last is None else [f"ends at {end_s:.1f} s, before its `end_s`"]

    def misnamed(self) -> list[str]:
        """Whether the file's name says something else than its content."""
        return self._source.misnamed()


Source: TypeAlias = SoundfileSource | ContainerSource | Stretch


def _unfinished_header(log: str, info: AudioInfo) -> list[str]:
    """What libsndfile noticed in a header whose lengths do not fit the file."""
    # e.g. "data : 288000 (should be 143978)"
    sizes = re.compile(r"^ *(?:data|SSND|riff|Riff size|Data Size) *: (\d+) \(should be (\d+)\)", re.M)
    for promised, present in sizes.findall(log):
        # 0xFFFFFFFF and the like come from programs that could not know the length
        if int(present) < int(promised) and int(promised) % (1 << 32) < 0xFFFF_F000:
            seconds = info.duration_s * int(promised) / max(int(present), 1)
            return _cut_short(info.frames, info, promised_s=seconds)
    return []


def _ogg_ends(path: Path) -> bool:
    """Whether the last page of an Ogg file is whole and marked as the last (RFC 3533, section 6)."""
    with open(path, "rb") as file:
        file.seek(max(0, os.path.getsize(path) - OGG_PAGE))
        tail = file.read()
    page = tail[max(0, tail.rfind(b"OggS")) :]
    if len(page) < 27:
        return False
    lengths = page[27 : 27 + page[26]]
    return bool(page[5] & 4) and len(lengths) == page[26] and len(page) >= 27 + len(lengths) + sum(lengths)


def _mp3_counts_frames(path: Path) -> bool:
    """Whether an MP3 file's first frame counts all others (Xing's tag, or its twin Info for a constant rate): else its
    length is an estimate. ID3v2 before it: ten bytes, the last four the size in seven bits each (id3.org)."""
    with path.open("rb") as file:
        head = file.read(10)
        size = sum(byte << 7 * place for place, byte in enumerate(reversed(head[6:])))
        file.seek(10 + size if head.startswith(b"ID3") else 0)
        frame = file.read(MP3_TAG_BYTES)
    return b"Xing" in frame or b"Info" in frame


def _cut_short(frames: int, info: AudioInfo, slack_s: float = 0.0, promised_s: float | None = None) -> list[str]:
    seconds = frames / info.sample_rate
    promised_s = info.duration_s if promised_s is None else promised_s
    if seconds >= promised_s - slack_s:
        return []
    return [
        f"cut off: {seconds:.1f} s can be read of the {promised_s:.1f} s its header promises "
        "(copied or saved incompletely?)"
    ]


def _misnamed(path: Path, format_name: str) -> list[str]:
    suffix = path.suffix.lower().lstrip(".")
    usual = SUFFIXES_OF.get(format_name, suffix).split()
    if not suffix or suffix in usual:
        return []
    return [f"named .{suffix}, but its content is {format_name.upper()} (usually .{usual[0]}); read as what it is"]


def _source(path: Path, head: bytes) -> "SoundfileSource | ContainerSource":
    for start, what in NOT_AUDIO:
        if head.startswith(start):
            raise AudioError(f"not audio: it is {what}")
    if _is_text(head):  # before libsndfile, which takes some texts for exotic formats
        raise AudioError("not audio: it holds text (a sheet or notes saved under an audio name?)")
    if not head.strip(b"\0"):
        raise AudioError("not audio: it begins with zeros only (a copy or download that was not finished?)")
    damage = None
    try:
        source = SoundfileSource(path)
        if source.info.frames or os.path.getsize(path) <= len(head):
            return source
        source.close()
        detail, damage = "", "the recorder did not finish the file (no length in its header); read to the end"
    except (soundfile.LibsndfileError, TypeError) as error:  # TypeError: .raw, which has no header to read
        if not path.exists():
            raise AudioError("the file vanished while it was being opened") from error
        reason = str(error).rsplit(": ", 1)[-1].strip(". ")
        detail = "" if reason.startswith(UNINFORMATIVE) else f" ({reason})"
        if detail:
            damage = f"its header is damaged{detail}; read as far as it goes"
    import av

    try:
        return ContainerSource(path, damage)
    except (av.FFmpegError, ValueError, OSError) as error:
        raise AudioError(
            f"not audio, or damaged at its beginning: no decoder can open it{detail}; "
            "was it copied completely, and does it play elsewhere?"
        ) from error


def _head(path: Path) -> bytes:
    """The first bytes of a regular file that may be read; `AudioError` for anything else.

    Pipes and devices are refused by their kind, before opening: reading them could wait for ever.
    """
    try:
        str(path).encode("utf-8")  # as decoders take it
        kind = os.stat(path).st_mode
        if stat.S_ISDIR(kind):
            raise AudioError("is a folder, not a recording; `file` must name one audio file")
        if not stat.S_ISREG(kind):
            raise AudioError("is not a regular file (a pipe, socket or device?); give a file on disk")
        if (size := os.path.getsize(path)) > MOST_BYTES:
            raise AudioError(f"has {size / 1e9:.0f} GB, more than {MOST_BYTES / 1e9:.0f}: no recording is so long")
        with open(path, "rb") as file:
            head = file.read(4096)
    except FileNotFoundError as error:
        raise AudioError(
            "there is no such file: check the spelling, upper and lower case, and the folder it is in"
        ) from error
    except PermissionError as error:
        raise AudioError("may not be read: no permission (owned by someone else, or in use?)") from error
    except UnicodeEncodeError as error:
        raise AudioError("has a name that is no text in UTF-8, or a folder above it has: rename it") from error
    except (OSError, ValueError) as error:
        raise AudioError(f"cannot be opened: {getattr(error, 'strerror', None) or error}") from error
    if not head:
        raise AudioError("the file is empty (0 bytes): the recording was not saved, or the copy failed")
    return head


def _is_text(head: bytes) -> bool:
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:  # only a character cut off at the end may fail
            return False
        text = head[: error.start].decode("utf-8")
    return all(character.isprintable() or character in "\r\n\t\f\ufeff" for character in text)
