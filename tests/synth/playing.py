"""A player who never plays twice the same, and the scales and phrases they play.

`scale` renders a whole take with the truth of every note. Notes are WRITTEN midi numbers unless a name says
sounding; times seconds from the start of the file; levels dB; pitch cents from equal temperament.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenbore.facts.arrays import Floats
from evenbore.trade.pitch import midi_to_hz
from synth.instrument import DYNAMIC_DB, InstrumentModel
from synth.tones import Note, render


@dataclass(frozen=True)
class Player:
    """Variation of a player: `take_*` from take to take, the others from note to note; all standard deviations.

    ASSUME: within what is commonly said of good players (2-5 cents, 1-2 dB); a study learns its own.
    """

    note_s: float = 0.45
    uneven_tempo: float = 0.07
    cents_sd: float = 2.5
    level_sd: float = 0.7
    tilt_sd: float = 0.15
    take_cents_sd: float = 1.5
    take_level_sd: float = 1.0
    take_tilt_sd: float = 0.15
    drift_cents: float = 2.0
    jitter_cents: float = 1.5
    scoop_cents: float = 6.0


@dataclass(frozen=True)
class Take:
    """A rendered take: `audio` float32 (n,), and one dict per note with
    step, written, sounding, onset_s, offset_s, f0_hz, cents, levels_db (H,), attack_s, cracked."""

    audio: Floats
    rate: int
    notes: list[dict[str, Any]]


def scale(
    model: InstrumentModel, written: list[int], rng: np.random.Generator, player: Player = Player(),
    dynamic: str = "mf", articulation: str = "slurred", rate: int = 44100, tuning_hz: float = 440.0,
    lead_s: float = 0.8, tail_s: float = 0.7, tuning_note: int | None = None, beats: Sequence[float] | None = None,
) -> Take:  # fmt: skip
    """Play `written` in order, after silence and, if asked, a tuning note and a pause; `beats`: of each, usually one.

    Slurred notes glide within 30-60 ms; tongued ones are parted by short gaps. `cents` of the truth is the
    deviation of the note's mean pitch over its steady part at `tuning_hz`.
    """
    take = {
        "cents": rng.normal(0, player.take_cents_sd),
        "level": DYNAMIC_DB[dynamic] + rng.normal(0, player.take_level_sd),
        "tilt": rng.normal(0, player.take_tilt_sd),
        "drift": rng.normal(0, player.drift_cents),
    }

    def play(written: int, start: float, stop: float, far: float) -> tuple[Note, bool]:
        """One note as this player sounds it in this take, and whether it cracked."""
        loudness = take["level"] + rng.normal(0, player.level_sd)
        sound = model.sound(written, loudness, tuning_hz)
        octaves = np.minimum(np.log2(np.arange(1, sound.levels_db.size + 1)), 4)
        levels = sound.levels_db + (take["tilt"] + rng.normal(0, player.tilt_sd)) * octaves
        cents = sound.cents + take["cents"] + take["drift"] * far + rng.normal(0, player.cents_sd)
        nominal = midi_to_hz(model.family.to_sounding(written), tuning_hz)
        cracked = bool(rng.random() < sound.crack_chance)
        note = Note(
            onset_s=float(start),
            offset_s=float(stop),
            f0_hz=float(nominal * 2 ** (cents / 1200)),
            levels_db=levels,
            attack_s=sound.attack_s * (1.0 if articulation == "tongued" else 1.5),
            drift_cents=rng.normal(0, 1.0),
            scoop_cents=abs(rng.normal(0, player.scoop_cents)),
            jitter_cents=player.jitter_cents,
            crack_s=float(rng.uniform(0.05, 0.09)) if cracked else 0.0,
            breath_dbfs=sound.breath_db,
        )
        return note, cracked

    sounds = []
    start = lead_s
    if tuning_note is not None:
        audio, _ = render([play(tuning_note, start, start + 1.5, 0.0)[0]], rate, start + 2.0, rng=rng)
        sounds.append(audio)
        start += 2.3

    lengths = (
        player.note_s
        * np.exp(rng.normal(0, player.uneven_tempo, len(written)))
        * (1.0 if beats is None else np.array(beats))
    )
    starts = start + np.concatenate([[0.0], np.cumsum(lengths)])
    slurred = articulation == "slurred"
    notes, cracked = [], []
    for i, note in enumerate(written):
        stop = starts[i + 1] - (0.0 if slurred else rng.uniform(0.03, 0.06))
        far = i / max(1, len(written) - 1) - 0.5
        played, breaks = play(note, starts[i], stop, far)
        notes.append(played)
        cracked.append(breaks)
    slurs = None
    if slurred:
        # A note that is slow to speak makes a slow slur; the glide itself is quick.
        slurs = [float(min(rng.uniform(0.03, 0.06) + max(0.0, note.attack_s - 0.05) * 0.5, 0.12)) for note in notes[1:]]
    audio, truths = render(notes, rate, starts[-1] + tail_s, slurs, rng)
    for sound in sounds:
        audio[: sound.size] += sound

    rows = []
    for i, truth in enumerate(truths):
        sounding = model.family.to_sounding(written[i])
        nominal = midi_to_hz(sounding, tuning_hz)
        cents, known = 1200 * np.log2(truth.f0_hz / nominal), {"attack_s": notes[i].attack_s, "cracked": cracked[i]}
        rows.append({"step": i, "written": written[i], "sounding": sounding, "cents": cents} | vars(truth) | known)
    return Take(audio.astype(np.float32), rate, rows)
