"""Scales found in one long file: all of them, where they are, and nothing else for one."""

from functools import partial

import numpy as np
import pytest

from evenbore.notes import scales
from evenbore.notes.scales import find_scales
from evenbore.recording.audio import signal_from_array
from evenbore.trade.families import load_family
from evening import evening
from rendering.dress import with_noise
from rendering.render import RATE, find_soundfont, play_soundfont
from rendering.study import PROGRAMS
from scenarios import generators


def additive(family):
    return partial(generators.additive, family, generators.LIVING)


def check(audio, takes, family):
    found = find_scales(signal_from_array(audio.astype(np.float32), RATE), load_family(family))
    assert [scale.direction for scale in found.scales] == [take.direction for take in takes]
    for scale, take in zip(found.scales, takes, strict=True):
        assert scale.first_s == pytest.approx(take.first_s, abs=0.3)
        assert scale.last_s == pytest.approx(take.last_s, abs=0.6)
        assert scale.start_s <= take.first_s and scale.end_s >= take.last_s - 0.1
    for one, following in zip(found.scales, found.scales[1:], strict=False):
        assert one.end_s <= following.start_s
    return found


@pytest.mark.parametrize(("low", "high"), [(50, 75), (50, 69)])
def test_every_take_of_an_evening_is_found_and_no_lick(low, high, monkeypatch):
    monkeypatch.setattr(scales, "_BLOCK_S", 20.0)  # takes lie across blocks
    played = evening(additive("clarinet_b_flat"), low, high, 4, seed=5, talk=False)
    found = check(with_noise(played.audio, 30), played.takes, "clarinet_b_flat")
    assert {scale.pattern for scale in found.scales} == {"chromatic"}
    assert {round(scale.low) for scale in found.scales} == {low}
    assert {round(scale.high) for scale in found.scales} == {high}


@pytest.mark.slow
@pytest.mark.parametrize("family", ["oboe", "trombone"])
def test_takes_are_told_from_speech(family, require_program, require_file):
    require_program("espeak-ng")
    require_program("fluidsynth")
    soundfont = find_soundfont("FluidR3_GM.sf2")
    require_file("fluid-soundfont-gm", soundfont or "FluidR3_GM.sf2")
    trade = load_family(family)
    low, high = (int(trade.to_sounding(np.array(note))) for note in (trade.low, trade.high))
    played = evening(partial(play_soundfont, soundfont, PROGRAMS[family]), low, high, 6, seed=2)
    check(played.audio, played.takes, family)


def test_what_lies_between_is_told():
    tone = generators.additive("oboe", generators.STEADY, [(70, 0.0, 3.0)])[: 3 * RATE]
    scale = [(60 + k, 0.4 * k, 0.4 * k + 0.4) for k in range(25)]
    once = generators.additive("oboe", generators.STEADY, scale)[: 10 * RATE]
    pause = np.zeros(4 * RATE)
    audio = np.concatenate([pause, once, pause, tone, pause, once, pause])
    found = find_scales(signal_from_array(audio.astype(np.float32), RATE), load_family("oboe"))
    assert [(round(a), round(b), words) for a, b, words in found.between] == [
        (0, 4, "silence 4 s"),
        (14, 25, "silence 8 s, playing 3 s"),
        (35, 39, "silence 4 s"),
    ]


def test_nothing_is_found_in_noise():
    noise = np.random.default_rng(0).normal(0, 0.05, 70 * RATE).astype(np.float32)
    found = find_scales(signal_from_array(noise, RATE), load_family("flute"))
    assert (found.scales, found.parts) == ([], [])
