"""Soft and loud takes played by the simulator: range, drift, tone hold and brightness at matched loudness in sound."""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from evenbore.facts.measures import brightness_db
from evenbore.judge.takes import prepared_takes
from evenbore.judge.values import dynamic_drift, dynamic_range, tone_hold
from evenbore.notes.measure import measure_recording
from evenbore.setups.loudness import match_loudness
from evenbore.setups.tone import RELATIVE, RELATIVE_TILT
from evenbore.trade.families import load_family
from synth.instrument import DYNAMIC_DB, make_instrument
from synth.playing import Player, scale
from synth.room import Chain

RATE = 32_000
FAMILY = load_family("saxophone_alto")
WRITTEN = list(range(60, 74))
STEADY = Player(
    cents_sd=0, level_sd=0, tilt_sd=0, take_cents_sd=0, take_level_sd=0, take_tilt_sd=0, drift_cents=0, jitter_cents=1
)  # fmt: skip
CHAINS = {
    "dry": Chain(1, noise_dbfs=-80.0),
    "room": Chain(2, rt60_s=0.5, reverberant_db=-6.0, move=0.2, noise_dbfs=-70.0),
}


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """Function: the notes of a take as measured, and as they were played."""
    folder = tmp_path_factory.mktemp("takes")

    @cache
    def play(instrument, dynamic, chain="dry", called=None, brightness_db=0.0):
        rng = np.random.default_rng([len(instrument), len(dynamic), len(chain)])
        model = make_instrument(FAMILY, 1, "alto", brightness_db=brightness_db)
        take = scale(model, WRITTEN, rng, STEADY, dynamic, rate=RATE)
        path = Path(folder) / f"{instrument}_{dynamic}_{chain}.wav"
        soundfile.write(path, CHAINS[chain].record(take.audio.astype(float), RATE, rng), RATE, subtype="FLOAT")
        row = {
            "recording": path.stem, "instrument": instrument, "session": "s", "take": 1, "dynamic": called or dynamic,
            "articulation": "slurred", "direction": "up", "state": "as_found", "path": str(path), "channel": None,
            "start_s": None, "end_s": None,
            "pattern": "chromatic", "family": FAMILY.key, "families_dir": None, "low": WRITTEN[0], "high": WRITTEN[-1],
            "notes": None, "tuning_hz": 440.0,
        }  # fmt: skip
        found = measure_recording(row)
        assert len(found.notes) == len(WRITTEN), found.recording["reason"]
        return pd.DataFrame(found.notes).assign(
            group=1, **dict.fromkeys([RELATIVE_TILT, *RELATIVE.values()], np.nan)
        ), take.notes

    return play


def brightness_as_played(notes):
    """Brightness of each note by its definition, from the levels of the harmonics that were rendered."""
    levels = np.array([note["levels_db"] for note in notes])
    levels = np.where(np.arange(1, levels.shape[1] + 1) * notes[-1]["f0_hz"] < 10_000, levels, np.nan)
    return brightness_db(np.where(np.isfinite(levels), levels, np.nan), np.array([note["f0_hz"] for note in notes]))


@pytest.mark.parametrize("chain", CHAINS)
@pytest.mark.parametrize(("soft", "loud"), [("p", "f"), ("pp", "ff")])
def test_range_drift_and_tone_hold(played, chain, soft, loud):
    (quiet, quiet_truth), (strong, strong_truth) = (played("a", dynamic, chain) for dynamic in (soft, loud))
    frame = pd.concat([quiet, strong])
    takes = dict(
        (key["dynamic"], take)
        for key, take in prepared_takes(frame, {"a": {"family": FAMILY.key}}, {FAMILY.key: FAMILY})
    )
    step = DYNAMIC_DB[loud] - DYNAMIC_DB[soft]
    levels = [
        10 * np.log10(np.sum(10 ** (np.array([n["levels_db"] for n in t]) / 10), axis=1))
        for t in (strong_truth, quiet_truth)
    ]
    assert np.median(levels[0] - levels[1]) == pytest.approx(step, abs=0.01)
    assert dynamic_range(takes[loud], takes[soft]) == pytest.approx(step, abs=0.1 if chain == "dry" else 0.5)
    # the model's pitch falls by 0.6 cents for every dB
    assert dynamic_drift(takes[loud], takes[soft]) == pytest.approx(-6.0, abs=0.3)
    lost = 10 * np.median(brightness_as_played(strong_truth) - brightness_as_played(quiet_truth)) / step
    assert lost > 1
    assert tone_hold(takes[loud], takes[soft]) == pytest.approx(lost, abs=0.1 if chain == "dry" else 0.4)


def test_blown_harder_is_no_brighter_instrument(played):
    """Two alike, one blown 6 dB harder throughout; a third that is brighter by 1.5 dB an octave."""
    takes = [
        *(played("a", dynamic)[0] for dynamic in ("p", "mf", "f")),
        played("hard_blown", "f", called="mf")[0],
        played("bright_one", "mf", brightness_db=1.5)[0],
    ]
    notes = pd.concat(takes, ignore_index=True)
    notes["matched"] = match_loudness(notes, "brightness_db").values
    means = notes[notes["dynamic"] == "mf"].groupby("instrument")[["brightness_db", "matched"]].mean()
    over = means - means.loc["a"]
    assert over.loc["hard_blown", "brightness_db"] > 1.5
    assert abs(over.loc["hard_blown", "matched"]) <= 0.3
    assert over.loc["bright_one", "matched"] == pytest.approx(over.loc["bright_one", "brightness_db"], abs=0.5)
    assert over.loc["bright_one", "matched"] > 1.5
