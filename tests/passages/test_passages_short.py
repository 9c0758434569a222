"""Phrases on a few development takes, and what is planted in some told from them. The whole: `run.py`."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import scipy.signal
import soundfile

from evenbore.facts.columns import names
from evenbore.facts.measures import MEASURES
from evenbore.judge.passages import passages_table
from evenbore.notes.measure import measure_recording
from evenbore.notes.phrases import with_places
from evenbore.trade.families import load_family
from evenbore.trade.pitch import midi_to_note
from rendering.render import find_soundfont
from scenarios.play import Stroke, perform
from scenarios.sounds import DEVELOPMENT, SOURCES

from . import campaign
from .takes import RATE, Case, Manner, cases, row

pytestmark = pytest.mark.usefixtures("soundfonts")
MUSIC = Case("FluidR3_GM", "saxophone_alto", "joy", Manner(0.4, slurred=True), seed=21)
BENT_CENTS = -18.0
NOTICED_CENTS = 10.0  # own choice


@pytest.fixture
def soundfonts(require_program, require_file):
    require_program("fluidsynth")
    require_program("csound")
    for source in (SOURCES["FluidR3_GM"], SOURCES["TimGM6mb"]):
        require_file(source.needs, find_soundfont(f"{source.name}.sf2") or source.name)


def test_phrases_of_melodies_are_found():
    clean = [campaign.measured(case, references=False) for case in cases(DEVELOPMENT, 4, seed=31)]
    assert not [result["reason"] for result in clean if result["set_aside"]]
    assert campaign.f_measure(clean) >= 0.97
    assert np.median(np.abs([cents for result in clean for cents in result["cents"]])) <= 1
    assert sum(result["silent"] for result in clean) <= 0.005 * sum(result["found"] for result in clean)


def measured(folder, number, audio, **cells):
    """Rows of one take's notes."""
    path = folder / f"{number}.flac"
    noise = 1e-5 * np.random.default_rng(number).standard_normal(len(audio))
    soundfile.write(path, audio / 4 + noise, RATE, subtype="PCM_24")
    family = load_family(MUSIC.family)
    told = measure_recording(
        row(MUSIC, str(path)) | {"recording": f"r{number}", "low": family.low, "high": family.high} | cells
    )
    assert told.recording["status"] != "set_aside", told.recording["reason"]
    return told.notes


def scatter(strokes, rng):
    """The player's own: two cents and a third of a dB, note by note."""
    return [replace(one, cents=one.cents + 2 * rng.standard_normal(), gain_db=one.gain_db + 0.3 * rng.standard_normal())
            for one in strokes]  # fmt: skip


def test_a_planted_bend_and_a_tone_that_thins_when_soft_are_told(tmp_path):
    rng = np.random.default_rng(5)
    bank = SOURCES[MUSIC.source].bank(MUSIC.family)
    tune = MUSIC.strokes(rng)
    bent = sorted({one.midi for one in tune})[2]
    written = midi_to_note(int(load_family(MUSIC.family).to_written(np.array(bent))))
    duller = scipy.signal.butter(1, 900, fs=RATE, output="sos")
    played, scales, number = [], [], 0
    for instrument, bend, thins in (("plain", 0.0, False), ("bends", BENT_CENTS, False), ("thins", 0.0, True)):
        for take in (1, 2):
            for dynamic, gain in (("mf", 0.0), ("f", 6.0), ("p", -6.0)):
                number += 1
                mine = [replace(one, cents=bend if one.midi == bent else 0.0, gain_db=gain) for one in tune]
                audio = perform(scatter(mine, rng), bank, number).audio
                if thins and dynamic == "p":
                    audio = scipy.signal.sosfilt(duller, audio)
                cells = {"instrument": instrument, "take": take, "dynamic": dynamic, "passage": "joy"}
                played += measured(tmp_path, number, audio, **cells)
            number += 1
            midis = sorted({one.midi for one in tune})
            scale = [Stroke(midi, 0.5, slurred=k > 0, steps=(k,)) for k, midi in enumerate(midis)]
            notes = [int(load_family(MUSIC.family).to_written(np.array(midi))) for midi in midis]
            cells = {"instrument": instrument, "take": take, "pattern": "notes", "notes": notes}
            scales += measured(tmp_path, number, perform(scatter(scale, rng), bank, number).audio, **cells)
    table = passages_table(
        with_places(pd.DataFrame(played).reindex(columns=names("passage_notes")), {}),
        pd.DataFrame(scales).reindex(columns=names("notes")),
        pd.DataFrame(columns=["instrument", "state", "criterion", "value"]),
        "mf",
    ).set_index(["instrument", "criterion"])
    bend = table.loc[("bends", "bend_in_music")]
    assert bend["reason"] == f"note {written}" and bend["low"] <= BENT_CENTS <= bend["high"] < -NOTICED_CENTS
    for other in ("plain", "thins"):  # a note's pitch moves by some cents as it begins, in these samples too
        row = table.loc[(other, "bend_in_music")]
        assert row["high"] > -NOTICED_CENTS and row["low"] < NOTICED_CENTS
    core = table.xs("tone_core", level="criterion")
    assert core.loc["thins", "low"] > max(core.loc["plain", "high"], core.loc["bends", "high"])
    assert {measure.name for measure in MEASURES} <= set(names("passage_notes"))
