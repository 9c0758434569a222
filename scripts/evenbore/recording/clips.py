"""Short clips of recordings, for listening in the report.

Conventions: one channel at CLIP_RATE; times in s from the clip's start; every clip as a whole at LOUDNESS_LUFS
(ITU-R BS.1770-4; the level is that of EBU R 128). MP3, for it is what every current browser decodes: Ogg is not
decoded by Safaris still in use (from memory), and WAV or FLAC would be four to eight times as large.
"""

import hashlib
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TypeAlias
from zipfile import BadZipFile

import av
import numpy as np
import soundfile
import soxr

from evenbore.facts.arrays import Floats32
from evenbore.facts.rows import RecordingRow, Row
from evenbore.files.atomic import write_atomically
from evenbore.files.digest import sha256
from evenbore.files.errors import AudioError
from evenbore.recording.audio import Signal, open_signal, signal_from_array
from evenbore.recording.quality import lufs, sound_lufs

CLIP_RATE = 32_000  # Hz: holds sound up to 15 kHz
BIT_RATE = 48_000  # constant, in bits a second
LAME_QUALITY = "7"  # 0 slowest to 9: half the time of LAME's usual 3, and at this rate the samples come back as near
LOUDNESS_LUFS = -23.0
TAKES_HEARD = 2  # of one instrument, state and session: the second shows how far two takes of one instrument differ
NOTE_S, BEFORE_S, AFTER_S = 2.0, 0.15, 0.25  # the most of a note that is kept, and what stays around it
PASSAGE_S = 30.0
FADE_S = 0.01


Level: TypeAlias = tuple[float, float]
"""Loudness (LUFS) and peak (dBFS)."""


@dataclass(frozen=True)
class Clip:
    """What can be heard of one recording.

    `kind`: scale or passage; `passage`: name of the phrase, if it has one. `notes`: written note, sounding midi, start
    and end in s, in playing order. `mp3`: the sound; `levels`: of that, see `levels_of`. `cut_of`: SHA-256 of all that
    it was cut out of and by; a clip that was kept is taken again where that is the same.
    """

    recording: str
    instrument: str
    session: str
    state: str
    take: int
    dynamic: str
    played: str
    kind: str
    passage: str
    notes: list[tuple[str, int, float, float]]
    mp3: bytes
    levels: list[Level]
    cut_of: str = ""

    @property
    def alone(self) -> list[tuple[float, float]]:
        """Start and end of what is played by itself: every note of a scale; a passage is heard whole."""
        return [(start, end) for _, _, start, end in self.notes] if self.kind == "scale" else []


def takes_to_hear(
    rows: list[RecordingRow], recordings: list[Row], notes: list[list[Row]], base_dynamic: str
) -> list[Row]:
    """The takes of one chunk that clips may be cut of: of each state up to TAKES_HEARD of the scale, best first, and
    every phrase once at each dynamic.

    `rows`: the chunk's rows of the sheet; `recordings`, `notes`: what it told, in the same order. Takes are at the
    base dynamic, played alike. A take is its row with what was measured and its notes.
    """
    usable: list[Row] = [{**row, **recording, "notes": of_recording}
             for row, recording, of_recording in zip(rows, recordings, notes, strict=True)
             if recording["status"] != "set_aside"]  # fmt: skip
    takes = []
    for state in dict.fromkeys(row["state"] for row in usable):
        of_state = [row for row in usable if row["state"] == state]
        scales = sorted((row for row in of_state if row["pattern"] != "passage" and row["notes"]
                         and row["dynamic"] == base_dynamic), key=_worse)  # fmt: skip
        alike = [row for row in scales if _played(row) == _played(scales[0])]
        passages: dict[tuple[str | None, str], Row] = {}
        for row in sorted((row for row in of_state if row["pattern"] == "passage"), key=_worse):
            passages.setdefault((row["passage"], row["dynamic"] if row["passage"] else ""), row)
        takes += [*alike[:TAKES_HEARD], *passages.values()]
    return takes


def cut_clips(takes: Iterable[Row], most_bytes: float, code: str, kept: Mapping[str, Clip]) -> list[Clip]:
    """Clips of the takes as they are to be heard, as many as fit into `most_bytes` of base64, the first of them; the
    others without sound. A recording that cannot be read any more, or that has changed, has no clip.

    `kept` (see `kept_clips`): clips that need not be cut again where neither take nor `code` is another.
    """
    clips: list[Clip] = []
    size, full, digest = 0.0, False, cache(sha256)  # many takes may be in one file
    for take in takes:
        if full:
            clips.append(_clip(take, [], b""))
            continue
        # in whatever folder the study lies; the sound's own digest is in it
        row = {key: value for key, value in take.items() if key not in ("path", "families_dir")}
        cut_of = _sha256(code, json.dumps(row, sort_keys=True))
        if digest(take["path"]) == take["sha256"] and (clip := kept.get(cut_of) or _cut(take)) is not None:
            clip = replace(clip, cut_of=cut_of)
            size += len(clip.mp3) * 4 / 3
            full = size > most_bytes
            clips.append(replace(clip, mp3=b"") if full else clip)
    return clips


def _worse(row: Row) -> tuple[bool, bool, int, float, int]:
    """Sorts the recordings best to listen to first: unwarned, slurred, complete, clean, early."""
    snr = row.get("snr_db")
    clean = snr if snr is not None and math.isfinite(snr) else 0.0
    return (row["status"] != "ok", row["articulation"] != "slurred", -len(row["notes"]), -clean, row["take"])


def _played(row: Row) -> str:
    kind = "a passage" if row["pattern"] == "passage" else f"{row['articulation']}, {row['direction']}"
    return f"{kind}, {row['dynamic']}"


def _cut(row: Row) -> Clip | None:
    notes, passage = row["notes"], row["pattern"] == "passage"
    if passage:  # heard whole
        notes = [note for note in notes if note["offset_s"] <= PASSAGE_S]
    spans = [(note["onset_s"], min(note["offset_s"], note["onset_s"] + NOTE_S)) for note in notes]
    try:
        with open_signal(row["path"], row["channel"], start_s=row["start_s"], end_s=row["end_s"]) as signal:
            if passage:
                samples = signal.slice(0, round(min(signal.duration_s, PASSAGE_S) * signal.rate))
                starts = [onset for onset, _ in spans]
            else:
                samples, starts = _join(signal, spans)
            samples = soxr.resample(samples, signal.rate, CLIP_RATE)
    except AudioError:
        return None
    loudness = lufs(signal_from_array(samples, CLIP_RATE))
    if not math.isfinite(loudness):
        return None
    gain = min(10 ** ((LOUDNESS_LUFS - loudness) / 20), 0.95 / np.abs(samples).max())
    times = [(note["written_note"], note["midi"], start, start + end - onset)
             for note, start, (onset, end) in zip(notes, starts, spans, strict=False)]  # fmt: skip
    clip = _clip(row, times, encoded(samples * gain))
    return replace(clip, levels=levels_of(decoded(clip.mp3), clip.alone))


def _clip(row: Row, notes: list[tuple[str, int, float, float]], mp3: bytes) -> Clip:
    kind, phrase = ("passage", row["passage"] or "") if row["pattern"] == "passage" else ("scale", "")
    keys = ("recording", "instrument", "session", "state", "take", "dynamic")
    return Clip(**{key: row[key] for key in keys}, played=_played(row), kind=kind, passage=phrase, notes=notes, mp3=mp3,
                levels=[])  # fmt: skip


def _join(signal: Signal, spans: list[tuple[float, float]]) -> tuple[Floats32, list[float]]:
    """The samples around the spans, one after the other, faded where something is left out; where each span starts."""
    pieces: list[list[float]] = []
    for first, last in spans:
        first, last = max(first - BEFORE_S, 0.0), min(last + AFTER_S, signal.duration_s)
        if pieces and first <= pieces[-1][1]:
            pieces[-1][1] = max(last, pieces[-1][1])
        else:
            pieces.append([first, last])
    edges = [[round(time * signal.rate) for time in piece] for piece in pieces]
    before = np.cumsum([0] + [last - first for first, last in edges]) / signal.rate
    place = np.searchsorted([piece[0] for piece in pieces], [first for first, _ in spans], "right") - 1
    starts = [float(before[k] + first - pieces[k][0]) for k, (first, _) in zip(place, spans, strict=True)]
    return np.concatenate([faded(signal.slice(*edge), signal.rate) for edge in edges]), starts


def faded(samples: Floats32, rate: int) -> Floats32:
    """The samples (N,) with FADE_S of fading at both ends."""
    size = min(round(FADE_S * rate), len(samples) // 2)
    ramp = np.linspace(0, 1, size, dtype=np.float32)
    return np.concatenate(
        [samples[:size] * ramp, samples[size : len(samples) - size], samples[len(samples) - size :] * ramp[::-1]]
    )


def levels_of(samples: Floats32, notes: Iterable[tuple[float, float]]) -> list[Level]:
    """Levels of a clip's samples (N,) as a whole, then of each of its `notes` (start and end, s) as it is played."""
    parts = [excerpt(samples, start, end) for start, end in notes]
    loudness = [lufs(signal_from_array(samples, CLIP_RATE)), *(sound_lufs(part, CLIP_RATE) for part in parts)]
    return [(one if np.isfinite(one) else LOUDNESS_LUFS, _peak_db(part))
            for one, part in zip(loudness, [samples, *parts], strict=True)]  # fmt: skip


def excerpt(samples: Floats32, start_s: float, end_s: float) -> Floats32:
    """A note as it is played: from a little before its onset to its end, faded."""
    first = max(round((start_s - BEFORE_S / 3) * CLIP_RATE), 0)
    return faded(samples[first : round(end_s * CLIP_RATE)], CLIP_RATE)


def _peak_db(samples: Floats32) -> float:
    return float(20 * np.log10(max(float(np.abs(samples).max(initial=0)), 1e-6)))


def encoded(samples: Floats32) -> bytes:
    """Samples (N,) at CLIP_RATE as MP3."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp3") as file:
        stream = file.add_stream("libmp3lame", rate=CLIP_RATE, options={"compression_level": LAME_QUALITY})
        stream.bit_rate, stream.layout = BIT_RATE, "mono"
        frame = av.AudioFrame.from_ndarray(samples[None].astype(np.float32), format="fltp", layout="mono")
        frame.sample_rate = CLIP_RATE
        for part in (frame, None):
            file.mux(stream.encode(part))
    return out.getvalue()


def decoded(mp3: bytes) -> Floats32:
    """The samples (N,) at CLIP_RATE behind `encoded`."""
    samples: Floats32 = soundfile.read(io.BytesIO(mp3), dtype="float32")[0]
    return samples


def write_clips(clips: list[Clip], path: str | Path) -> None:
    """Keep clips, atomically: one row of JSON for all, with a seal on each, and the bytes of each."""
    rows = [{key: value for key, value in vars(clip).items() if key != "mp3"} | {"seal": _seal(clip)} for clip in clips]
    sounds = {f"mp3_{number}": np.frombuffer(clip.mp3, np.uint8) for number, clip in enumerate(clips)}

    def write(temporary: Path) -> None:
        with temporary.open("wb") as file:
            np.savez(file, allow_pickle=False, rows=np.array(json.dumps(rows)), **sounds)

    write_atomically(path, write)


def read_clips(path: str | Path) -> list[Clip]:
    """What `write_clips` kept."""
    return [clip for clip, _ in _read(path)]


def kept_clips(path: str | Path) -> dict[str, Clip]:
    """What a clip was cut of -> the clip, of those that are as they were written; none of a file that is no such."""
    try:
        return {clip.cut_of: clip for clip, seal in _read(path) if clip.mp3 and seal == _seal(clip)}
    except (OSError, ValueError, KeyError, TypeError, EOFError, BadZipFile):
        return {}


def _read(path: str | Path) -> Iterator[tuple[Clip, str]]:
    with np.load(path, allow_pickle=False) as file:
        for number, row in enumerate(json.loads(str(file["rows"]))):
            seal, lists = row.pop("seal"), {key: [tuple(one) for one in row[key]] for key in ("notes", "levels")}
            yield Clip(**row | lists, mp3=file[f"mp3_{number}"].tobytes()), seal


def _seal(clip: Clip) -> str:
    told = {key: value for key, value in vars(clip).items() if key != "mp3"}
    return _sha256(json.dumps(told), hashlib.sha256(clip.mp3).hexdigest())


def _sha256(*texts: str) -> str:
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()
