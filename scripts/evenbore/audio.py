"""Recordings in: any usual audio file, decoded once, one channel chosen, an hour without an hour of memory.

Conventions: samples are float32 with full scale at ± 1; frames count from 0; channel numbers from 1, as on
a mixing desk. Channels are never summed: two microphones out of phase would cancel. Whatever is wrong with
a file becomes an `AudioError` (the recording is set aside with that reason) or, when enough of it is
usable, a line in `Signal.warnings`. The content decides what a file is, not its name.
"""

import io
import math
import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from evenbore.clipping import ClipMeter
from evenbore.errors import AudioError, EvenboreError

MIN_RATE, MAX_RATE = 8_000, 192_000  # Hz
NATIVE_RATE_LIMIT = 50_000  # Hz; above it nothing a wind instrument plays is gained
RESAMPLED_RATE = 48_000  # Hz
BLOCK = 1 << 15  # frames
MEMORY_FRAMES = 48_000 * 600
SILENT_PEAK = 10 ** (-80 / 20)
MAX_BAD_SHARE = 1e-3  # NaN or infinite samples: more than one in a thousand is not a click
MIN_USABLE_S = 1.0  # what must be left of a damaged file
CHANNEL_MARGIN_DB = 3.0  # a later channel must be this much better: takes should not hop between microphones
LEVEL_FRAME_S = 0.05

# Quantisation step of the integer formats, full scale = 1.
STEPS = {"PCM_S8": 2.0**-7, "PCM_U8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23, "PCM_32": 2.0**-31}

EXTENSIONS = {
    "WAV": "wav wave bwf", "WAVEX": "wav wave", "RF64": "wav rf64 wave", "W64": "w64", "FLAC": "flac",
    "OGG": "ogg oga opus spx", "MP3": "mp3 mp2 mpga", "AIFF": "aif aiff aifc", "CAF": "caf",
}  # fmt: skip
# Containers the second decoder may open. Playlists and network streams are left out on purpose: a text file
# named like audio must not make it fetch anything.
CONTAINERS = "mov,mp4,m4a,3gp,3g2,mj2,aac,matroska,webm,asf,amr,mp3,mp2,wav,w64,flac,ogg,aiff,caf,ac3,eac3"
CONTAINER_EXTENSIONS = {
    "mov": "m4a mp4 m4b mov 3gp 3g2 aac", "aac": "aac", "matroska": "mka mkv webm", "asf": "wma asf",
    "amr": "amr", "mp3": "mp3 mp2", "wav": "wav", "aiff": "aif aiff aifc",
}  # fmt: skip
# First bytes of things that get named like audio by mistake.
NOT_AUDIO = (
    (b"MThd", "a MIDI file: it holds notes to be played, not sound"),
    (b"version https://git-lfs", "a placeholder of a version control system: the real file was not fetched"),
    (b"\x89PNG", "a picture"), (b"\xff\xd8\xff", "a picture"), (b"GIF8", "a picture"),
    (b"%PDF", "a PDF document"), (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"<!DOCTYPE", "a web page"), (b"<html", "a web page"),
)  # fmt: skip


@dataclass(frozen=True)
class AudioInfo:
    """What a file says of itself. `frames` is exact for PCM and FLAC, an estimate for some lossy formats."""

    sample_rate: int
    channels: int
    frames: int
    duration_s: float
    format: str
    subtype: str


@dataclass
class Signal:
    """One channel of a recording, in memory or in a temporary file; use as a context manager.

    `rate` and `frames` describe the samples given out, `source_rate` the file. `channel` is the one chosen
    (1-based) of `channels`. `clipped_fraction`, `peak` (largest absolute value) and `dc` (mean) are of the
    channel as stored in the file. Samples in memory are read-only.
    """

    rate: int
    source_rate: int
    frames: int
    channel: int
    channels: int
    clipped_fraction: float
    peak: float
    dc: float
    warnings: list[str] = field(default_factory=list)
    _samples: np.ndarray | None = None
    _file: io.BufferedRandom | None = None

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate

    def slice(self, start: int, stop: int) -> np.ndarray:
        """Samples start ≤ i < stop, float32 (stop - start,); zeros where there is no recording."""
        first, last = max(start, 0), min(stop, self.frames)
        inside = self._read(first, last) if last > first else np.empty(0, np.float32)
        if len(inside) == stop - start:
            return inside
        padded = np.zeros(max(stop - start, 0), np.float32)
        padded[first - start : first - start + len(inside)] = inside
        return padded

    def blocks(self, size: int) -> Iterator[np.ndarray]:
        """The whole signal in blocks of `size` samples; the last one may be shorter."""
        for start in range(0, self.frames, size):
            yield self._read(start, min(start + size, self.frames))

    def close(self) -> None:
        """Free the samples and delete the temporary file."""
        self._samples = None
        if self._file is not None:
            self._file.close()
            self._file = None

    def __enter__(self) -> "Signal":
        return self

    def __exit__(self, *_) -> None:
        self.close()

    def _read(self, first: int, last: int) -> np.ndarray:
        if self._file is None:
            if self._samples is None:
                raise ValueError("this signal has been closed")
            return self._samples[first:last]
        return _read_floats(self._file, first, last)


def signal_from_array(samples: np.ndarray, rate: int) -> Signal:
    """A `Signal` of samples already in memory, shape (N,), at `rate` Hz."""
    samples = np.array(samples, np.float32)
    stats = _ChannelStats(0.0, rate)
    stats.update(samples)
    return _as_signal(samples, None, len(samples), rate, rate, 1, 1, stats, [])


def probe(path: Path | str) -> AudioInfo:
    """Open a recording and read its header only; raises `AudioError` with the reason in plain words."""
    with _opened(path) as source:
        return source.info


def open_signal(
    path: Path | str, channel: int | None = None, memory_frames: int = MEMORY_FRAMES
) -> Signal:
    """Decode one channel of a recording.

    `channel` (1-based) names it; without it the best one is taken: not silent, not clipped, with the most
    signal over its own noise floor. Recordings of up to `memory_frames` samples stay in memory, longer ones
    go through a temporary file. Rates above 50 kHz are brought to 48 kHz, others stay as they are.
    Raises `AudioError` with the reason in plain words when the recording cannot be used.
    """
    with _opened(path) as source:
        info = source.info
        if channel is not None and not 1 <= channel <= info.channels:
            raise AudioError(
                f"there is no channel {channel}: the file has {info.channels} "
                f"({'mono' if info.channels == 1 else f'1 to {info.channels}'}); correct or clear `channel`"
            )
        rate = RESAMPLED_RATE if info.sample_rate > NATIVE_RATE_LIMIT else info.sample_rate
        if channel is not None or info.channels == 1:
            chosen, stats, store = _decode_one(source, (channel or 1) - 1, rate, memory_frames)
        else:
            chosen, stats, store = _decode_best(source, rate, memory_frames)
        try:
            warnings = source.warnings() + _verdict(stats, info)
        except AudioError:
            store.close()
            raise
        samples, spool = store.contents(memory_frames)
        return _as_signal(
            samples, spool, store.frames, rate, info.sample_rate, chosen + 1, info.channels, stats, warnings
        )


def _as_signal(samples, spool, frames, rate, source_rate, channel, channels, stats, warnings) -> Signal:
    if samples is not None:
        samples.flags.writeable = False
    return Signal(
        rate=rate,
        source_rate=source_rate,
        frames=frames,
        channel=channel,
        channels=channels,
        clipped_fraction=stats.clip.fraction(),
        peak=stats.peak,
        dc=stats.mean,
        warnings=warnings,
        _samples=samples,
        _file=spool,
    )


def _decode_one(source, index: int, rate: int, memory_frames: int):
    """One pass: the channel at `index` straight into its store."""
    info = source.info
    stats = _ChannelStats(source.step, info.sample_rate)
    store = _Store(_expected_frames(info, rate), memory_frames)
    try:
        resampler = _Resampler(info.sample_rate, rate, store)
        for block in source.blocks():
            samples = np.ascontiguousarray(block[:, index])
            stats.update(samples)
            resampler.push(samples)
        resampler.finish()
    except BaseException:
        store.close()
        raise
    return index, stats, store


def _decode_best(source, rate: int, memory_frames: int):
    """Look at all channels, keep the best: held in memory when short, decoded a second time when long."""
    info = source.info
    every = [_ChannelStats(source.step, info.sample_rate, levels=True) for _ in range(info.channels)]
    capacity = _expected_frames(info, info.sample_rate)
    short = 0 < capacity * info.channels <= memory_frames
    stores = [_Store(capacity, memory_frames) for _ in every] if short else []
    try:
        for block in source.blocks():
            for index, stats in enumerate(every):
                samples = np.ascontiguousarray(block[:, index])
                stats.update(samples)
                if short:
                    stores[index].append(samples)
        best = _best_channel(every)
        if not short:
            return _decode_one(source, best, rate, memory_frames)
        if rate == info.sample_rate:
            chosen = stores.pop(best)
        else:
            chosen = _Store(_expected_frames(info, rate), memory_frames)
            resampler = _Resampler(info.sample_rate, rate, chosen)
            for samples in stores[best].blocks():
                resampler.push(samples)
            resampler.finish()
        return best, every[best], chosen
    finally:
        for store in stores:
            store.close()


def _expected_frames(info: AudioInfo, rate: int) -> int:
    """Samples to make room for, 0 when the header does not tell; a little more than expected."""
    return 0 if info.frames <= 0 else math.ceil(info.frames * rate / info.sample_rate) + BLOCK


def _best_channel(every: list["_ChannelStats"]) -> int:
    usable = [i for i, stats in enumerate(every) if stats.usable]
    if not usable:
        return 0
    clean = [i for i in usable if every[i].clip.fraction() == 0.0]
    if not clean:
        return min(usable, key=lambda i: every[i].clip.fraction())
    snr = {i: every[i].snr_db() for i in clean}
    best = max(snr.values())
    return next(i for i in clean if snr[i] >= best - CHANNEL_MARGIN_DB)


def _verdict(stats: "_ChannelStats", info: AudioInfo) -> list[str]:
    """Warnings about a decoded channel; raises `AudioError` when it cannot be used."""
    if stats.frames == 0:
        raise AudioError("holds no sound at all (0 samples): the recording was stopped at once or not saved")
    seconds = stats.frames / info.sample_rate
    warnings = []
    if stats.bad > MAX_BAD_SHARE * stats.frames:
        raise AudioError(
            f"{stats.bad} of {stats.frames} samples are not numbers (NaN or infinite): "
            "the program that exported it failed; export it again"
        )
    if stats.bad:
        warnings.append(f"{stats.bad} samples are not numbers (NaN or infinite); read as zero")
    if stats.silent:
        raise AudioError(
            "silent: no sound above -80 dB of full scale; was the right input recorded, and the microphone on?"
        )
    promised = info.frames / info.sample_rate
    if info.format in ("WAV", "WAVEX", "AIFF", "CAF", "FLAC", "W64", "RF64") and seconds < promised - 0.01:
        warnings.append(_cut_short(seconds, promised))
    if warnings and seconds < MIN_USABLE_S:
        raise AudioError(f"only {seconds:.2f} s of it can be read; {warnings[-1]}")
    return warnings


def _cut_short(seconds: float, promised: float) -> str:
    return (
        f"damaged or cut off: {seconds:.1f} s can be read of the {promised:.1f} s its header promises "
        "(copied or saved incompletely?)"
    )


class _ChannelStats:
    """Running facts about one channel. `update` replaces samples that are not numbers by zero, in place."""

    def __init__(self, step: float, rate: int, levels: bool = False):
        self.clip = ClipMeter(step)
        self.frames = self.bad = 0
        self._sum, self._lowest, self._highest = 0.0, math.inf, -math.inf
        self._hop = max(1, round(rate * LEVEL_FRAME_S))
        self._powers: list[np.ndarray] | None = [] if levels else None

    def update(self, samples: np.ndarray) -> None:
        if len(samples) == 0:
            return
        lowest, highest = float(samples.min()), float(samples.max())
        if not (math.isfinite(lowest) and math.isfinite(highest)):  # min and max pass NaN on
            bad = ~np.isfinite(samples)
            self.bad += int(np.count_nonzero(bad))
            samples[bad] = 0.0
            lowest, highest = float(samples.min()), float(samples.max())
        self.frames += len(samples)
        self._sum += float(samples.sum(dtype=np.float32))
        self._lowest, self._highest = min(self._lowest, lowest), max(self._highest, highest)
        self.clip.update(samples, lowest, highest)
        if self._powers is not None and len(samples) >= self._hop:
            whole = samples[: len(samples) // self._hop * self._hop].reshape(-1, self._hop)
            self._powers.append(whole.var(axis=1))

    @property
    def mean(self) -> float:
        return self._sum / self.frames if self.frames else float("nan")

    @property
    def peak(self) -> float:
        return max(self._highest, -self._lowest) if self.frames else float("nan")

    @property
    def silent(self) -> bool:
        """No swing to speak of; a constant (DC) is silent too."""
        return not self.frames or (self._highest - self._lowest) / 2 < SILENT_PEAK

    @property
    def usable(self) -> bool:
        return not self.silent and self.bad <= MAX_BAD_SHARE * self.frames

    def snr_db(self) -> float:
        """Loud over quiet frames (95th over 5th percentile); digital silence counts as -100 dB."""
        if not self._powers:
            return 0.0
        quiet, loud = np.percentile(np.concatenate(self._powers), (5, 95))
        return 10 * math.log10(max(loud, 1e-10) / max(quiet, 1e-10))


class _Store:
    """Where decoded samples go: memory while they fit into `capacity`, else a temporary file."""

    def __init__(self, capacity: int, memory_frames: int):
        self._array = np.empty(capacity if capacity <= memory_frames + BLOCK else 0, np.float32)
        self._file = None
        self.frames = 0

    def append(self, samples: np.ndarray) -> None:
        end = self.frames + len(samples)
        if self._file is None and end <= len(self._array):
            self._array[self.frames : end] = samples
        else:
            try:
                if self._file is None:
                    self._file = tempfile.TemporaryFile(prefix="evenbore-")  # noqa: SIM115 (Signal closes it)
                    self._file.write(self._array[: self.frames].tobytes())
                    self._array = np.empty(0, np.float32)
                self._file.write(np.ascontiguousarray(samples, np.float32).data)
            except OSError as error:
                raise EvenboreError(
                    f"cannot write a temporary copy of a long recording in {tempfile.gettempdir()}: "
                    f"{error.strerror}; free some disk space there, or set TMPDIR to another folder"
                ) from error
        self.frames = end

    def blocks(self) -> Iterator[np.ndarray]:
        for start in range(0, self.frames, BLOCK):
            stop = min(start + BLOCK, self.frames)
            yield self._array[start:stop] if self._file is None else _read_floats(self._file, start, stop)

    def contents(self, memory_frames: int):
        """(samples, None) or (None, file); the store gives up what it hands over."""
        if self._file is None:
            return self._array[: self.frames], None
        if self.frames <= memory_frames:
            samples = _read_floats(self._file, 0, self.frames)
            self.close()
            return samples, None
        return None, self._file

    def close(self) -> None:
        self._array = np.empty(0, np.float32)
        if self._file is not None:
            self._file.close()


def _read_floats(file, first: int, last: int) -> np.ndarray:
    samples = np.empty(last - first, np.float32)
    file.seek(4 * first)
    file.readinto(samples.view(np.uint8).data)
    return samples


class _Resampler:
    """Passes samples on to a store, changing their rate on the way when it differs."""

    def __init__(self, source_rate: int, rate: int, store: _Store):
        self._store = store
        self._stream = None
        if source_rate != rate:
            import soxr

            self._stream = soxr.ResampleStream(source_rate, rate, 1, dtype="float32", quality="HQ")

    def push(self, samples: np.ndarray) -> None:
        self._store.append(samples if self._stream is None else self._stream.resample_chunk(samples))

    def finish(self) -> None:
        if self._stream is not None:
            self._store.append(self._stream.resample_chunk(np.empty(0, np.float32), last=True))


class _ForwardFile(soundfile.SoundFile):
    """Read from front to back: a seekable file would be asked to seek after every block, slow in FLAC."""

    def seekable(self) -> bool:
        return False


class _SoundfileSource:
    """A file that libsndfile reads."""

    def __init__(self, path: Path):
        self._path = path
        self._damage: str | None = None
        with _ForwardFile(path) as file:
            log = file.extra_info
            frames = file.frames if 0 < file.frames < 1 << 60 else 0
            self.info = AudioInfo(
                file.samplerate, file.channels, frames, frames / file.samplerate, file.format, file.subtype
            )
        self.step = STEPS.get(self.info.subtype, 0.0)
        self._header = _header_warnings(log, self.info)

    def blocks(self) -> Iterator[np.ndarray]:
        """Blocks (n, channels), float32; the memory is used again for the next one."""
        buffer = np.empty((BLOCK, self.info.channels), np.float32)
        done = 0
        with _ForwardFile(self._path) as file:
            while True:
                try:
                    block = file.read(out=buffer)
                except soundfile.LibsndfileError as error:
                    self._damage = (
                        f"damaged after {done / self.info.sample_rate:.1f} s "
                        f"({error.error_string.strip('. ')}); the rest is left out"
                    )
                    return
                if len(block) == 0:
                    return
                done += len(block)
                yield block

    def warnings(self) -> list[str]:
        found = [*self._header, *([self._damage] if self._damage else [])]
        return found + _name_warning(self._path, EXTENSIONS.get(self.info.format), self.info.format)


def _header_warnings(log: str, info: AudioInfo) -> list[str]:
    """What libsndfile noticed in a header whose lengths do not fit the file."""
    if "wasn't closed properly" in log:
        return ["the recorder did not finish the file (no length in its header); read to the end"]
    for line in log.splitlines():
        words = line.replace("(", " ").replace(")", " ").split()
        # e.g. "data : 288000 (should be 143978)"
        if words[:1] in (["data"], ["SSND"]) and "should" in words and words[2].isdigit():
            promised, present = int(words[2]), int(words[-1])
            if promised < 0xFFFF_FF00 and promised > present > 0:
                return [_cut_short(info.duration_s, info.duration_s * promised / present)]
    return []


class _ContainerSource:
    """A file that only the second decoder reads: what phones write (m4a, mp4, 3gp), AAC and the like."""

    step = 0.0

    def __init__(self, path: Path):
        self._path = path
        self._broken = 0
        with self._container() as (container, stream):
            rate = stream.codec_context.sample_rate
            seconds = 0.0
            if stream.duration:
                seconds = float(stream.duration * stream.time_base)
            elif container.duration:
                seconds = container.duration / 1e6
            self.info = AudioInfo(
                rate,
                stream.codec_context.layout.nb_channels,
                round(seconds * rate),
                seconds,
                container.format.name.split(",")[0],
                stream.codec_context.name,
            )

    @contextmanager
    def _container(self):
        import av

        av.logging.set_level(None)
        with (
            open(self._path, "rb") as file,
            av.open(file, mode="r", container_options={"format_whitelist": CONTAINERS}) as container,
        ):
            if not container.streams.audio:
                raise AudioError("holds no sound track (a video without sound, or a picture)")
            yield container, container.streams.audio[0]

    def blocks(self) -> Iterator[np.ndarray]:
        """Blocks (n, channels), float32."""
        import av

        with self._container() as (container, stream):
            to_float = av.AudioResampler(format="flt")
            channels = self.info.channels
            packets = container.demux(stream)
            while True:
                try:
                    packet = next(packets, None)
                    if packet is None:
                        return
                    for frame in packet.decode():
                        for plain in to_float.resample(frame):
                            yield plain.to_ndarray().reshape(-1, channels)
                except av.error.EOFError:
                    return
                except av.FFmpegError:
                    self._broken += 1
                    if self._broken > 1000:
                        return

    def warnings(self) -> list[str]:
        found = []
        if self._broken:
            found.append(f"damaged: {self._broken} pieces of it could not be decoded and are left out")
        return found + _name_warning(self._path, CONTAINER_EXTENSIONS.get(self.info.format), self.info.format)


def _name_warning(path: Path, extensions: str | None, format_name: str) -> list[str]:
    suffix = path.suffix.lower().lstrip(".")
    if extensions is None or not suffix or suffix in extensions.split():
        return []
    return [f"named .{suffix}, but its content is {format_name}; read as what it is"]


@contextmanager
def _opened(path: Path | str):
    """The source that can read `path`; every way of not being readable ends in an `AudioError`."""
    path = Path(path)
    head = _head(path)
    try:
        source = _source(path, head)
        info = source.info
        if not MIN_RATE <= info.sample_rate <= MAX_RATE:
            raise AudioError(
                f"its header says {info.sample_rate} samples a second; {MIN_RATE} to {MAX_RATE} can be used "
                "(a damaged header, or not a recording)"
            )
        yield source
    except FileNotFoundError as error:
        raise AudioError("the file vanished while it was being read") from error


def _source(path: Path, head: bytes):
    for start, what in NOT_AUDIO:
        if head.startswith(start):
            raise AudioError(f"not audio: it is {what}")
    try:
        return _SoundfileSource(path)
    except (soundfile.LibsndfileError, TypeError) as error:  # TypeError: .raw, which has no header to read
        first_reason = str(error).rsplit(": ", 1)[-1].strip(". ")
    if not head.strip(b"\0"):
        raise AudioError("not audio: it begins with zeros only; the copy or download was not finished")
    if _is_text(head):
        raise AudioError("not audio: it holds text (a sheet, list or note saved under an audio name?)")
    try:
        import av
    except ImportError as error:  # pragma: no cover - av is a dependency; this is for broken installations
        raise AudioError(f"cannot be opened ({first_reason}), and the `av` package is missing") from error
    try:
        return _ContainerSource(path)
    except (av.FFmpegError, ValueError) as error:
        raise AudioError(
            f"not audio, or damaged at its beginning: no decoder can open it ({first_reason}); "
            "was it copied completely, and does it play elsewhere?"
        ) from error


def _head(path: Path) -> bytes:
    """The first bytes of a regular file that may be read; `AudioError` for anything else.

    Pipes and devices are refused by their kind, before opening: reading them could wait for ever.
    """
    try:
        kind = os.stat(path).st_mode
        if stat.S_ISDIR(kind):
            raise AudioError("is a folder, not a recording; `file` must name one audio file")
        if not stat.S_ISREG(kind):
            raise AudioError("is not a regular file (a pipe, socket or device): give a file on disk")
        with open(path, "rb") as file:
            head = file.read(4096)
    except FileNotFoundError as error:
        raise AudioError(
            "there is no such file: check the spelling, upper and lower case, and the folder it is in"
        ) from error
    except PermissionError as error:
        raise AudioError("may not be read: no permission (owned by someone else, or open elsewhere?)") from error
    except (OSError, ValueError) as error:
        raise AudioError(f"cannot be opened: {getattr(error, 'strerror', None) or error}") from error
    if not head:
        raise AudioError("the file is empty (0 bytes): the recording was not saved, or the copy failed")
    return head


def _is_text(head: bytes) -> bool:
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:  # a character cut off at the end is no argument
            return False
        text = head[: error.start].decode("utf-8")
    return all(c.isprintable() or c in "\r\n\t\f﻿" for c in text)
