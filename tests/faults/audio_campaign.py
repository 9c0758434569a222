"""Measures the malformed and odd recordings and judges what became of each: python audio_campaign.py FOLDER [--heavy],
or, for N files damaged at random, python audio_campaign.py FOLDER --random N [SEED].

A process of its own, because it is to be started without a superuser's power to read everything. Writes
FOLDER/outcomes.json.
"""

import os
import re
import sys
from dataclasses import replace
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

import numpy as np

from evenbore.facts.flags import read_flags
from evenbore.files.digest import sha256
from evenbore.notes.chunkfile import read_chunk_rows
from evenbore.process import guard
from evenbore.process.guard import Guard, measure_chunk
from faults.audio_corpus import HEAVY, LIGHT, OK, SET_ASIDE, Case, bytes_of, cases, good, random_damage
from faults.evil import evil_decoder
from faults.outcome import FINE, HANG, LOSS, TRACEBACK, WRONG, Outcome, save
from smallstudy import HIGH, LOW

WRONG_CENTS = 5.0  # of a note that nothing warns of
CHUNK = 250  # recordings measured by one worker, which takes half a second to start
SHORT_S = 2.0  # limit of the one that hangs; the others have all the time that a busy machine may need
LITTLE_BYTES = 1 << 30  # limit of the chunk in which one eats the memory


def row(path: Path) -> dict:
    """What measuring needs to know of a recording of the small study's scale."""
    return {
        "recording": path.stem, "instrument": "clar_a", "session": "s1", "take": 1, "dynamic": "mf",
        "articulation": "tongued", "direction": "up", "state": "as_found", "path": str(path), "sha256": sha256(path),
        "channel": None, "start_s": None, "end_s": None,
        "pattern": "chromatic", "low": LOW, "high": HIGH, "notes": None, "tuning_hz": 440.0,
        "family": "clarinet_b_flat", "families_dir": None,
    }  # fmt: skip


def run(folder: Path, heavy: bool) -> list[Outcome]:
    """Write the files, measure them chunk by chunk, judge."""
    audio = folder / "audio"
    audio.mkdir()
    os.environ["PYTHONPATH"] = evil_decoder(folder)
    os.environ["EVIL_ONCE"] = str(folder / "done once")
    corpus = [case for case in cases() if case.weight == LIGHT or heavy]
    evil = [case for case in corpus if case.name.startswith("evil_")]
    plain = [case for case in corpus if case not in evil]
    outcomes = []
    for start in range(0, len(plain), CHUNK):
        outcomes += _measure(plain[start : start + CHUNK], audio)
    usual = guard.time_limit_s
    guard.time_limit_s = lambda path: SHORT_S if "evil_hang" in path else usual(path)
    return outcomes + _measure(evil, audio, memory_bytes=LITTLE_BYTES)


def run_random(folder: Path, count: int, seed: int) -> list[Outcome]:
    """Measure files damaged at random; of those that nothing warns of the notes must be the good take's."""
    audio = folder / "audio"
    audio.mkdir()
    bytes_of(good("wav16"))(audio / "good.wav")
    with Guard() as worker:
        list(measure_chunk([row(audio / "good.wav")], "s1--clar_a", audio / "good.npz", worker))
    truth = _cents(read_chunk_rows(audio / "good.npz").notes[0])
    some, outcomes = list(random_damage(count, seed)), []
    for start in range(0, count, CHUNK):
        outcomes += _measure(some[start : start + CHUNK], audio, truth)
        save(outcomes, folder / "outcomes.json")  # however far it comes
    return outcomes


def _cents(notes: list[dict]) -> list[float]:
    """NaN where a flag says that they may be wrong."""
    doubted = [any("cents" in flag.doubts for flag in read_flags(note["flags"])) for note in notes]
    return [np.nan if doubt else note["cents"] for note, doubt in zip(notes, doubted, strict=True)]


def _measure(some: list[Case], audio: Path, truth: list[float] = (), **limits) -> list[Outcome]:
    for case in some:
        case.write(audio / case.name)
    path = audio / "chunk.npz"
    with Guard(**limits) as worker:
        told = list(measure_chunk([row(audio / case.name) for case in some], "s1--clar_a", path, worker))
    chunk = read_chunk_rows(path)
    records = {record["recording"]: record for record in chunk.recordings}
    cents = {record["recording"]: _cents(notes) for record, notes in zip(*chunk, strict=True)}
    if any(case.weight == HEAVY for case in some):
        for case in some:
            (audio / case.name).unlink(missing_ok=True)
    outcomes = []
    for case, text in zip(some, told, strict=True):
        recording = Path(case.name).stem
        outcome = _judge(case, text, records.get(recording))
        if outcome.happened == OK and outcome.verdict == FINE and truth:
            away = np.nanmax(np.abs(np.subtract(cents[recording], truth)))
            if away > WRONG_CENTS:
                outcome = replace(outcome, verdict=LOSS, detail=f"silently {away:.1f} cents wrong")
        outcomes.append(outcome)
    return outcomes


def _judge(case: Case, told: str, record: dict | None) -> Outcome:
    if record is None:
        return Outcome(case.fault, case.name, "not in the table", LOSS)
    status, reason = record["status"], record["reason"]
    verdict, detail = FINE, reason
    if "Traceback" in told and not case.name.startswith("evil_fail"):
        verdict, detail = TRACEBACK, told
    elif ("took longer" in reason or "too much computing" in reason) and not case.name.startswith("evil_hang"):
        verdict = HANG
    elif (status == "ok" and record.get("notes_found") != HIGH - LOW + 1) or (status != "ok" and not reason):
        verdict = LOSS
    elif status not in case.statuses or (status != "ok" and not re.search(case.reason, reason)):
        verdict = WRONG
    return Outcome(case.fault, case.name, "set aside" if status == SET_ASIDE else status, verdict, detail)


if __name__ == "__main__":
    target = Path(sys.argv[1])
    if "--random" in sys.argv:
        count, seed = [*map(int, sys.argv[3:]), 1][:2]
        run_random(target, count, seed)
    else:
        save(run(target, "--heavy" in sys.argv), target / "outcomes.json")
