"""Phrases measured and scored, beside general-purpose note finders on the same takes.

Notes match as in the MIREX note tracking task: onsets within 50 ms and pitches within 50 cents
(mir_eval.transcription). Silently wrong: a note with a pitch more than 25 cents from what sounds at its middle, with a
confidence of `UNSURE` or more and no flag that puts its pitch in doubt.
"""

import math
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import soundfile
from mir_eval import transcription

from accuracy.trackers import TRACKERS, notes_of
from evenbore.facts.flags import UNSURE
from evenbore.notes.measure import measure_recording
from evenbore.notes.phrases import places
from evenbore.recording.audio import open_signal
from evenbore.trade.families import load_family
from rendering.render import note_hz
from scenarios.play import Truth
from scenarios.score import in_doubt

from .takes import RATE, Case, row

ONSET_S, PITCH_CENTS, WRONG_CENTS = 0.05, 50.0, 25.0
REFERENCES = ("librosa pyin", "Praat autocorrelation")


def run(cases: Iterable[Case], listed: bool = False) -> list[dict]:
    """One dictionary for every take, in the order of the cases; without the references where its notes are listed."""
    return [measured(case, not listed, listed) for case in cases]


def measured(case: Case, references: bool = True, listed: bool = False) -> dict:
    """What one take came to; `listed`: its notes are known, as from a score."""
    take = case.take()
    audio = take.audio / max(1.0, 1.02 * np.abs(take.audio).max())
    family = load_family(case.family)
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "take.wav")
        soundfile.write(path, audio, RATE, subtype="PCM_24")
        known = family.to_written(np.array([note.midi for note in take.notes])).tolist() if listed else None
        begun = time.process_time()
        found = measure_recording(row(case, path) | {"low": family.low, "high": family.high, "notes": known})
        cpu_s = time.process_time() - begun
        reference_s = _decode_and_transform(path)
    notes = [(note["onset_s"], note["offset_s"], _hz(note)) for note in found.notes]
    result = {
        "name": case.name,
        "seconds": len(audio) / RATE,
        "set_aside": found.recording["status"] == "set_aside",
        "reason": found.recording["reason"],
        "played": len(take.notes),
        "found": len(notes),
        "cpu_ratio": cpu_s / reference_s,
        "matched": {"evenbore": len(_match(take.notes, notes))},
        "of": {"evenbore": len(notes)},
        **_errors(take.notes, found.notes, notes),
    }
    low, high = (float(note_hz(int(family.to_sounding(np.array(note))))) for note in (family.low - 1, family.high + 1))
    for name in REFERENCES if references else ():
        theirs = [
            (note.onset_s, note.offset_s, note.hz)
            for note in notes_of(TRACKERS[name](audio, RATE, low, high), audio, RATE)
        ]
        result["matched"][name], result["of"][name] = len(_match(take.notes, theirs)), len(theirs)
    return result


def reason(audio: np.ndarray, case: Case) -> str:
    """Why a take that holds this sound instead of the case's is set aside; "" where it is not."""
    family = load_family(case.family)
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "take.wav")
        soundfile.write(path, audio, RATE, subtype="PCM_24")
        told = measure_recording(row(case, path) | {"low": family.low, "high": family.high}).recording
    return told["reason"] if told["status"] == "set_aside" else ""


def f_measure(results: Iterable[dict], name: str = "evenbore") -> float:
    """F over all notes of these takes."""
    results = list(results)
    matched = sum(result["matched"][name] for result in results)
    return 2 * matched / sum(result["played"] + result["of"][name] for result in results)


def _hz(note: dict) -> float:
    return note["f0_hz"] if math.isfinite(note["f0_hz"]) else float(note_hz(note["midi"]))


def _match(truth: tuple[Truth, ...], notes: list[tuple[float, float, float]]) -> list[tuple[int, int]]:
    if not notes:
        return []
    reference = np.array([[one.onset_s, one.offset_s] for one in truth])
    estimate = np.array([[onset, max(offset, onset + 1e-3)] for onset, offset, _ in notes])
    hz = np.array([one.hz if math.isfinite(one.hz) else note_hz(one.midi) for one in truth])
    matched: list[tuple[int, int]] = transcription.match_notes(
        reference, hz, estimate, np.array([note[2] for note in notes]), onset_tolerance=ONSET_S,
        pitch_tolerance=PITCH_CENTS, offset_ratio=None,
    )  # fmt: skip
    return matched


def _errors(truth: tuple[Truth, ...], rows: list[dict], notes: list[tuple[float, float, float]]) -> dict:
    """Cents of matched notes; notes silently wrong, right ones that are doubted all the same; notes that were given a
    place, and those of them that begin within 50 ms of the note of that place."""
    cents = [
        1200 * math.log2(rows[mine]["f0_hz"] / truth[true].hz)
        for true, mine in _match(truth, notes)
        if math.isfinite(rows[mine]["f0_hz"]) and math.isfinite(truth[true].hz)
    ]
    silent = doubted = unsure = 0
    for note in rows:
        middle = (note["onset_s"] + note["offset_s"]) / 2
        here = [one for one in truth if one.onset_s <= middle <= one.offset_s]
        wrong = not any(abs(1200 * math.log2(_hz(note) / one.hz)) <= WRONG_CENTS for one in here if one.hz > 0)
        doubt = note["confidence"] < UNSURE or "pitch" in in_doubt(note["flags"])
        silent += wrong and not doubt
        doubted += doubt and not wrong
        unsure += note["confidence"] < UNSURE and not wrong
    (placed,) = places([[note["midi"] for note in rows]], [one.midi for one in truth])
    pairs = [(note, truth[place]) for note, place in zip(rows, placed, strict=True) if place is not None]
    aligned = sum(abs(note["onset_s"] - one.onset_s) <= ONSET_S for note, one in pairs)
    told = {"silent": silent, "doubted": doubted, "unsure": unsure}
    return {"cents": cents, "placed": len(pairs), "aligned": aligned} | told


def _decode_and_transform(path: str) -> float:
    """CPU seconds of decoding the file and one short-time transform of it, 4096 samples every 512."""
    begun = time.process_time()
    with open_signal(path, None) as signal:
        sound = signal.slice(0, signal.frames)
    window = np.hanning(4096).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(sound, 4096)[::512]
    for first in range(0, len(frames), 32):
        np.abs(np.fft.rfft(frames[first : first + 32] * window))
    return time.process_time() - begun
