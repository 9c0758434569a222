"""Find the notes of free playing by one instrument, without a list of them: any note may follow any other.

A hidden Markov model as for scales (`segment`), with a state for every semitone of the range and one for what is no
note: silence, breath, speech. A note lasts while its pitch explains the spectrum; one that breaks off and sounds again
is two notes.

Reference: Rabiner 1989, Proc. IEEE 77, 257 (Viterbi search).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from evenbore.facts.arrays import Bools, Floats, Floats32, Ints, known_median
from evenbore.facts.rows import Row
from evenbore.notes.attempts import Span, attempts
from evenbore.notes.evidence import Evidence, guess_hz
from evenbore.notes.restarts import restarts
from evenbore.notes.segment import note_scores, offset_of_pitches
from evenbore.recording.audio import Signal
from evenbore.trade.pitch import midi_to_hz

# ASSUME: tuned by trial on the development takes of tests/passages; no source.
_GAIN, _NEUTRAL = 6.0, 0.4  # log-likelihood per unit of score, and the score at which a note and none are as likely
_ENTER = 4.0  # cost of starting a note
_FOUND_FRAMES = 3
_LEAST_NOTES = 3
_HELD_S = 0.2  # notes that last as long tell whether another voice sounds as well
_ONE_VOICE, _LEAST_CLEAR = 0.63, 20  # the best pitch explains so much of all but so many per cent of them
_VOICES_HNR_DB, _KNOWN = 12.0, 0.3  # more breath than soft playing has, in at least such a share of the notes
_GLIDES_CENTS_S = 150.0  # of most notes
_VOICES = "more than one voice sounds in it: chords, another player or an accompaniment?"
_WAVERS_CENTS = 6.0  # standard deviation of a note's pitch from frame to frame


@dataclass(frozen=True)
class Phrase:
    """Notes in playing order, (N,): sounding `midi`, roughly from `begin_s` to `end_s` and at `guess_hz`, mean evidence
    and that of the best other pitch; `again`: begun anew on the pitch before; `offset_cents`: how far the instrument
    sits from nominal.
    """

    midi: Ints
    begin_s: Floats
    end_s: Floats
    guess_hz: Floats
    score: Floats
    rival: Floats
    again: Bools
    offset_cents: float


def find_notes(signal: Signal, evidence: Evidence, lowest: int, highest: int, tuning_hz: float) -> Phrase:
    """Notes between two sounding midi numbers; A4 of the session is `tuning_hz`."""
    midi = np.arange(lowest, highest + 1)
    nominal = midi + 12 * np.log2(tuning_hz / 440.0)
    offset = offset_of_pitches(evidence.score, evidence.grid_midi, nominal[0])
    target = nominal + offset / 100
    scores = note_scores(evidence.score, evidence.grid_midi, target)
    rows = []
    for note, (first, last) in _spans(_decode(scores), scores, evidence):
        hz = guess_hz(evidence, (first, last), offset, midi_to_hz(midi[note], tuning_hz))
        score = scores[first : last + 1, note].mean()
        other = np.abs(evidence.grid_midi - target[note]) > 0.8
        rival = evidence.score[first : last + 1, other].mean(axis=0).max()
        begin, end = (first - 0.5) * evidence.hop_s, (last + 0.5) * evidence.hop_s
        edges = [begin, *restarts(signal, begin, end, hz, _wavers(evidence, first, last, target[note])).tolist(), end]
        rows += [(midi[note], start, stop, hz, score, rival) for start, stop in pairwise(edges)]
    columns = np.array(rows, float).reshape(-1, 6).T
    found = columns[0].astype(int)
    begin_s, end_s, guess, score, rival = columns[1:]
    return Phrase(found, begin_s, end_s, guess, score, rival, np.diff(found, prepend=-1) == 0, offset)


def no_single_voice(phrase: Phrase, evidence: Evidence) -> str:
    """Why this is not one instrument playing; "" where it may be."""
    if len(phrase.midi) < _LEAST_NOTES:
        return "hardly any note can be made out in it: speech, applause, noise, or too soft?"
    held = phrase.end_s - phrase.begin_s > _HELD_S
    frames = [np.rint(times / evidence.hop_s).astype(int) for times in (phrase.begin_s[held], phrase.end_s[held])]
    best = evidence.score.max(axis=1)
    # the room's echo of the note before has died away by the second half
    clear = [np.median(best[(first + last) // 2 : last + 1]) for first, last in zip(*frames, strict=True)]
    if clear and np.percentile(clear, _LEAST_CLEAR) < _ONE_VOICE:
        return _VOICES
    return ""


def no_single_voice_in(notes: list[Row]) -> str:
    """The same from the notes as measured: speech glides, and another voice sounds between the harmonics."""
    if known_median([abs(note["cents_drift"]) for note in notes]) > _GLIDES_CENTS_S:
        return "its pitch glides all the time: speech or singing?"
    known = [note["hnr_db"] for note in notes if np.isfinite(note["hnr_db"])]
    return _VOICES if len(known) >= max(_LEAST_NOTES, _KNOWN * len(notes)) and np.median(known) < _VOICES_HNR_DB else ""


def _spans(path: Ints, scores: Floats32, evidence: Evidence) -> Iterator[tuple[int, Span]]:
    """Column of `scores`, and first and last frame, of every note on the path; one that breaks off is two."""
    edge = np.concatenate([[0], np.nonzero(np.diff(path))[0] + 1, [len(path)]])
    for start, stop in pairwise(edge.tolist()):
        note = int(path[start])
        if note < scores.shape[1]:
            found = attempts(np.array([start]), np.array([stop - 1]), scores[:, [note]], evidence.level, _FOUND_FRAMES)
            yield from ((note, span) for span in found.get(0, []))


def _wavers(evidence: Evidence, first: int, last: int, target: float) -> bool:
    """Whether the pitch goes to and fro within a note."""
    near = np.abs(evidence.grid_midi - target) <= 0.6
    score = evidence.score[first + 1 : last, near]
    weight = np.clip(score - 0.7 * score.max(axis=1, keepdims=True, initial=0), 0, None)
    total = weight.sum(axis=1)
    cents = 100 * (weight @ (evidence.grid_midi[near] - target))[total > 0] / total[total > 0]
    return len(cents) > 2 and bool(np.std(cents) > _WAVERS_CENTS)


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
