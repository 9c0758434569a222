"""The studies of `brightness` as sound: recorded, measured, normalised, judged and tested by the program's own steps.

The same instruments, players, takes and scatter; half the scale. Sampled instruments are the notes of a soundfont, its
bodies made different as in `findings.sampled`; simulated ones are the package's own. What is planted, a filter adds.
Each player plays on an evening of its own: another room and microphone.
"""

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile
from scipy.signal import resample_poly

from evenbore.compare.factors import factors_table
from evenbore.compare.tonefactors import tone_factors_table
from evenbore.judge.assess import assess
from evenbore.judge.values import criteria_table
from evenbore.notes.chunkfile import write_chunk
from evenbore.notes.collect import LONG, collect
from evenbore.notes.measure import measure_recording
from evenbore.setups.normalise import normalise
from evenbore.study.config import default_config
from evenbore.trade.families import load_family
from findings.sampled import COLOUR_DB, NODES_HZ, PROGRAM, SOUNDFONTS, retuned, sampled_notes
from rendering.render import FADE_S, RATE, note_hz
from synth.instrument import DYNAMIC_DB, InstrumentModel, make_instrument, stream
from synth.playing import Player, scale
from synth.room import Chain, filtered

from .brightness import BODY_SD, BRIGHT, DAY_SD, FAMILY, INSTRUMENTS, LEVELS, PLAYER_SD, shares, with_truth

PLAYERS = ("ada", "ben")
TAKES = [("mf", 1), ("mf", 2), ("mf", 3), ("p", 1), ("f", 1)]
LOW, HIGH = 60, 66  # written
HEARD_RATE = RATE // 2  # of the recordings: half the work, and all harmonics that are told
PLAYER = Player(note_s=0.4, take_level_sd=1.5, take_tilt_sd=0.2)
EQ_DB, NOISE_DBFS = 4.0, -70.0
STUDIES = tuple((source, effect) for source in ("sampled", "simulated") for effect in (0.5, 1.0, 2.0))


def run_sound(source: str, effect: float, studies: int) -> dict:
    """As `run_brightness`, p adjusted over all criteria as in the table `factors`."""
    rows = []
    for number in range(studies):
        tested, tone = tested_study(source, effect, number)
        rows += with_truth(tested[tested["criterion"] == "brightness"], tone, effect)
    return {"source": source, "effect": effect, "studies": studies} | shares(rows)


def tested_study(source: str, effect: float, number: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables factors and tone_factors of one study; material BRIGHT is `effect` dB per octave brighter."""
    family, config = load_family(FAMILY), default_config()
    sheet = {name: {"family": FAMILY, "body_material": LEVELS[name], "price": None} for name in INSTRUMENTS}
    tables = measured(source, effect, number)
    recordings = tables["recordings"]
    normalised = normalise(recordings, tables["notes"], [tables["harmonics"]])
    players = dict(zip(recordings["recording"], recordings["session"], strict=True))
    known = recordings, sheet, [], {FAMILY: family}, config
    found = assess(normalised.notes, normalised.errors, *known, players=players)
    rows = {name: {"player": player} for name, player in players.items()}
    states = dict.fromkeys(INSTRUMENTS, "as_found")
    asked = sheet, rows, states
    criteria = criteria_table(config["just_noticeable"], "EUR")
    tested = factors_table(found.takes, criteria, *asked, config["factors"], number)
    tone = tone_factors_table(normalised.tone, normalised.notes, *asked, "mf", config["factors"], number)
    return tested, tone


def measured(source: str, effect: float, number: int) -> dict[str, pd.DataFrame]:
    """The tables that measuring the study's recordings gives."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        for place, player in enumerate(PLAYERS):
            rng = stream(number, source, f"{effect:g}", player)
            eq = tuple(zip((80.0, 300.0, 1200.0, 4000.0, 12000.0), rng.normal(0, EQ_DB, 5), strict=True))
            chain = Chain(10 * number + place, -10.0, eq, 60.0, 0.4, -6.0, noise_dbfs=NOISE_DBFS)
            own = rng.normal(0, PLAYER_SD)
            for name in INSTRUMENTS:
                body = stream(number, source, f"{effect:g}", name).normal(0, BODY_SD)
                model = make_instrument(load_family(FAMILY), number, name)
                tilt = body + own + rng.normal(0, DAY_SD) + effect * (LEVELS[name] == BRIGHT)
                tilt -= np.mean([model.tilt_db[note] for note in range(LOW, HIGH + 1)])
                for dynamic, take in TAKES:
                    audio = RENDER[source](model, name, number, dynamic, rng)
                    heard = chain.record(tilted(audio, tilt), HEARD_RATE, rng)
                    soundfile.write(path, heard / max(1.0, 1.1 * np.abs(heard).max()), HEARD_RATE, subtype="PCM_16")
                    found.append(measure_recording(_row(path, name, player, dynamic, take)))
                    found[-1].recording.update(chunk="all", sha256=found[-1].recording["recording"])
        chunk = Path(folder) / "chunk.npz"
        write_chunk(found, chunk)
        tables = collect([str(chunk)], [one.recording["recording"] for one in found], {})
        return tables | {table: pd.concat(tables[table]) for table in LONG}


def tilted(audio: np.ndarray, tilt: float) -> np.ndarray:
    """The sound brighter by `tilt` dB per octave and as strong, (frames,)."""
    audio = np.pad(audio, (0, -len(audio) % (HEARD_RATE // 4)))  # a length whose transforms are fast
    bright = filtered(audio, HEARD_RATE, lambda hz: tilt * np.log2(np.maximum(hz, 50.0) / 50.0))
    return bright * np.sqrt(np.mean(audio**2) / np.mean(bright**2))


def simulated(model: InstrumentModel, name: str, number: int, dynamic: str, rng: np.random.Generator) -> np.ndarray:
    """A tongued scale of the package's own sounds, (frames,)."""
    return scale(model, list(range(LOW, HIGH + 1)), rng, PLAYER, dynamic, "tongued", HEARD_RATE).audio.astype(float)


def sampled(model: InstrumentModel, name: str, number: int, dynamic: str, rng: np.random.Generator) -> np.ndarray:
    """A tongued scale of recorded notes that get the model's pitch, level and tilt, (frames,); soundfonts change from
    study to study."""
    sounding = [model.family.to_sounding(note) for note in (LOW, HIGH)]
    bodies = sampled_notes(SOUNDFONTS[number % len(SOUNDFONTS)], PROGRAM[FAMILY], *sounding)
    colours = stream(number, name, "colour")
    whole, tilt = DYNAMIC_DB[dynamic] + rng.normal(0, PLAYER.take_level_sd), rng.normal(0, PLAYER.take_tilt_sd)
    fade, gap = round(FADE_S * RATE), round(0.05 * RATE)
    ramp = (np.arange(fade) + 0.5) / fade
    pieces = [np.zeros(round(0.7 * RATE))]
    for written, body in zip(range(LOW, HIGH + 1), bodies, strict=True):
        length = round(PLAYER.note_s * np.exp(rng.normal(0, PLAYER.uneven_tempo)) * RATE)
        piece = retuned(body, rng.uniform(0, 0.3), length, model.cents[written] + rng.normal(0, PLAYER.cents_sd))
        spectrum, hz = np.fft.rfft(piece), np.fft.rfftfreq(length, 1 / RATE)
        loud = whole + rng.normal(0, PLAYER.level_sd)
        slope = model.tilt_db[written] + tilt + 0.2 * loud + rng.normal(0, PLAYER.tilt_sd)
        octaves = np.clip(np.log2(np.maximum(hz, 1) / note_hz(model.family.to_sounding(written))), 0, 4)
        colour = np.interp(np.log(np.maximum(hz, 1)), np.log(NODES_HZ), colours.normal(0, COLOUR_DB, len(NODES_HZ)))
        shaped = np.fft.irfft(spectrum * 10 ** ((slope * octaves + colour) / 20), length)
        shaped *= 0.1 * 10 ** ((loud + model.level_db[written]) / 20) / np.sqrt(np.mean(shaped**2))
        shaped[:fade] *= ramp
        shaped[-fade:] *= ramp[::-1]
        pieces += [shaped, np.zeros(gap)]
    return resample_poly(np.concatenate([*pieces, np.zeros(round(0.7 * RATE))]), 1, RATE // HEARD_RATE)


RENDER = {"sampled": sampled, "simulated": simulated}


def _row(path: Path, name: str, player: str, dynamic: str, take: int) -> dict:
    blank = dict.fromkeys(("notes", "channel", "start_s", "end_s", "families_dir"))
    return blank | {
        "recording": f"{player}-{name}-{dynamic}-{take}", "instrument": name, "session": player, "take": take,
        "dynamic": dynamic, "articulation": "tongued", "pattern": "chromatic", "direction": "up", "state": "as_found",
        "low": LOW, "high": HIGH, "path": str(path), "family": FAMILY, "tuning_hz": 440.0,
    }  # fmt: skip
