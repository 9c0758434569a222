"""Measure every take of a campaign and score it; the general-purpose trackers on some of them too."""

import math
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TextIO

import numpy as np
import soundfile

from evenbore.notes.measure import measure_recording
from evenbore.trade.pitch import midi_to_hz
from rendering.render import RATE, Take

from .score import Found, score, track_errors
from .takes import CLEAN, EXACT, HARD, HELD_OUT, Case
from .trackers import TRACKERS, notes_of, pitch_of, search_range

COMPARED = (CLEAN, EXACT, HARD)


def run(cases: Iterable[Case], trackers: Iterable[str], compared_each: int, tell: TextIO) -> list[dict]:
    """One dictionary for every take: what it is, the score, CPU seconds.

    The first `compared_each` held-out takes of the conditions `COMPARED` have these trackers' scores too.
    """
    results, compared = [], dict.fromkeys(COMPARED, 0)
    cases = list(cases)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        for number, case in enumerate(cases, 1):
            take = case.take()
            loudest = float(np.abs(take.audio).max())
            soundfile.write(path, take.audio * min(1.0, 0.98 / loudest), RATE, subtype="PCM_24")
            result = _measured(case, take, path)
            if case.part == HELD_OUT and compared.get(case.condition, compared_each) < compared_each:
                compared[case.condition] += 1
                result["trackers"] = {name: _tracked(name, case, take, path) for name in trackers}
            results.append(result)
            print(f"{number}/{len(cases)} {_line(result)}", *result["failures"], sep="\n    ", file=tell, flush=True)
    return results


def _measured(case: Case, take: Take, path: Path) -> dict:
    begun = time.process_time()
    measured = measure_recording(case.row(str(path)))
    cpu_s = time.process_time() - begun
    found = [_found(note) for note in measured.notes]
    return {
        "name": case.name,
        "part": case.part,
        "condition": case.condition,
        "articulation": case.scale.articulation,
        "exact": case.exact,
        "duration_s": len(take.audio) / RATE,
        "cpu_s": cpu_s,
        "status": measured.recording["status"],
        "reason": measured.recording["reason"],
        **score(take.notes, found).as_dict(),
    }


def _found(note: dict) -> Found:
    """A row of the table of notes; one that was found but has no pitch of its own stands for its nominal pitch."""
    hz = midi_to_hz(note["midi"]) if math.isnan(note["f0_hz"]) else note["f0_hz"]
    return Found(note["onset_s"], note["offset_s"], float(hz), note["confidence"])


def _tracked(name: str, case: Case, take: Take, path: Path) -> dict:
    begun = time.process_time()
    audio, rate = soundfile.read(path, dtype="float32")
    track = TRACKERS[name](audio, rate, *search_range(case.scale.midis))
    notes = notes_of(track, audio, rate)
    cpu_s = time.process_time() - begun
    result = score(take.notes, notes, names=False)
    cents, gross, mistaken = track_errors(take.notes, [pitch_of(track, note) for note in take.notes])
    counts = ("played", "found", "matched", "matched_offset", "matched_onset", "spurious")
    return {key: getattr(result, key) for key in counts} | {
        "cpu_s": cpu_s,
        "span_cents": cents,
        "span_gross": gross,
        "span_mistaken": mistaken,
    }


def _line(result: dict) -> str:
    f = 2 * result["matched"] / max(1, result["played"] + result["found"])
    cents = np.abs(result["cents"])
    middle = f"{np.median(cents):.3f}" if len(cents) else "-"
    speed = 60 * result["cpu_s"] / result["duration_s"]
    words = f"{result['part']}: {result['name']}: {result['played']} notes, F {f:.3f}, median {middle} cents"
    return f"{words}, {speed:.2f} s CPU a minute, {result['status']} {result['reason']}"
