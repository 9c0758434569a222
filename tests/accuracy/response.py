"""How well the response of notes is measured in rooms: python tests/accuracy/response.py.

Scales of additive tones whose attack, settling, slurs and cracks are known by construction, dry and in three rooms.
Prints the tables and renews them in docs/accuracy.md. Times are ms.
"""

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

import numpy as np
import pandas as pd
import soundfile

from campaigns import markdown, renew
from evenbore.notes.measure import measure_recording
from evenbore.trade.families import load_family
from evenbore.trade.pitch import midi_to_hz
from synth.instrument import make_instrument
from synth.room import Chain
from synth.tones import Note, render

PAGE = REPO / "docs" / "accuracy.md"
RATE = 44_100
FAMILIES = ("saxophone_alto", "clarinet_b_flat", "flute", "bassoon", "trumpet_b_flat")
# reverberation time in s, reverberant over direct sound in dB
ROOMS = {"dry": (0.0, -99.0), "0.45 s, -6 dB": (0.45, -6.0), "0.9 s, -3.5 dB": (0.9, -3.5), "1.5 s, 0 dB": (1.5, 0.0)}
NOTES = 25
GAP_S, ATTACK_S, SLUR_S, SCOOP_CENTS, SCOOP_S = (0.03, 0.06), (0.012, 0.16), (0.02, 0.12), (15.0, 60.0), (0.02, 0.08)
CRACKED, CRACK_S, CRACK_SEMITONES = 0.15, (0.05, 0.09), (-12, -7, 7, 12)
_TENTH, _NINE_TENTHS = (2 / np.pi * np.arcsin(np.sqrt(share)) for share in (0.1, 0.9))


def played(family: str, articulation: str, seconds: float, seed: int) -> tuple[np.ndarray, list[int], pd.DataFrame]:
    """A take without a room: sound, written notes, and the truth by note.

    `attack_ms`: of all harmonics, which come together. `settle_ms`: until the scoop is within 10 cents.
    """
    rng = np.random.default_rng([seed, *map(ord, family + articulation)])
    family = load_family(family)
    model = make_instrument(family, seed, "take")
    written = list(range(family.low, min(family.usual_top, family.low + NOTES - 1) + 1))
    notes, start = [], 1.2
    for note in written:
        sound, stop = model.sound(note, rng.normal(0, 0.7)), start + seconds * np.exp(rng.normal(0, 0.07))
        notes.append(
            Note(
                onset_s=start,
                offset_s=stop - (rng.uniform(*GAP_S) if articulation == "tongued" else 0.0),
                f0_hz=midi_to_hz(family.to_sounding(note)) * 2 ** (sound.cents / 1200),
                levels_db=sound.levels_db,
                attack_s=float(np.exp(rng.uniform(*np.log(ATTACK_S)))) if articulation == "tongued" else 0.03,
                upper_delay_s=0.0,
                jitter_cents=1.5,
                scoop_cents=rng.uniform(*SCOOP_CENTS)
                if articulation == "tongued"
                else 0.0,  # or the slur has no clear end
                scoop_s=rng.uniform(*SCOOP_S),
                crack_s=rng.uniform(*CRACK_S) if rng.random() < CRACKED else 0.0,
                crack_semitones=float(rng.choice(CRACK_SEMITONES)),
                breath_dbfs=sound.breath_db,
            )
        )
        start = stop
    slurs = None if articulation == "tongued" else rng.uniform(*SLUR_S, len(notes) - 1).tolist()
    audio, truths = render(notes, RATE, np.ceil(4 * start + 3) / 4, slurs, rng)  # of such lengths transforms are fast
    truth = pd.DataFrame(
        {
            "step": range(len(notes)),
            "onset_s": [one.onset_s for one in truths],
            "attack_ms": [1000 * note.attack_s for note in notes],
            "settle_ms": [1000 * note.scoop_s * np.log(max(note.scoop_cents, 10) / 10) for note in notes],
            "transition_ms": [np.nan, *(1000 * (_NINE_TENTHS - _TENTH) * np.array(slurs))] if slurs else np.nan,
            "cracked": [note.crack_s > 0 for note in notes],
        }
    )
    return audio, written, truth


def measured(audio: np.ndarray, family: str, articulation: str, written: list[int], room: str, seed: int, folder: str):
    """The notes of the take as measured in a room, a data frame, and the recording's row."""
    reverb_s, reverberant_db = ROOMS[room]
    chain = Chain(
        seed=100 + seed, gain_db=-6.0, eq=((80, -1), (500, 0), (3000, 1.5), (10_000, -2)), low_cut_hz=40.0,
        rt60_s=reverb_s, reverberant_db=reverberant_db, noise_dbfs=-66.0,
    )  # fmt: skip
    path = Path(folder) / "take.wav"
    soundfile.write(path, chain.record(audio, RATE, np.random.default_rng(seed)), RATE, subtype="FLOAT")
    row = {
        "recording": "r", "instrument": "i", "session": "s", "take": 1, "dynamic": "mf", "articulation": articulation,
        "direction": "up", "state": "as_found", "path": str(path), "channel": None,
        "start_s": None, "end_s": None, "pattern": "chromatic",
        "family": family, "families_dir": None, "low": written[0], "high": written[-1], "notes": None,
        "tuning_hz": 440.0,
    }  # fmt: skip
    found = measure_recording(row)
    return pd.DataFrame(found.notes)


def campaign(families=FAMILIES, rooms=tuple(ROOMS), seeds=(1,), lengths_s=(0.45,)) -> pd.DataFrame:
    """Every note that was found, one row each: room, articulation, what was true (`_true`) and what was measured."""
    return pd.concat(list(_parts(families, rooms, seeds, lengths_s)), ignore_index=True)


def _parts(families, rooms, seeds, lengths_s) -> Iterator[pd.DataFrame]:
    with tempfile.TemporaryDirectory() as folder:
        for family in families:
            for articulation in ("tongued", "slurred"):
                for seconds in lengths_s:
                    for seed in seeds:
                        audio, written, truth = played(family, articulation, seconds, seed)
                        for room in rooms:
                            found = measured(audio, family, articulation, written, room, seed, folder)
                            notes = truth.merge(found, on="step", suffixes=("_true", ""))
                            yield notes.assign(room=room, family=family)


def flagged(notes: pd.DataFrame, flag: str) -> pd.Series:
    """Which notes carry the flag."""
    return notes["flags"].str.split().map(lambda words: flag in words)


def errors(notes: pd.DataFrame, name: str) -> dict[str, float]:
    """Of one measure: notes, share measured, correlation with the truth, error's median, and of its size
    the median and the 90 % quantile.
    """
    known = notes.dropna(subset=[name])
    error = known[name] - known[f"{name}_true"]
    return {
        "notes": len(notes),
        "measured": len(known) / max(1, len(notes)),
        "correlation": known[name].corr(known[f"{name}_true"]),
        "bias": error.median(),
        "typical": error.abs().median(),
        "most": error.abs().quantile(0.9),
    }


def times_table(notes: pd.DataFrame) -> str:
    """Attack, settling and slurs by room, where anything of them is measured."""
    rows = []
    for name, part in (
        ("attack_ms", notes[notes["articulation"] == "tongued"]),
        ("settle_ms", notes[notes["articulation"] == "tongued"]),
        ("transition_ms", notes[flagged(notes, "slurred")]),
    ):
        part = part[~part["cracked"]]
        for room in part["room"].unique():
            of = errors(part[part["room"] == room], name)
            if of["measured"]:
                numbers = [f"{of['correlation']:.3f}", *(f"{of[key]:.1f}" for key in ("bias", "typical", "most"))]
                rows.append((f"`{name}`", room, of["notes"], f"{100 * of['measured']:.0f} %", *numbers))
    head = ("measure", "room", "notes", "measured", "correlation", "median error (ms)", "median size", "90 % of sizes")
    return markdown(head, rows)


def cracks_table(notes: pd.DataFrame) -> str:
    """Cracked notes by room: found, and flagged where none was planted."""
    rows = []
    for room, part in notes.groupby("room", sort=False):
        flag = flagged(part, "cracked")
        planted = part["cracked"]
        rows.append((room, planted.sum(), (flag & planted).sum(), (~planted).sum(), (flag & ~planted).sum()))
    return markdown(("room", "cracked", "of these flagged", "sound", "of these flagged"), rows)


if __name__ == "__main__":
    all_notes = campaign()
    found = {"response": times_table(all_notes), "cracks": cracks_table(all_notes)}
    print("\n\n".join(found.values()))
    renew(PAGE, found)
