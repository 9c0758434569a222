"""Takes put together out of voices: what is played, stroke by stroke, and the truth about each.

Conventions: SOUNDING midi; times in seconds of the take; levels in dB re full scale, root mean square; amplitudes are
never changed but by what a stroke says, so that a note's truth is that of its voice alone.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import soxr

from rendering.render import AUDIBLE_DB, FADE_S, LEAD_S, RATE, note_hz, steady_part

from .sounds import BODY_S, HOP_S, Voice

GAP_S = 0.05  # between letting one tongued note go and the next
LET_GO_S = 0.03
TAIL_S = 0.8
UNSURE_MS = 20.0
STEADY = (0.8, 1.25)
GLIDE_CENTS = 25.0  # a voice that moves further from half to half of its steady part has no one pitch
SPARE = 64  # samples beyond the last that is read
FINER = 4  # so many times the rate when a voice is read faster or slower


@dataclass(frozen=True)
class Stroke:
    """One note as it is played.

    `midi`: the note that sounds. `gap_s`: silence before it; `slurred`: it grows out of the one before instead.
    `steps`: places of the scale for which it is the right note, in pass `of_pass` (from 1; 0: no whole pass). `rise_s`:
    length of a raised cosine that it begins with, on a steady sound; None: its own attack. `cents`, `drift_cents`,
    `vibrato_cents`: away from the voice's own pitch, over the whole note, from end to end, to either side. `breath_db`:
    breath noise against the note. `blip`: semitones above, begin and length (s) of a stretch that breaks out.
    """

    midi: int
    seconds: float
    gap_s: float = GAP_S
    slurred: bool = False
    steps: tuple[int, ...] = ()
    of_pass: int = 1
    rise_s: float | None = None
    cents: float = 0.0
    drift_cents: float = 0.0
    vibrato_cents: float = 0.0
    gain_db: float = 0.0
    breath_db: float | None = None
    blip: tuple[int, float, float] | None = None


@dataclass(frozen=True)
class Other:
    """Something that is no note: `sound` (n,) after `gap_s` of silence."""

    sound: np.ndarray
    gap_s: float = 0.1


@dataclass(frozen=True)
class Truth:
    """One note as it truly is. `hz`: NaN where the voice itself glides so far that it has no one pitch. `level_db`: of
    its steady part, NaN where the recording leaves none that is right. `attack_ms`: NaN where the rise was not planted,
    infinite where none was recorded, so that any value is wrong."""

    midi: int
    onset_s: float
    offset_s: float
    hz: float
    level_db: float
    attack_ms: float
    steps: tuple[int, ...]
    of_pass: int


@dataclass(frozen=True)
class Played:
    """A take: audio (n,) at `RATE`, or (n, 2), and its true notes in playing order.

    `louder_db`: by how much a lasting noise is louder in it than it was before the recording changed it.
    """

    audio: np.ndarray
    notes: tuple[Truth, ...]
    louder_db: float = 0.0


def perform(strokes: Iterable[Stroke | Other], bank: dict[int, Voice], seed: int) -> Played:
    """The take that these strokes make."""
    rng = np.random.default_rng(seed)
    pieces: list[tuple[int, np.ndarray]] = []
    notes: list[Truth] = []
    end = LEAD_S
    strokes = list(strokes)
    for number, stroke in enumerate(strokes):
        if isinstance(stroke, Other):
            pieces.append((round((end + stroke.gap_s) * RATE), stroke.sound))
            end += stroke.gap_s + len(stroke.sound) / RATE
            continue
        following = strokes[number + 1] if number + 1 < len(strokes) else None
        leads_on = isinstance(following, Stroke) and following.slurred
        start = end - FADE_S if stroke.slurred else end + stroke.gap_s
        sound, cents = _piece(stroke, bank, rng)
        fade = round((FADE_S if leads_on else min(LET_GO_S, 0.2 * stroke.seconds)) * RATE)
        sound[-fade:] *= _ramp(fade)[::-1]
        pieces.append((round(start * RATE), sound))
        onset, offset = _audible(sound, stroke.midi)
        onset = FADE_S / 2 if stroke.slurred else onset
        offset = stroke.seconds - FADE_S / 2 if leads_on else offset
        notes.append(_truth(stroke, start, onset, offset, sound, cents))
        if stroke.slurred and len(notes) > 1 and notes[-2].midi == stroke.midi:  # one note, held on
            held, more = notes[-2], notes.pop()
            notes[-1] = replace(held, offset_s=more.offset_s, steps=held.steps + more.steps)
        end = start + stroke.seconds
    audio = np.zeros(round((end + TAIL_S) * RATE))
    for first, sound in pieces:
        audio[first : first + len(sound)] += sound
    return Played(audio, tuple(notes))


def _piece(stroke: Stroke, bank: dict[int, Voice], rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """The stroke's sound, and its pitch against nominal every millisecond: the voice's own (NaN: none heard), and what
    is asked beside it, (2, n)."""
    voice = bank[stroke.midi]
    sound, cents = _read(stroke, voice, 0.0)
    if stroke.blip:
        above, begin, length = stroke.blip
        first, fade = round(begin * RATE), round(0.008 * RATE)
        high = _read(stroke, bank[stroke.midi + above], begin)[0][: round(length * RATE)]
        loud = math.sqrt(np.mean(sound[len(sound) // 3 :] ** 2) / np.mean(high**2))
        share = np.zeros(len(sound))
        share[first : first + len(high)] = 1
        share = np.convolve(share, np.ones(fade) / fade, "same")
        other = np.zeros(len(sound))
        other[first : first + len(high)] = high * loud
        sound = sound * (1 - share) + other * share
    ramp = round((FADE_S if stroke.slurred else stroke.rise_s or 0.003) * RATE)
    ramp = min(ramp, len(sound))
    sound[:ramp] *= _ramp(ramp)
    if stroke.breath_db is not None:
        air = rng.standard_normal(len(sound)) * np.sqrt(np.mean(sound**2)) * 10 ** (stroke.breath_db / 20)
        air[:ramp] *= _ramp(ramp)
        sound = sound + air
    return sound * 10 ** (stroke.gain_db / 20), cents


def _read(stroke: Stroke, voice: Voice, later_s: float) -> tuple[np.ndarray, np.ndarray]:
    """The voice read at the pitch that the stroke asks for, from its own attack or from its body on."""
    body = stroke.slurred or stroke.rise_s is not None or later_s > 0
    begin = BODY_S if body else max(0.0, voice.audible_s - 0.02)
    time = np.arange(round(stroke.seconds * RATE)) / RATE
    asked = stroke.cents + stroke.drift_cents * (time / stroke.seconds - 0.5)
    asked = asked + stroke.vibrato_cents * np.sin(2 * math.pi * 5.5 * time)
    place = np.concatenate([[0.0], np.cumsum(2 ** (asked[:-1] / 1200))]) / RATE
    if begin + place[-1] > len(voice.audio) / RATE:
        raise ValueError(f"a stroke of {stroke.seconds} s is longer than its voice")
    part = voice.audio[round(begin * RATE) : round((begin + place[-1]) * RATE) + SPARE].astype(float)
    sound = part if not asked.any() else _bent(part, place)
    place = begin + place
    thin = slice(None, None, RATE // 1000)
    track = voice.cents[np.minimum(np.rint(place[thin] / HOP_S).astype(int), len(voice.cents) - 1)]
    return sound[: len(time)].copy(), np.stack([track, asked[thin]])


def _bent(sound: np.ndarray, place: np.ndarray) -> np.ndarray:
    """The sound read at these places (s)."""
    fine = soxr.resample(sound, RATE, FINER * RATE)
    return np.interp(place * FINER * RATE, np.arange(len(fine)), fine)


def _truth(stroke: Stroke, start: float, onset: float, offset: float, sound: np.ndarray, cents: np.ndarray) -> Truth:
    first, last = steady_part(onset, offset)
    if last - first < 0.5 * (offset - onset):
        first, last = onset + 0.25 * (offset - onset), offset - 0.25 * (offset - onset)
    steady = sound[round(first * RATE) : round(last * RATE)]
    own, asked = cents[:, round(1000 * first) : round(1000 * last)]
    known = own[np.isfinite(own)]
    halves = [half.mean() for half in np.array_split(known, 2)] if len(known) > 1 else [math.nan]
    mean = float(np.nanmean(own + asked)) if np.ptp(halves) <= GLIDE_CENTS else math.nan
    power = float(np.mean(steady**2))
    breath = 0.0 if stroke.breath_db is None else 10 ** (stroke.breath_db / 10)
    return Truth(
        stroke.midi,
        start + onset,
        start + offset,
        note_hz(stroke.midi + mean / 100),
        10 * math.log10(power / (1 + breath)),
        math.nan if stroke.rise_s is None else _attack_ms(sound, stroke.midi, math.sqrt(power), stroke.rise_s),
        stroke.steps,
        stroke.of_pass,
    )


def _ramp(count: int) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count)


def _rms(sound: np.ndarray, midi: int, periods: int, least_s: float) -> np.ndarray:
    """Root mean square in centred windows of whole periods, (n,)."""
    one = 1 / note_hz(midi)
    half = max(1, round(max(periods * one, math.ceil(least_s / one) * one) * RATE / 2))
    energy = np.concatenate([[0.0], np.cumsum(sound**2)])
    centre = np.arange(len(sound))
    first, last = np.clip(centre - half, 0, len(sound)), np.clip(centre + half, 0, len(sound))
    return np.sqrt((energy[last] - energy[first]) / (2 * half))


def _audible(sound: np.ndarray, midi: int) -> tuple[float, float]:
    """First and last time within 20 dB of the level of its middle."""
    level = _rms(sound, midi, 1, 0.004)
    middle = level[round(0.4 * len(level)) : round(0.8 * len(level))]
    above = np.flatnonzero(level >= np.sqrt(np.mean(middle**2)) * 10 ** (AUDIBLE_DB / 20))
    return float(above[0] / RATE), float(above[-1] / RATE)


def _attack_ms(sound: np.ndarray, midi: int, steady: float, rise_s: float) -> float:
    """Time from 10 % to 90 % of the steady level, as the measure is defined, of the note alone.

    NaN where it hangs on what exactly the steady level is, because the voice itself swells: from 80 to 100 % takes more
    than `UNSURE_MS` longer than the planted rise's own three tenths, or the level leaves `STEADY` of it later on.
    """
    level = _rms(np.concatenate([np.zeros(RATE // 20), sound]), midi, 2, 0.006)
    first = int(np.argmax(level >= 0.1 * steady))
    early, middle, late = (1000 * float(np.argmax(level[first:] >= part * steady)) / RATE for part in (0.8, 0.9, 1.0))
    held = level[first + round(late * RATE / 1000) : round(0.85 * len(level))] / steady
    steadily = len(held) > 0 and STEADY[0] <= held.min() and held.max() <= STEADY[1]
    return middle if steadily and 0 < early <= late <= early + 300 * rise_s + UNSURE_MS else math.nan
