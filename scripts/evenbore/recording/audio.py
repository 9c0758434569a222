"""Recordings in: any usual audio file, decoded once, one channel chosen, an hour without an hour of memory.

Conventions: samples are float32 with full scale at ± 1; frames count from 0; channel numbers from 1, as on
a mixing desk. Channels are never summed: two microphones out of phase would cancel. Whatever is wrong with
a file becomes an `AudioError` (the recording is set aside with that reason) or, when enough of it is
usable, a line in `Signal.warnings`. The content decides what a file is, not its name.
"""

import hashlib
import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import BinaryIO

import numpy as np

from evenbore.facts.arrays import Floats32
from evenbore.files.errors import AudioError, EvenboreError
from evenbore.recording.clipping import ClipMeter
from evenbore.recording.decoders import BLOCK, AudioInfo, Source, Stretch, coded_bits, open_source
from evenbore.recording.offset import Offset, OffsetMeter

NATIVE_RATE_LIMIT = 50_000  # Hz; above it nothing a wind instrument plays is gained
RESAMPLED_RATE = 48_000  # Hz
# Hz: of AES5-2018 with halves, quarters, doubles and fourfold of 44.1 and 48 kHz, and of telephony; common practice.
RATES = (8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
HALVED_FROM = 44_100  # Hz
MEMORY_FRAMES = 48_000 * 600
SILENT_PEAK = 10 ** (-80 / 20)
MAX_BAD_SHARE = 1e-3  # NaN or infinite samples: more than one in a thousand is not a click
MAX_S = 6 * 3600  # longer is no scale; a small file can be made to hold days and fill the disk
MAX_PEAK = 1000.0  # no recorder goes 60 dB over full scale
MIN_USABLE_S = 1.0  # what must be left of a damaged file
# ASSUME: own choice, no source.
CHANNEL_MARGIN_DB = 3.0  # a later channel must be this much better: takes should not hop between microphones
LEVEL_FRAME_S = 0.05
OFFSET_WORDS_ABOVE = 0.005  # of full scale; common practice, no source


@dataclass
class Signal:
    """One channel of a recording, in memory or in a temporary file; use as a context manager.

    `rate` and `frames` describe the samples given out, `source_rate` the file. `channel` is the one chosen
    (1-based) of `channels`. `clipped_fraction` and `peak` (largest absolute value) are of the
    channel as stored in the file; the samples given out are without an offset. `coded_bits`: bits a sample of a
    lossy codec, infinite without loss. `step`: quantisation step of whole numbers, 0 for others. `damaged` says that
    not all of the recording could be read. Samples in memory are read-only.
    """

    rate: int
    source_rate: int
    frames: int
    channel: int
    channels: int
    clipped_fraction: float
    peak: float
    coded_bits: float = math.inf
    step: float = 0.0
    warnings: list[str] = field(default_factory=list)
    damaged: bool = False
    _samples: Floats32 | None = None
    _file: BinaryIO | None = None
    _offset: Offset | None = None

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate

    def slice(self, start: int, stop: int) -> Floats32:
        """Samples start ≤ i < stop, float32 (stop - start,); zeros where there is no recording."""
        first, last = max(start, 0), min(stop, self.frames)
        inside = self._read(first, last) if last > first else np.empty(0, np.float32)
        if len(inside) == stop - start:
            return inside
        padded = np.zeros(max(stop - start, 0), np.float32)
        padded[first - start : first - start + len(inside)] = inside
        return padded

    @cached_property
    def halved(self) -> "Signal":
        """The sound at half the rate, itself where that is low: up to 7.5 kHz nothing is lost, at half the cost."""
        if self.rate < HALVED_FROM or self.rate % 2:
            return self
        store = _Store(self.frames // 2 + BLOCK, MEMORY_FRAMES)
        resampler = _Resampler(self.rate, self.rate // 2, store, "LQ")
        for block in self.blocks(BLOCK):
            resampler.push(block)
        resampler.finish()
        samples, spool = store.contents(MEMORY_FRAMES)
        return replace(self, rate=self.rate // 2, frames=store.frames, _samples=samples, _file=spool, _offset=None)

    def highest(self, start: int, stop: int) -> float:
        """Largest absolute value of the samples start ≤ i < stop as stored, with their offset."""
        first, last = max(start, 0), min(stop, self.frames)
        samples = self.slice(first, last)
        offset = self._offset.course(first, len(samples)) if self._offset is not None else 0
        return float(np.abs(samples + offset).max(initial=0.0))

    def blocks(self, size: int) -> Iterator[Floats32]:
        """The whole signal in blocks of `size` samples; the last one may be shorter."""
        for start in range(0, self.frames, size):
            yield self._read(start, min(start + size, self.frames))

    def digest(self) -> str:
        """SHA-256 of the samples: the same of a WAV and a FLAC file of one take."""
        whole = hashlib.sha256()
        for block in self.blocks(BLOCK):
            whole.update(np.ascontiguousarray(block).data)
        return whole.hexdigest()

    def close(self) -> None:
        """Free the samples and delete the temporary file."""
        half = self.__dict__.pop("halved", self)
        if half is not self:
            half.close()
        self._samples = None
        if self._file is not None:
            self._file.close()
            self._file = None

    def __enter__(self) -> "Signal":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _read(self, first: int, last: int) -> Floats32:
        if self._file is None:
            if self._samples is None:
                raise ValueError("this signal has been closed")
            return self._samples[first:last]
        samples = _read_floats(self._file, first, last)
        if self._offset is not None:
            self._offset.take_out(samples, first)
        return samples


def signal_from_array(samples: Floats32, rate: int) -> Signal:
    """A `Signal` of samples already in memory, shape (N,), at `rate` Hz."""
    samples = np.array(samples, np.float32)
    stats = _ChannelStats(0.0, rate)
    stats.update(samples)
    return _as_signal(samples, None, len(samples), rate, rate, 1, 1, stats, [], [])


def probe(path: Path | str) -> AudioInfo:
    """Open a recording and read its header only; raises `AudioError` with the reason in plain words."""
    with open_source(path) as source:
        return source.info


def open_signal(
    path: Path | str,
    channel: int | None = None,
    memory_frames: int = MEMORY_FRAMES,
    start_s: float | None = None,
    end_s: float | None = None,
) -> Signal:
    """Decode one channel of a recording, all of it or what lies between `start_s` and `end_s` of the file.

    `channel` (1-based) names it; without it the best one is taken: not silent, not clipped, with the most
    signal over its own noise floor. Recordings of up to `memory_frames` samples stay in memory, longer ones
    go through a temporary file. Rates above 50 kHz are brought to 48 kHz, others stay as they are.
    Raises `AudioError` with the reason in plain words when the recording cannot be used.
    """
    with open_source(path) as whole:
        source: Source = whole if start_s is None and end_s is None else Stretch(whole, start_s, end_s)
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
            damage, others = _warnings(source, stats)
        except AudioError:
            store.close()
            raise
        samples, spool = store.contents(memory_frames)
        signal = _as_signal(
            samples, spool, store.frames, rate, info.sample_rate, chosen + 1, info.channels, stats, damage, others
        )
        signal.step = source.step
        signal.coded_bits = coded_bits(
            info, Path(path).stat().st_size, stats.frames if source is whole else whole.info.frames
        )
        return signal


def _as_signal(
    samples: Floats32 | None,
    spool: BinaryIO | None,
    frames: int,
    rate: int,
    source_rate: int,
    channel: int,
    channels: int,
    stats: "_ChannelStats",
    damage: list[str],
    others: list[str],
) -> Signal:
    offset = stats.offset(rate)
    if offset is not None and offset.largest > OFFSET_WORDS_ABOVE:
        size = f"{100 * offset.largest:.2g} % of full scale"
        others = [*others, f"an offset of up to {size}: taken out; the recorder or its cable should be looked at"]
    if samples is not None:
        if offset is not None:
            offset.take_out(samples, 0)
        samples.flags.writeable = False
    return Signal(
        rate=rate,
        source_rate=source_rate,
        frames=frames,
        channel=channel,
        channels=channels,
        clipped_fraction=stats.clip.fraction(),
        peak=stats.peak,
        warnings=damage + others,
        damaged=bool(damage),
        _samples=samples,
        _file=spool,
        _offset=offset,
    )


def _decode_one(source: Source, index: int, rate: int, memory_frames: int) -> tuple[int, "_ChannelStats", "_Store"]:
    """One pass: the channel at `index` straight into its store."""
    info = source.info
    stats = _ChannelStats(source.step, info.sample_rate)
    store = _Store(_expected_frames(info, rate), memory_frames)
    try:
        resampler = _Resampler(info.sample_rate, rate, store)
        for block in _blocks(source):
            samples = np.ascontiguousarray(block[:, index])
            stats.update(samples)
            resampler.push(samples)
        resampler.finish()
    except BaseException:
        store.close()
        raise
    return index, stats, store


def _decode_best(source: Source, rate: int, memory_frames: int) -> tuple[int, "_ChannelStats", "_Store"]:
    """Look at all channels, keep the best: held in memory when short, decoded a second time when long."""
    info = source.info
    every = [_ChannelStats(source.step, info.sample_rate, levels=True) for _ in range(info.channels)]
    capacity = _expected_frames(info, info.sample_rate)
    short = 0 < capacity * info.channels <= memory_frames
    stores = [_Store(capacity, memory_frames) for _ in every] if short else []
    try:
        for block in _blocks(source):
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


def _blocks(source: Source) -> Iterator[Floats32]:
    """All blocks of a source that is not endless."""
    frames = 0
    for block in source.blocks():
        frames += len(block)
        if frames > MAX_S * source.info.sample_rate:
            raise AudioError(f"goes on for more than {MAX_S / 3600:g} hours: name its part with `start_s` and `end_s`")
        yield block


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


def _warnings(source: Source, stats: "_ChannelStats") -> tuple[list[str], list[str]]:
    """What is missing of a decoded channel, and what else to know; raises `AudioError` when it cannot be used."""
    seconds = stats.frames / source.info.sample_rate
    damage = source.damage(stats.frames)
    if damage and seconds < MIN_USABLE_S:
        raise AudioError(f"only {seconds:.2f} s can be used; {damage[0]}")
    if stats.frames == 0:
        raise AudioError("holds no sound at all (0 samples): stopped at once, or not saved?")
    if stats.bad > MAX_BAD_SHARE * stats.frames:
        raise AudioError(
            f"{stats.bad} of {stats.frames} samples are not numbers (NaN or infinite): "
            "the program that wrote it failed; export it again"
        )
    if stats.peak > MAX_PEAK:
        raise AudioError(
            f"its samples go up to {stats.peak:.2g} times full scale: whole numbers saved as fractions? Export it again"
        )
    if stats.silent:
        raise AudioError(
            "silent: no sound above -80 dB of full scale (wrong input recorded, or the microphone switched off?)"
        )
    others = source.misnamed() + _odd_rate(source.info.sample_rate)
    if stats.bad:
        others.insert(0, f"{stats.bad} samples are not numbers (NaN or infinite); read as zero")
    return damage, others


def _odd_rate(rate: int) -> list[str]:
    """A warning of a rate that no usual device has: all pitches go with it."""
    if rate in RATES:
        return []
    nearest = min(RATES, key=lambda usual: abs(math.log(rate / usual)))
    cents = abs(1200 * math.log2(rate / nearest))
    return [
        f"its header says {rate} samples a second, which no usual device has; if it ought to be {nearest}, all pitches"
        f" are {cents:.2g} cents off (a damaged header?)"
    ]


class _ChannelStats:
    """Running facts about one channel. `update` replaces samples that are not numbers by zero, in place."""

    def __init__(self, step: float, rate: int, levels: bool = False):
        self.clip = ClipMeter(step)
        self.frames = self.bad = 0
        self._lowest, self._highest = math.inf, -math.inf
        self._offset = OffsetMeter(rate)
        self._hop = max(1, round(rate * LEVEL_FRAME_S))
        self._powers: list[Floats32] | None = [] if levels else None

    def update(self, samples: Floats32) -> None:
        if len(samples) == 0:
            return
        lowest, highest = float(samples.min()), float(samples.max())
        if not (math.isfinite(lowest) and math.isfinite(highest)):  # min and max pass NaN on
            bad = ~np.isfinite(samples)
            self.bad += int(np.count_nonzero(bad))
            samples[bad] = 0.0
            lowest, highest = float(samples.min()), float(samples.max())
        self.frames += len(samples)
        self._lowest, self._highest = min(self._lowest, lowest), max(self._highest, highest)
        self.clip.update(samples, lowest, highest)
        self._offset.update(samples)
        if self._powers is not None and len(samples) >= self._hop:
            whole = samples[: len(samples) // self._hop * self._hop].reshape(-1, self._hop)
            self._powers.append(whole.var(axis=1))

    @property
    def peak(self) -> float:
        return max(self._highest, -self._lowest) if self.frames else float("nan")

    def offset(self, rate: int) -> Offset | None:
        """What to take out of the samples given out at `rate`."""
        return self._offset.offset((self._highest - self._lowest) / 2, rate) if self.frames else None

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
        self._file: BinaryIO | None = None
        self.frames = 0

    def append(self, samples: Floats32) -> None:
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

    def blocks(self) -> Iterator[Floats32]:
        for start in range(0, self.frames, BLOCK):
            stop = min(start + BLOCK, self.frames)
            yield self._array[start:stop] if self._file is None else _read_floats(self._file, start, stop)

    def contents(self, memory_frames: int) -> tuple[Floats32 | None, BinaryIO | None]:
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


def _read_floats(file: BinaryIO, first: int, last: int) -> Floats32:
    samples = np.empty(last - first, np.float32)
    file.seek(4 * first)
    file.readinto(samples.view(np.uint8).data)  # type: ignore[attr-defined]  # BinaryIO lacks what all files have
    return samples


class _Resampler:
    """Passes samples on to a store, changing their rate on the way when it differs (`quality` as soxr names it)."""

    def __init__(self, source_rate: int, rate: int, store: _Store, quality: str = "HQ"):
        self._store = store
        self._stream = None
        if source_rate != rate:
            import soxr

            self._stream = soxr.ResampleStream(source_rate, rate, 1, dtype="float32", quality=quality)

    def push(self, samples: Floats32) -> None:
        self._store.append(samples if self._stream is None else self._stream.resample_chunk(samples))

    def finish(self) -> None:
        if self._stream is not None:
            self._store.append(self._stream.resample_chunk(np.empty(0, np.float32), last=True))
