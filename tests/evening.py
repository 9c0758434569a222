"""Evenings in one file, with known truth: takes of a scale with speech, silence and trying out between them.

Two sets of players share no source: `additive` ones made here, on which finding was tuned, and sampled ones. Speech is
spoken by espeak-ng. Times in s.
"""

from dataclasses import dataclass

import numpy as np

from rendering.dress import breath, speech
from rendering.render import RATE, Player

SENTENCES = (
    "So, that was the first one, and now I take the second clarinet out of its case.",
    "Wait a moment, the reed is dry. Could you close the window, please?",
    "Number seven, second take, mezzo forte.",
    "I think this one speaks more easily in the low register, but let us hear it once more.",
    "Ready? Right, here we go.",
)


@dataclass(frozen=True)
class PlayedTake:
    """A take: from the first note's begin to the last one's end."""

    first_s: float
    last_s: float
    direction: str


@dataclass(frozen=True)
class Evening:
    """The sound (n,) at `RATE`, and the takes in it in order of time."""

    audio: np.ndarray
    takes: tuple[PlayedTake, ...]


def evening(player: Player, low: int, high: int, n_takes: int, seed: int, talk: bool = True) -> Evening:
    """So many takes of the chromatic scale from `low` to `high` (sounding), in varied tempo and direction."""
    rng = np.random.default_rng(seed)
    pieces: list[np.ndarray] = [_silence(rng, 0.5, 4.0)]
    takes: list[PlayedTake] = []

    def length() -> float:
        return sum(map(len, pieces)) / RATE

    for _ in range(n_takes):
        for _ in range(int(rng.integers(0, 4))):
            pieces += [_other(player, low, high, rng, talk), _silence(rng, 0.3, 5.0)]
        direction = str(rng.choice(["up", "up", "up", "down", "up-down"]))
        midis = list(range(low, high + 1))
        midis = {"up": midis, "down": midis[::-1], "up-down": midis + midis[-2::-1]}[direction]
        start = length()
        audio, last_s = _played(player, midis, rng, float(rng.uniform(0.25, 0.9)))
        pieces.append(audio)
        takes.append(PlayedTake(start, start + last_s, direction))
        pieces.append(_silence(rng, 1.2, 6.0))
    audio = np.concatenate(pieces)
    return Evening(audio + rng.normal(0, 3e-4, len(audio)), tuple(takes))


def _silence(rng: np.random.Generator, least_s: float, most_s: float) -> np.ndarray:
    return np.zeros(round(rng.uniform(least_s, most_s) * RATE))


def _played(
    player: Player, midis: list[int], rng: np.random.Generator, note_s: float, gap_s: float = 0.0
) -> tuple[np.ndarray, float]:
    """Notes one after the other, and when the last is let go."""
    at, notes = 0.0, []
    for midi in midis:
        seconds = note_s * rng.uniform(0.8, 1.25)
        notes.append((int(midi), at, at + seconds))
        at += seconds + gap_s
    return np.asarray(player(notes), float), notes[-1][2]


def _other(player: Player, low: int, high: int, rng: np.random.Generator, talk: bool) -> np.ndarray:
    """What is no take: a sentence, a breath, a long tone, a lick, an arpeggio, five notes of a scale, an octave."""
    middle = int(rng.integers(low + 2, max(low + 4, high - 14)))
    kind = rng.choice(["talk", "talk", "breath", "tone", "lick", "lick", "arpeggio", "five", "octave"])
    if kind == "talk" and talk:
        return speech(str(rng.choice(SENTENCES)), 0.05, str(rng.choice(["en", "en+f3", "de", "fr"])))
    if kind in ("talk", "breath"):
        return breath(0.8, 0.02, int(rng.integers(1 << 31)))
    midis = {
        "tone": [middle],
        "lick": [middle + int(k) for k in rng.choice([0, 2, 4, 5, 7, 9, 11, 12], int(rng.integers(5, 14)))],
        "arpeggio": [middle + k for k in (0, 4, 7, 12, 7, 4, 0)],
        "five": [middle + k for k in (0, 2, 4, 5, 7, 5, 4, 2, 0)],
        "octave": [middle + k for k in (0, 2, 4, 5, 7, 9, 11, 12)],
    }[str(kind)]
    return _played(player, midis, rng, 2.0 if kind == "tone" else float(rng.uniform(0.12, 0.4)))[0]
