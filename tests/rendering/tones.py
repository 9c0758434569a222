"""Additive tones with exactly known pitch: odd harmonics only, the fundamental far below the third.

Low closed-cylinder instruments sound like this to a microphone; pitch finders take the twelfth instead.
Conventions as in `render`: SOUNDING midi, seconds, mono at `RATE`.
"""

import numpy as np

from .render import LEAD_S, RATE, TEMPO_S, Take, TrueNote, note_durations, note_hz


def odd_tones_take(
    midis: list[int],
    fundamental_db: float,
    seed: int = 0,
    gap_s: float = 0.05,
    spread_cents: float = 20.0,
    tempo_s: tuple[float, float] = TEMPO_S,
) -> Take:
    """Notes of odd harmonics, third at 0 dB, fifth and up falling 12 dB an octave, fundamental at fundamental_db.

    Each note lies off equal temperament by a normal random amount (SD spread_cents, at most 45). Rise and
    fall are 20 ms raised cosines; with gap_s = -0.02 neighbours cross-fade (slurred), the onset in the middle.
    """
    rng = np.random.default_rng(seed)
    durations, rise_s = note_durations(len(midis), seed, tempo_s), 0.02
    starts = LEAD_S + np.concatenate([[0.0], np.cumsum(durations[:-1])])
    audio = np.zeros(round((LEAD_S + durations.sum() + 1.0) * RATE))
    notes = []
    for step, (midi, start, duration) in enumerate(zip(midis, starts, durations, strict=True)):
        hz = note_hz(midi + np.clip(rng.normal(0, spread_cents), -45, 45) / 100)
        first, frames = round(start * RATE), round((duration - gap_s) * RATE)
        time = np.arange(frames) / RATE
        orders = np.arange(1, min(25.0, 0.45 * RATE / hz), 2)
        level_db = np.where(orders == 1, fundamental_db, -40 * np.log10(orders / 3))
        phases = rng.uniform(0, 2 * np.pi, len(orders))
        tone = sum(
            10 ** (level / 20) * np.cos(2 * np.pi * order * hz * time + phase)
            for order, level, phase in zip(orders, level_db, phases, strict=True)
        )
        edge = np.minimum(time, time[-1] - time)
        tone *= np.sin(np.pi / 2 * np.minimum(edge / rise_s, 1)) ** 2
        audio[first : first + frames] += 0.1 * tone
        # A raised cosine reaches −20 dB (a tenth of its height) after this part of the rise.
        audible = rise_s * np.arcsin(10**-0.5) * 2 / np.pi
        slurred = gap_s < 0
        onset = first / RATE + (-gap_s / 2 if slurred and step else audible)
        is_last = step == len(midis) - 1
        end = (first + frames) / RATE
        offset = end + gap_s / 2 if slurred and not is_last else end - audible
        notes.append(TrueNote(step, midi, first / RATE, onset, offset, (hz,)))
    return Take(audio, tuple(notes))
