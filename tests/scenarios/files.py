"""What recorders and files do to a take. Each: (take, random numbers) -> take, with the truth moved along."""

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import scipy.signal
import soundfile
import soxr

from rendering.dress import in_room, playing_rms, with_hum, with_noise
from rendering.render import RATE

from .play import Played, Truth

Change = Callable[[Played, np.random.Generator], Played]


def sound(change: Callable[[np.ndarray, int], np.ndarray]) -> Change:
    """A change of the sound that moves nothing."""
    return lambda take, rng: Played(change(take.audio, int(rng.integers(1 << 31))), take.notes)


def noise(snr_db: float) -> Change:
    return sound(lambda audio, seed: with_noise(audio, snr_db, seed))


def room(rt60_s: float) -> Change:
    """A room as loud as the player: it has its own level for every note, and lets each die away by 20 dB.

    Of a lasting noise direct sound and tail are equally strong, by construction: 3 dB louder than alone.
    """

    def change(take: Played, rng: np.random.Generator) -> Played:
        following = [*(note.onset_s for note in take.notes[1:]), math.inf]
        notes = (
            replace(note, level_db=math.nan, offset_s=max(note.offset_s, min(note.offset_s + rt60_s / 3, onset)))
            for note, onset in zip(take.notes, following, strict=True)
        )
        return Played(in_room(take.audio, rt60_s, seed=int(rng.integers(1 << 31))), tuple(notes), 10 * math.log10(2))

    return change


def direct_current(take: Played, rng: np.random.Generator) -> Played:
    """A steady part that an unmatched input adds."""
    return Played(take.audio + 0.03 * rng.choice([-1, 1]), take.notes)


def automatic_gain(take: Played, rng: np.random.Generator) -> Played:
    """As a telephone's recorder: gain falls fast (20 ms) when it is loud, comes back slowly (2 s), by 12 dB at most. A
    lasting noise moves with it: its level counts by the median gain while there is playing."""
    hop = RATE // 1000
    blocks = take.audio[: len(take.audio) // hop * hop].reshape(-1, hop)
    level = np.sqrt((blocks**2).mean(axis=1))
    target, gain, gains = 0.5 * playing_rms(take.audio), 1.0, np.empty(len(level))
    envelope = 0.0
    for n, now in enumerate(level):
        envelope = max(now, envelope * math.exp(-1 / 50))
        wanted = np.clip(target / max(envelope, 1e-9), 0.25, 1.0)
        gain += (wanted - gain) * (1 - math.exp(-1 / (20 if wanted < gain else 2000)))
        gains[n] = gain
    moved = np.interp(np.arange(len(take.audio)), hop * (np.arange(len(gains)) + 0.5), gains)
    while_playing = float(np.median(gains[level > 0.25 * target]))
    return Played(take.audio * moved, take.notes, 20 * math.log10(while_playing))


def dropouts(take: Played, rng: np.random.Generator) -> Played:
    """Ten stretches of 5 to 40 ms of silence."""
    audio = take.audio.copy()
    for at in _within(take, rng, 10):
        audio[at : at + round(rng.uniform(0.005, 0.04) * RATE)] = 0
    return Played(audio, take.notes)


def lost_buffers(take: Played, rng: np.random.Generator) -> Played:
    """Six pieces of 10 to 50 ms are gone, and what follows comes earlier."""
    for at in sorted(_within(take, rng, 6), reverse=True):
        take = _cut(take, at / RATE, at / RATE + rng.uniform(0.01, 0.05))
    return take


def late_start(take: Played, rng: np.random.Generator) -> Played:
    """The file begins in the middle of the first note."""
    first = take.notes[0]
    take = _cut(take, 0.0, first.onset_s + rng.uniform(0.35, 0.6) * (first.offset_s - first.onset_s))
    return Played(take.audio, (replace(take.notes[0], attack_ms=math.inf), *take.notes[1:]))


def early_end(take: Played, rng: np.random.Generator) -> Played:
    """The file ends in the middle of the last note."""
    last = take.notes[-1]
    end = last.onset_s + rng.uniform(0.4, 0.65) * (last.offset_s - last.onset_s)
    return _cut(take, end, len(take.audio) / RATE)


def overdriven(take: Played, rng: np.random.Generator) -> Played:
    """Everything above half of the greatest amplitude is cut off flat, then turned up."""
    ceiling = 0.5 * np.abs(take.audio).max()
    up = 0.999 / ceiling
    return Played(np.clip(take.audio, -ceiling, ceiling) * up, take.notes, 20 * math.log10(up))


def fan(take: Played, rng: np.random.Generator) -> Played:
    """Hum of a fan and its rush, each 18 dB below the playing."""
    audio = with_hum(take.audio, -18, rng.uniform(90, 130))
    rush = scipy.signal.sosfilt(scipy.signal.butter(2, 400, fs=RATE, output="sos"), rng.standard_normal(len(audio)))
    return Played(audio + rush * playing_rms(take.audio) * 10 ** (-18 / 20) / rush.std(), take.notes)


def narrow(take: Played, rng: np.random.Generator) -> Played:
    """As if recorded at 16 kHz and turned into 48 kHz."""
    return Played(soxr.resample(soxr.resample(take.audio, RATE, 16000), 16000, RATE)[: len(take.audio)], take.notes)


def opposite(take: Played, rng: np.random.Generator) -> Played:
    """Two channels that cancel when they are added up."""
    return Played(np.stack([take.audio, -take.audio], axis=1), take.notes)


def _within(take: Played, rng: np.random.Generator, count: int) -> np.ndarray:
    span = take.notes[0].onset_s, take.notes[-1].offset_s - 0.06
    return np.rint(rng.uniform(*span, count) * RATE).astype(int)


def _cut(take: Played, start_s: float, stop_s: float) -> Played:
    """The take without what lies between two times; a note that is touched ends or begins there."""
    first, stop = round(start_s * RATE), min(round(stop_s * RATE), len(take.audio))
    gone = (stop - first) / RATE

    def moved(time: float) -> float:
        return time if time <= start_s else max(start_s, time - gone)

    notes = [replace(note, onset_s=moved(note.onset_s), offset_s=moved(note.offset_s)) for note in take.notes]
    touched = [
        replace(new, attack_ms=math.nan) if start_s <= old.onset_s < stop_s else new
        for new, old in zip(notes, take.notes, strict=True)
    ]
    kept: list[Truth] = [note for note in touched if note.offset_s - note.onset_s > 0.02]
    return Played(np.delete(take.audio, np.s_[first:stop], axis=0), tuple(kept))


def fitting(take: Played) -> Played:
    """The take, turned down to what a file holds."""
    share = min(1.0, 0.98 / np.abs(take.audio).max())
    return replace(take, audio=take.audio * share, louder_db=take.louder_db + 20 * math.log10(share))


def write(take: Played, folder: Path, form: str) -> Path:
    """The take in a file: `flac`, or `mp3 64`, `opus 32`, `aac 64`: kind and kbit/s."""
    audio = take.audio
    kind, _, kbit = form.partition(" ")
    path = folder / f"take.{ {'opus': 'ogg', 'aac': 'm4a'}.get(kind, kind) }"
    if kind == "flac":
        soundfile.write(path, audio, RATE, subtype="PCM_24")
    elif kind == "mp3":
        level = (320 - float(kbit)) / (320 - 32)  # libsndfile spaces its compression level between these rates
        soundfile.write(
            path, audio, RATE, format="MP3", subtype="MPEG_LAYER_III", compression_level=level, bitrate_mode="CONSTANT"
        )
    else:
        _coded(path, audio, {"opus": "libopus", "aac": "aac"}[kind], 1000 * int(kbit))
    return path


def _coded(path: Path, audio: np.ndarray, coder: str, bits_s: int) -> None:
    """Written by FFmpeg's coders."""
    with av.open(str(path), "w") as file:
        stream = file.add_stream(coder, rate=RATE, layout="mono")
        stream.bit_rate = bits_s
        size, context = 960, stream.codec_context
        fitted = av.AudioResampler(format=context.format, layout="mono", rate=RATE)  # the form that the coder takes
        for number, first in enumerate(range(0, len(audio), size)):
            block = np.zeros((1, size), np.float32)
            block[0, : len(audio[first : first + size])] = audio[first : first + size]
            frame = av.AudioFrame.from_ndarray(block, format="flt", layout="mono")
            frame.sample_rate, frame.pts = RATE, number * size
            for part in fitted.resample(frame):
                file.mux(stream.encode(part))
        file.mux(stream.encode(None))
