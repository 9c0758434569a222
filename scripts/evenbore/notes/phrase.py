"""Find the notes of free playing by one instrument, without a list of them: any note may follow any other.

A hidden Markov model as for scales (`segment`), with a state for every semitone of the range and one for what is no
note: silence, breath, speech. A note lasts while its pitch explains the spectrum; one that breaks off and sounds again
is two notes.

Reference: Rabiner 1989, Proc. IEEE 77, 257 (Viterbi search).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from evenbore.facts.arrays import Floats, Floats32, Ints
from evenbore.notes.attempts import Span, attempts
from evenbore.notes.evidence import Evidence
from evenbore.notes.segment import note_scores, offset_of_pitches

# ASSUME: tuned by trial on the development takes of tests/passages; no source.
_GAIN, _NEUTRAL = 6.0, 0.4  # log-likelihood per unit of score, and the score at which a note and none are as likely
_ENTER = 4.0  # cost of starting a note
_FOUND_FRAMES = 3


@dataclass(frozen=True)
class Phrase:
    """Notes in playing order, (N,): sounding `midi`, first and last frame, mean evidence and that of the best other
    pitch; `offset_cents`: how far the instrument sits from nominal.
    """

    midi: Ints
    spans: list[Span]
    score: Floats
    rival: Floats
    offset_cents: float


def find_notes(evidence: Evidence, lowest: int, highest: int, tuning_hz: float) -> Phrase:
    """Notes between two sounding midi numbers; A4 of the session is `tuning_hz`."""
    midi = np.arange(lowest, highest + 1)
    nominal = midi + 12 * np.log2(tuning_hz / 440.0)
    offset = offset_of_pitches(evidence.score, evidence.grid_midi, nominal[0])
    target = nominal + offset / 100
    scores = note_scores(evidence.score, evidence.grid_midi, target)
    path = _decode(scores)
    edge = np.concatenate([[0], np.nonzero(np.diff(path))[0] + 1, [len(path)]])
    found: list[tuple[Span, int]] = []
    for start, stop in pairwise(edge.tolist()):
        note = int(path[start])
        if note < len(midi):
            one = attempts(np.array([start]), np.array([stop - 1]), scores[:, [note]], evidence.level, _FOUND_FRAMES)
            found += [(span, note) for span in one.get(0, [])]
    score, rival = np.empty((2, len(found)))
    for k, ((first, last), note) in enumerate(found):
        score[k] = scores[first : last + 1, note].mean()
        other = np.abs(evidence.grid_midi - target[note]) > 0.8
        rival[k] = evidence.score[first : last + 1, other].mean(axis=0).max()
    return Phrase(midi[[note for _, note in found]], [span for span, _ in found], score, rival, offset)


def _decode(scores: Floats32) -> Ints:
    """Likeliest state (T,) of every frame: a column of `scores` (T, N), or N where no note sounds."""
    n_frames, n = scores.shape
    gain = np.zeros((n_frames, n + 1), np.float32)
    gain[:, :n] = _GAIN * (scores - _NEUTRAL)
    entry = np.full(n + 1, _ENTER, np.float32)
    entry[n] = 0
    state = np.full(n + 1, -1e9, np.float32)
    state[n] = 0
    source = np.empty((n_frames, n + 1), np.int16)
    here = np.arange(n + 1)
    for t in range(n_frames):
        best = int(state.argmax())
        come = state[best] - entry
        source[t] = np.where(come > state, best, here)
        state = np.maximum(state, come) + gain[t]
    path = np.empty(n_frames, int)
    at = int(state.argmax())
    for t in range(n_frames - 1, -1, -1):
        path[t] = at
        at = int(source[t, at])
    return path
