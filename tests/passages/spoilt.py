"""Takes that are no playing by one instrument, and the words that a true reason for setting them aside holds."""

import zlib
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from rendering.dress import playing_rms, speech
from rendering.render import RATE
from scenarios.play import perform
from scenarios.sounds import SOURCES

from .takes import Case

SENTENCES = (
    "Would you play that again from the second bar, a little softer this time, and hold the last note longer?",
    "This one feels stuffy in the low register, but the top speaks very easily. Let us hear the other one.",
    "I shall begin with a slow piece that most of you will know, and then we will compare the two.",
    "Number four, second take. Please wait until the door is closed. Now, whenever you are ready.",
)


def chords(case: Case, rng: np.random.Generator) -> np.ndarray:
    """Every note with a third and a fifth above it, or below where the source has more of them there."""
    seed = int(rng.integers(1 << 31))
    return _sum(_tune(case, seed, by) for by in (0, *(min(by, -by, key=lambda by: _lost(case, by)) for by in (4, 7))))


def second_player(case: Case, rng: np.random.Generator) -> np.ndarray:
    """Somebody else plays along, elsewhere in the tune, 0 to 6 dB softer."""
    one, other = (_tune(case, int(rng.integers(1 << 31))) for _ in range(2))
    return _sum([one, 10 ** (-rng.uniform(0, 6) / 20) * np.roll(other, int(rng.uniform(0.8, 2.0) * RATE))])


def accompaniment(case: Case, rng: np.random.Generator) -> np.ndarray:
    """Struck chords that die away, one a second, 3 to 9 dB below the tune."""
    tune = _tune(case, int(rng.integers(1 << 31)))
    low = min(beat.midi for beat in case.beats() if beat.midi is not None)
    struck = np.zeros(len(tune))
    time = np.arange(RATE) / RATE
    for number, start in enumerate(range(0, len(tune) - RATE, RATE)):
        root = 440 * 2 ** ((low - 12 + (0, 5, 7, 0)[number % 4] - 69) / 12)
        for ratio in (1, 5 / 4, 3 / 2, 2):
            for order in range(1, 9):
                struck[start : start + RATE] += (
                    np.exp(-time * (2 + order)) / order * np.sin(2 * np.pi * order * ratio * root * time)
                )
    return tune + struck * playing_rms(tune) / playing_rms(struck) * 10 ** (-rng.uniform(3, 9) / 20)


def applause(case: Case, rng: np.random.Generator) -> np.ndarray:
    """Clapping for eight seconds: short bursts of noise, some hundreds a second."""
    sound, count = np.zeros(8 * RATE), int(rng.integers(300, 3000))
    decay = np.exp(-np.arange(2000) / rng.uniform(150, 500))
    for at in rng.integers(0, len(sound) - 2000, count):
        sound[at : at + 2000] += rng.lognormal(0, 0.6) * rng.standard_normal(2000) * decay
    return sound


def spoken(case: Case, rng: np.random.Generator) -> np.ndarray:
    """Some sentences, by a synthetic voice."""
    voices = ("en", "en+f3", "en+m3", "en+f5", "en-us")
    return speech(SENTENCES[int(rng.integers(len(SENTENCES)))], voice=voices[int(rng.integers(len(voices)))])


SPOILT: dict[str, tuple[Callable[[Case, np.random.Generator], np.ndarray], tuple[str, ...]]] = {
    "chords": (chords, ("voice", "chords")),
    "another player": (second_player, ("voice",)),
    "accompaniment": (accompaniment, ("voice",)),
    "applause": (applause, ("applause",)),
    "speech": (spoken, ("speech",)),
}
"""Kind -> what makes it, and words one of which its true reason holds."""


def spoilt(kind: str, case: Case) -> np.ndarray:
    """Audio of a take of this kind, at `RATE`, with the faint noise of a recorder."""
    rng = np.random.default_rng(zlib.crc32(f"{kind} {case.name}".encode()))
    audio = SPOILT[kind][0](case, rng)
    audio = 0.3 * audio / np.abs(audio).max()
    return audio + 1e-5 * rng.standard_normal(len(audio))


def _tune(case: Case, seed: int, semitones: int = 0) -> np.ndarray:
    """The phrase, moved; without the notes that the source has not."""
    bank = SOURCES[case.source].bank(case.family)
    strokes = case.strokes(np.random.default_rng(seed))
    moved = [replace(one, midi=one.midi + semitones) for one in strokes if one.midi + semitones in bank]
    return perform(moved, bank, seed).audio


def _lost(case: Case, semitones: int) -> int:
    """How many notes the source has not when they are moved."""
    bank = SOURCES[case.source].midis(case.family)
    return sum(beat.midi + semitones not in bank for beat in case.beats() if beat.midi is not None)


def _sum(voices: Iterable[np.ndarray]) -> np.ndarray:
    voices = list(voices)
    size = min(map(len, voices))
    return np.sum([voice[:size] for voice in voices], axis=0)
