"""What is planted in some instruments of a study, told from phrases: a bent note, a tone that thins when soft."""

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import scipy.signal
import soundfile

from evenbore.facts.columns import names
from evenbore.facts.rows import Row
from evenbore.judge.passages import passages_table
from evenbore.notes.measure import measure_recording
from evenbore.notes.phrases import with_places
from evenbore.trade.families import load_family
from evenbore.trade.pitch import cents, midi_to_note
from rendering.render import note_hz
from scenarios.play import Stroke, Truth, perform
from scenarios.sounds import SOURCES

from .takes import RATE, Case, Manner, cases, row

BENT_CENTS = -18.0
NOTICED_CENTS = 10.0  # own choice
DULLER = scipy.signal.butter(1, 900, fs=RATE, output="sos")
PLAIN = ("plain", "other")
INSTRUMENTS = {"plain": (0.0, False), "other": (0.0, False), "bends": (BENT_CENTS, False), "thins": (0.0, True)}
"""Instrument -> cents by which its player bends one note in music, and whether it is duller when soft."""


def told(case: Case) -> tuple[pd.DataFrame, str, float]:
    """The table `passages` of a study of these instruments, by instrument and criterion; the written note bent, and by
    how many cents it truly is against the scale: a voice's own pitch moves as it begins.

    Each plays the phrase at mf, f and p and the scale of its notes, twice.
    """
    rng = np.random.default_rng(case.seed)
    bank, family, tune = SOURCES[case.source].bank(case.family), load_family(case.family), case.strokes(rng)
    midis = sorted({one.midi for one in tune})
    written = family.to_written(np.array(midis)).tolist()
    played: list[Row] = []
    scales: list[Row] = []
    true_music: list[tuple[Truth, ...]] = []
    true_scales: list[tuple[Truth, ...]] = []
    for instrument, (bend, thins) in INSTRUMENTS.items():
        for take in (1, 2):
            cells = {"instrument": instrument, "take": take}
            for dynamic, gain in (("mf", 0.0), ("f", 6.0), ("p", -6.0)):
                mine = [replace(one, cents=bend if one.midi == midis[2] else 0.0, gain_db=gain) for one in tune]
                take_of = perform(_scattered(mine, rng), bank, int(rng.integers(1 << 31)))
                true_music += [take_of.notes] * (instrument == "bends")
                audio = scipy.signal.sosfilt(DULLER, take_of.audio) if thins and dynamic == "p" else take_of.audio
                played += _measured(case, rng, audio, cells | {"dynamic": dynamic})
            scale = [Stroke(midi, 0.5, slurred=k > 0, steps=(k,)) for k, midi in enumerate(midis)]
            take_of = perform(_scattered(scale, rng), bank, int(rng.integers(1 << 31)))
            true_scales += [take_of.notes] * (instrument == "bends")
            scales += _measured(case, rng, take_of.audio, cells | {"pattern": "notes", "notes": written})
    table = passages_table(
        with_places(pd.DataFrame(played).reindex(columns=names("passage_notes")), {}),
        pd.DataFrame(scales).reindex(columns=names("notes")),
        pd.DataFrame(columns=["instrument", "state", "criterion", "value"]),
        "mf",
    )
    bends = _by_note(true_music) - _by_note(true_scales).mean()
    true = bends.sub(bends.median(axis=1), axis=0)[midis[2]].mean()
    return table.set_index(["instrument", "criterion"]), midi_to_note(written[2]), float(true)


def _by_note(takes: list[tuple[Truth, ...]]) -> pd.DataFrame:
    """True cents of every take (rows) at every sounding note, its median."""
    return pd.DataFrame(
        [pd.Series([cents(one.hz, note_hz(one.midi)) for one in take]).groupby([one.midi for one in take]).median()
         for take in takes]
    )  # fmt: skip


def _scattered(strokes: list[Stroke], rng: np.random.Generator) -> list[Stroke]:
    """The player's own: two cents and a third of a dB, note by note."""
    return [replace(one, cents=one.cents + 2 * rng.standard_normal(), gain_db=one.gain_db + 0.3 * rng.standard_normal())
            for one in strokes]  # fmt: skip


def _measured(case: Case, rng: np.random.Generator, audio: np.ndarray, cells: Row) -> list[Row]:
    """Rows of one take's notes."""
    family = load_family(case.family)
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "take.wav")
        soundfile.write(path, audio / 4 + 1e-5 * rng.standard_normal(len(audio)), RATE, subtype="PCM_24")
        about = {"recording": f"r{rng.integers(1 << 62)}", "low": family.low, "high": family.high}
        found = measure_recording(row(case, path) | about | cells)
    if found.recording["status"] == "set_aside":
        raise ValueError(f"{case.name}: {found.recording['reason']}")
    return found.notes


def score(case: Case) -> dict[str, int]:
    """What of it was told, and what of the others was told that is not so."""
    table, bent, true = told(case)
    bend, core = (table.xs(criterion, level="criterion") for criterion in ("bend_in_music", "tone_core"))
    noticed = (bend["high"] < -NOTICED_CENTS) | (bend["low"] > NOTICED_CENTS)
    its = bend.loc["bends"]
    plain = [core.loc[one] for one in PLAIN]
    return {
        "bend told": int(noticed["bends"] and its["reason"] == f"note {bent}"),
        "its interval holds it": int(its["low"] <= true <= its["high"]),
        "bends told of others": int(noticed.drop("bends").sum()),
        "thinning told": int(core.loc["thins", "low"] > core["high"].drop("thins").max()),
        "thinning told of others": sum(a["low"] > b["high"] for a, b in (plain, plain[::-1])),
    }


def table(part: str, count: int, seed: int) -> str:
    """The scores of so many studies on sources of a set, as Markdown."""
    slurred = Manner(0.4, slurred=True)
    scores = pd.DataFrame([score(replace(case, manner=slurred)) for case in cases(part, count, seed)])
    of = {"bends told of others": 3 * count, "thinning told of others": 2 * count}
    cells = [f"{scores[name].sum()} of {of.get(name, count)}" for name in scores]
    lines = [["studies", *scores], ["---"] * (len(cells) + 1), [str(count), *cells]]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)
