"""Short clips of recordings, for listening in the report.

Conventions: one channel at CLIP_RATE; times in s from the clip's start; every clip as a whole at LOUDNESS_LUFS
(ITU-R BS.1770-4; the level is that of EBU R 128). MP3, for it is what every current browser decodes: Ogg is not
decoded by Safaris still in use (from memory), and WAV or FLAC would be four to eight times as large.
"""

import io
import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
import soxr

from evenbore.facts.arrays import Floats32
from evenbore.facts.rows import RecordingRow, Row
from evenbore.files.errors import AudioError
from evenbore.recording.audio import Signal, open_signal, signal_from_array
from evenbore.recording.quality import lufs

CLIP_RATE = 32_000  # Hz: holds sound up to 15 kHz
COMPRESSION = 0.944  # of libsndfile, 0 to 1: 48 kbit/s at a constant rate
LOUDNESS_LUFS = -23.0
TAKES_HEARD = 2  # of one instrument, state and session: the second shows how far two takes of one instrument differ
NOTE_S, BEFORE_S, AFTER_S = 2.0, 0.15, 0.25  # the most of a note that is kept, and what stays around it
PASSAGE_S = 30.0
FADE_S = 0.01


@dataclass(frozen=True)
class Clip:
    """What can be heard of one recording.

    `kind`: scale or passage; `passage`: name of the phrase, if it has one. `notes`: written note, sounding midi, start
    and end in s, in playing order. `mp3`: the sound.
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


def cut_clips(rows: list[RecordingRow], recordings: list[Row], notes: list[list[Row]], base_dynamic: str) -> list[Clip]:
    """Clips of one chunk: of each state up to TAKES_HEARD takes of the scale, best first, and every phrase once at each
    dynamic.

    `rows`: the chunk's rows of the sheet; `recordings`, `notes`: what it told, in the same order. Takes are at the
    base dynamic, played alike. A recording that cannot be read any more has no clip.
    """
    usable: list[Row] = [{**row, **recording, "notes": of_recording}
             for row, recording, of_recording in zip(rows, recordings, notes, strict=True)
             if recording["status"] != "set_aside"]  # fmt: skip
    clips = []
    for state in dict.fromkeys(row["state"] for row in usable):
        of_state = [row for row in usable if row["state"] == state]
        scales = sorted((row for row in of_state if row["pattern"] != "passage" and row["notes"]
                         and row["dynamic"] == base_dynamic), key=_worse)  # fmt: skip
        alike = [row for row in scales if _played(row) == _played(scales[0])]
        passages: dict[tuple[str | None, str], Row] = {}
        for row in sorted((row for row in of_state if row["pattern"] == "passage"), key=_worse):
            passages.setdefault((row["passage"], row["dynamic"] if row["passage"] else ""), row)
        clips += [_cut(row) for row in (*alike[:TAKES_HEARD], *passages.values())]
    return [clip for clip in clips if clip is not None]


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
    keys = ("recording", "instrument", "session", "state", "take", "dynamic")
    kind, phrase = ("passage", row["passage"] or "") if passage else ("scale", "")
    return Clip(
        **{key: row[key] for key in keys}, played=_played(row), kind=kind, passage=phrase, notes=times,
        mp3=encoded(samples * gain),
    )  # fmt: skip


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


def encoded(samples: Floats32) -> bytes:
    """Samples (N,) at CLIP_RATE as MP3."""
    out = io.BytesIO()
    soundfile.write(out, samples, CLIP_RATE, format="MP3", subtype="MPEG_LAYER_III", bitrate_mode="CONSTANT",
                    compression_level=COMPRESSION)  # fmt: skip
    return out.getvalue()


def decoded(mp3: bytes) -> Floats32:
    """The samples (N,) at CLIP_RATE behind `encoded`."""
    samples: Floats32 = soundfile.read(io.BytesIO(mp3), dtype="float32")[0]
    return samples


def write_clips(clips: list[Clip], path: str | Path) -> None:
    """Keep the clips of a chunk: one row of JSON for all, and the bytes of each."""
    rows = [{key: value for key, value in asdict(clip).items() if key != "mp3"} for clip in clips]
    sounds = {f"mp3_{number}": np.frombuffer(clip.mp3, np.uint8) for number, clip in enumerate(clips)}
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    np.savez(path, allow_pickle=False, rows=np.array(json.dumps(rows)), **sounds)


@dataclass(frozen=True)
class StoredClip:
    """A clip in a file: `about` is all of it but the sound."""

    about: Clip
    path: str | Path
    number: int

    def whole(self) -> Clip:
        """The clip with its sound."""
        with np.load(self.path, allow_pickle=False) as kept:
            return replace(self.about, mp3=kept[f"mp3_{self.number}"].tobytes())


def stored_clips(paths: Iterable[str | Path]) -> list[StoredClip]:
    """The clips of all chunks, their sound left where it is: together it is far more than a report holds."""
    clips = []
    for path in paths:
        with np.load(path, allow_pickle=False) as kept:
            rows = json.loads(str(kept["rows"]))
        for number, row in enumerate(rows):
            notes = [tuple(note) for note in row.pop("notes")]
            clips.append(StoredClip(Clip(**row, notes=notes, mp3=b""), path, number))
    return clips
