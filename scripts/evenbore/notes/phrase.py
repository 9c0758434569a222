"""Find the notes of free playing by one instrument: any note may follow any other, whether they are listed or not.

A hidden Markov model as for scales (`segment`), with a state for every semitone of the range and one for what is no
note: silence, breath, speech. A note lasts while its pitch explains the spectrum; one that breaks off and sounds again
is two notes.

Reference: Rabiner 1989, Proc. IEEE 77, 257 (Viterbi search).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np

from evenbore.facts.arrays import Bools, Floats, Floats32, Ints, known_median
from evenbore.facts.rows import Row
from evenbore.notes.attempts import Span, attempts
from evenbore.notes.evidence import GRID_CENTS, Evidence, guess_hz
from evenbore.notes.phrases import key_of, placed
from evenbore.notes.restarts import Restarts, restarts
from evenbore.notes.segment import note_scores, offset_of_pitches
from evenbore.recording.audio import Signal
from evenbore.trade.pitch import hz_to_midi

# ASSUME: tuned by trial on the development takes of tests/passages; no source.
_GAIN_S, _NEUTRAL = 280.0, 0.4  # log-likelihood per unit of score and second, and where a note and none are as likely
_ENTER = 4.0  # cost of starting a note
_FOUND_FRAMES = 3
_LEAST_NOTES = 3
_HELD_S = 0.2  # notes that last as long tell whether another voice sounds as well
_ONE_VOICE, _LEAST_CLEAR = 0.65, 20  # a note's own pitch explains so much of all but so many per cent of them,
_NEAR, _MOST_UNSURE = 3, 0.8  # so many steps of the grid around it; and no more than such a share is unsure
_VOICES_HNR_DB, _KNOWN = 12.0, 0.3  # more breath than soft playing has, in at least such a share of the notes
_GLIDES_CENTS_S = 150.0  # of most notes
_VOICES = "more than one voice sounds in it: chords, another player or an accompaniment?"
_ANEW, _EVEN = 0.3, 0.5  # a note begins anew, or is no undertone, where that is so likely
_LISTED = 20.0  # by which a list of the notes makes it likelier where it wants one, and less likely where it does not
_OVERTONES = (12, 19, 24)  # semitones: what is taken for a note may be an undertone of one so far above
_LEAD, _LEAD_WIDTH = 0.33, 0.03  # by which a note explains the sound better than they, where it is as likely as not


@dataclass(frozen=True)
class Phrase:
    """Notes in playing order, (N,): sounding `midi`, roughly from `begin_s` to `end_s` and at `guess_hz`, mean evidence
    and that of the best other pitch; `again`: begun anew on the pitch before; `sure`: how likely it is one note of its
    own, and no other pitch; `offset_cents`: how far the instrument sits from nominal.
    """

    midi: Ints
    begin_s: Floats
    end_s: Floats
    guess_hz: Floats
    score: Floats
    rival: Floats
    again: Bools
    sure: Floats
    offset_cents: float


def find_notes(
    signal: Signal, evidence: Evidence, lowest: int, highest: int, tuning_hz: float, listed: list[int] | None = None
) -> Phrase:
    """Notes between two sounding midi numbers; A4 of the session is `tuning_hz`. `listed`: those of the phrase, in
    whatever key: they tell where a note is likely to begin anew."""
    midi = np.arange(lowest, highest + 1)
    nominal = midi + 12 * np.log2(tuning_hz / 440.0)
    offset = offset_of_pitches(evidence.score, evidence.grid_midi, nominal[0])
    target = nominal + offset / 100
    scores = note_scores(evidence.score, evidence.grid_midi, target)
    spans = _without_undertones(list(_spans(_decode(scores, evidence.hop_s), scores, evidence)), scores)
    guess = [guess_hz(evidence, span, target[note]) for note, span in spans]
    times = [((first - 0.5) * evidence.hop_s, (last + 0.5) * evidence.hop_s) for _, (first, last) in spans]
    anew = [restarts(signal, *stretch, hz) for stretch, hz in zip(times, guess, strict=True)]
    if listed:
        anew = _as_listed(anew, [int(midi[note]) for note, _ in spans], listed)
    rows = []
    for (note, (first, last)), near_hz, (begin, end), its in zip(spans, guess, times, anew, strict=True):
        explained = scores[first : last + 1, note].mean()
        other = np.abs(evidence.grid_midi - target[note]) > 0.8
        best_other = evidence.score[first : last + 1, other].mean(axis=0).max()
        parted = its.likely >= _ANEW
        edges = [begin, *its.time_s[parted].tolist(), end]
        told = [1.0, *its.likely[parted].tolist(), 1.0]
        alone = _leads(scores[first : last + 1], note) * (1 - its.likely[~parted].max(initial=0))
        rows += [
            (midi[note], start, stop, near_hz, explained, best_other, alone * min(here, there))
            for (start, stop), (here, there) in zip(pairwise(edges), pairwise(told), strict=True)
        ]
    pitch, begin_s, end_s, hz, score, rival, sure = np.array(rows, float).reshape(-1, 7).T
    found = pitch.astype(int)
    return Phrase(found, begin_s, end_s, hz, score, rival, np.diff(found, prepend=-1) == 0, sure, offset)


def _as_listed(anew: list[Restarts], found: list[int], listed: list[int]) -> list[Restarts]:
    """The restarts in each of the stretches whose pitches were found, likelier where the list wants one, else less."""
    key = key_of(listed, [found])
    mine, wanted = ([(pitch, list(run)) for pitch, run in groupby(range(len(of)), of.__getitem__)]
                    for of in (found, [note + key for note in listed]))  # fmt: skip
    told = list(anew)
    for run, place in enumerate(placed([pitch for pitch, _ in mine], [pitch for pitch, _ in wanted])):
        if place is None:
            continue
        stretches = mine[run][1]
        likely = np.clip(np.concatenate([anew[k].likely for k in stretches]), 1e-9, 1 - 1e-9)
        more = len(wanted[place][1]) - len(stretches)
        odds = likely / (1 - likely) / _LISTED
        odds[np.argsort(-likely)[: max(more, 0)]] *= _LISTED**2
        ends = np.cumsum([len(anew[k].likely) for k in stretches])[:-1]
        for k, its in zip(stretches, np.split(odds / (1 + odds), ends), strict=True):
            told[k] = Restarts(anew[k].time_s, its)
    return told


def no_notes(phrase: Phrase) -> str:
    """Why this is no playing; "" where it may be."""
    if len(phrase.midi) < _LEAST_NOTES or np.mean(phrase.sure < _EVEN) > _MOST_UNSURE:
        return "hardly any note can be made out in it: speech, applause, chords, noise, or too soft?"
    return ""


def no_single_voice(phrase: Phrase, evidence: Evidence, notes: list[Row]) -> str:
    """Why this is not one instrument playing, "" where it may be; `notes` as measured: speech glides, another voice
    sounds between the harmonics."""
    if known_median([abs(note["cents_drift"]) for note in notes]) > _GLIDES_CENTS_S:
        return "its pitch glides all the time: speech or singing?"
    known = [note["hnr_db"] for note in notes if np.isfinite(note["hnr_db"])]
    if len(known) >= max(_LEAST_NOTES, _KNOWN * len(notes)) and np.median(known) < _VOICES_HNR_DB:
        return _VOICES
    held = np.nonzero(phrase.end_s - phrase.begin_s > _HELD_S)[0]
    frames = np.rint(np.stack([phrase.begin_s, phrase.end_s]) / evidence.hop_s).astype(int)
    cell = np.rint((hz_to_midi(phrase.guess_hz) - evidence.grid_midi[0]) / (GRID_CENTS / 100)).astype(int)
    # the room's echo of the note before has died away by the second half
    clear = [
        np.median(evidence.score[(first + last) // 2 : last + 1, at - _NEAR : at + _NEAR + 1].max(axis=1))
        for first, last, at in zip(*frames[:, held], cell[held], strict=True)
    ]
    return _VOICES if clear and np.percentile(clear, _LEAST_CLEAR) < _ONE_VOICE else ""


def _spans(path: Ints, scores: Floats32, evidence: Evidence) -> Iterator[tuple[int, Span]]:
    """Column of `scores`, and first and last frame, of every note on the path; one that breaks off is two."""
    edge = np.concatenate([[0], np.nonzero(np.diff(path))[0] + 1, [len(path)]])
    for start, stop in pairwise(edge.tolist()):
        note = int(path[start])
        if note < scores.shape[1]:
            found = attempts(np.array([start]), np.array([stop - 1]), scores[:, [note]], evidence.level, _FOUND_FRAMES)
            yield from ((note, span) for span in found.get(0, []))


def _leads(scores: Floats32, note: int) -> float:
    """How likely a note that `scores` (T, N) are best for is no undertone of a higher one."""
    above = [note + step for step in _OVERTONES if note + step < scores.shape[1]]
    lead = (scores[:, [note]] - scores[:, above]).mean(axis=0).min(initial=1.0)
    return float(1 / (1 + np.exp((_LEAD - lead) / _LEAD_WIDTH)))


def _without_undertones(notes: list[tuple[int, Span]], scores: Floats32) -> list[tuple[int, Span]]:
    """The notes, those that begin on an undertone of their own in one piece with it."""
    kept: list[tuple[int, Span]] = []
    for note, (first, last) in notes:
        if kept and note - kept[-1][0] in _OVERTONES and first - kept[-1][1][1] <= 1:
            under, (begin, end) = kept[-1]
            if _leads(scores[begin : end + 1], under) < _EVEN:
                kept[-1] = note, (begin, last)
                continue
        kept.append((note, (first, last)))
    return kept


def _decode(scores: Floats32, hop_s: float) -> Ints:
    """Likeliest state (T,) of every frame: a column of `scores` (T, N), or N where no note sounds."""
    n_frames, n = scores.shape
    gain = np.zeros((n_frames, n + 1), np.float32)
    gain[:, :n] = _GAIN_S * hop_s * (scores - _NEUTRAL)
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
