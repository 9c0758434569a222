"""Scales played on sampled instruments, with the truth about every note.

A sampled-instrument soundfont holds real recorded notes that nobody here played. fluidsynth (or another
player) plays every note once alone, with silence around it, and for tongued takes the scale itself.

Conventions: notes are SOUNDING midi numbers; times in seconds; audio is mono float32 at `RATE`, the left
channel of the rendering (the two channels of a stereo sample are two microphones; a sum would comb).

Truth of a note
    note_on_s    when the note is asked for (tongued) or where the cross-fade begins (slurred)
    onset_s      tongued: where the note, heard alone, first reaches −20 dB of its own steady level;
                 slurred: the centre of the cross-fade from the note before
    offset_s     where the note, heard alone, last is above −20 dB of its steady level, at most the next onset
    references_hz  pitch of the note's steady part, heard alone, by two independent general-purpose references
                 (Praat's autocorrelation, librosa's yin) that search only near the nominal pitch; NaN: none
                 found. A single value where the pitch is known exactly. Real notes wander by some cents, so
                 the part is fixed: from 15 % of the note (at least 60 ms) after its onset to 10 % (at least
                 30 ms) before its offset.
"""

import math
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import parselmouth
import soundfile
import soxr

import compiled

from .midi import midi_file

RATE = 48000
VELOCITY = 90
TAIL_S = 1.5
GAIN = 0.6
NEAR_CENTS = 150  # the references look only this far from the nominal pitch
AGREE_CENTS = 1.0
STRAY_CENTS = 50
AUDIBLE_DB = -20.0
YIN_PERIODS = 4
YIN_UPSAMPLING = 4  # at most
YIN_SAMPLES = 96  # of a period, at least, where that much upsampling is enough
YIN_FRAME_S = 0.03
ATTACK_S = 0.3  # a sampled note is steady from here on
FADE_S = 0.04
TEMPO_S = (0.55, 1.1)  # shortest and longest time from one note to the next
LEAD_S = 0.5
SOUNDFONT_FOLDERS = ("/usr/share/sounds/sf2", "/usr/share/soundfonts")


Notes = list[tuple[int, float, float]]  # midi, on (s), off (s)
# Whatever plays notes: mono audio, shape (frames,), at least as long as the last note and its release.
Player = Callable[[Notes], np.ndarray]


@dataclass(frozen=True)
class TrueNote:
    """One note as it truly is in a take; `midi` is the note that sounds. See the module's conventions."""

    step: int
    midi: int
    note_on_s: float
    onset_s: float
    offset_s: float
    references_hz: tuple[float, ...]

    @property
    def hz(self) -> float:
        """The true pitch: the references' geometric mean."""
        return math.prod(self.references_hz) ** (1 / len(self.references_hz))

    @property
    def exact(self) -> bool:
        """Whether the references lie within `AGREE_CENTS` of each other."""
        return 1200 * math.log2(max(self.references_hz) / min(self.references_hz)) <= AGREE_CENTS


@dataclass(frozen=True)
class Take:
    """A rendered scale: mono audio at `RATE` and its true notes in playing order."""

    audio: np.ndarray
    notes: tuple[TrueNote, ...]


def find_soundfont(name: str) -> Path | None:
    """Where the soundfont file `name` is installed, or None."""
    return next((path for folder in SOUNDFONT_FOLDERS if (path := Path(folder) / name).is_file()), None)


def note_hz(midi: float) -> float:
    """Equal temperament at A4 = 440 Hz (ISO 16)."""
    return 440.0 * 2 ** ((midi - 69) / 12)


def play_soundfont(soundfont: Path, program: int, notes: Notes) -> np.ndarray:
    """What fluidsynth makes of the notes with a General MIDI program (0-based), reverberation and chorus off."""
    fluidsynth = shutil.which("fluidsynth")
    if fluidsynth is None:
        raise FileNotFoundError("fluidsynth is not installed")
    with tempfile.TemporaryDirectory() as folder:
        score, wav = Path(folder) / "score.mid", Path(folder) / "played.wav"
        score.write_bytes(midi_file(program, notes, VELOCITY, TAIL_S))
        options = ["-ni", "-q", "-R", "0", "-C", "0", "-g", str(GAIN), "-r", str(RATE), "-O", "float"]
        options += ["-o", "synth.dynamic-sample-loading=1"]  # only the samples that are played
        subprocess.run([fluidsynth, *options, "-F", wav, soundfont, score], check=True, capture_output=True)
        return soundfile.read(wav, always_2d=True, dtype="float32")[0][:, 0].copy()


def notes_alone(play: Player, midis: list[int], lengths_s: list[float]) -> list[np.ndarray]:
    """Each note by itself from its note-on, held lengths_s[i] and then let go for one second."""
    starts = np.cumsum([0.0, *(length + 1.2 for length in lengths_s)])
    score = [(midi, start, start + length) for midi, start, length in zip(midis, starts[:-1], lengths_s, strict=True)]
    audio = play(score)
    return [audio[round(on * RATE) : round((off + 1.0) * RATE)] for _, on, off in score]


def audible_span(alone: np.ndarray, held_s: float, midi: float) -> tuple[float, float]:
    """First and last time (s) the note is within `AUDIBLE_DB` of its steady level.

    In centred windows of one period, at least 4 ms: a level is one only over a period.
    """
    window = round(max(0.004, 1 / note_hz(midi)) * RATE)
    energy = np.concatenate([[0.0], np.cumsum(alone.astype(float) ** 2)])
    centre = np.arange(len(alone))
    first = np.clip(centre - window // 2, 0, len(alone))
    last = np.clip(centre + window // 2, 0, len(alone))
    power = (energy[last] - energy[first]) / window
    steady = power[round(0.5 * held_s * RATE) : round(held_s * RATE)].mean()
    above = np.flatnonzero(power >= steady * 10 ** (AUDIBLE_DB / 10))
    return float(above[0] / RATE), float(above[-1] / RATE)


def steady_part(onset_s: float, offset_s: float) -> tuple[float, float]:
    """Start and end (s) of the stretch that a note's pitch is about."""
    length = offset_s - onset_s
    return onset_s + max(0.06, 0.15 * length), offset_s - max(0.03, 0.1 * length)


def praat_pitch(body: np.ndarray, midi: float, near_cents: float = NEAR_CENTS) -> float:
    """Mean pitch (Hz) by Praat's autocorrelation (Boersma 1993), within near_cents of the nominal; else NaN."""
    nominal = note_hz(midi)
    low, high = nominal * 2 ** (-near_cents / 1200), nominal * 2 ** (near_cents / 1200)
    sound = parselmouth.Sound(body, RATE)
    track = sound.to_pitch_ac(
        time_step=0.01, pitch_floor=low, pitch_ceiling=high, very_accurate=True, octave_cost=0.0
    ).selected_array["frequency"]
    return _settled_mean(track[track > 0])


def yin_pitch(body: np.ndarray, midi: float, near_cents: float = NEAR_CENTS) -> float:
    """Mean pitch (Hz) by librosa's yin (de Cheveigné & Kawahara 2002), within near_cents of the nominal.

    This yin leans towards short lags, by half a cent to three at a lag of one period: its difference function
    keeps a part that grows with the lag over the frame. The lean falls with the square of the lag and with the
    frame's length, so the search is for four periods, in frames of at least 30 ms: 0.2 cent at most are left on
    tones of twelve harmonics, and half a cent on the lowest notes of few. High notes are searched at up to four
    times the rate, since a parabola through few samples a period is wrong by as much.
    """
    rate = min(YIN_UPSAMPLING, math.ceil(YIN_SAMPLES * note_hz(midi) / RATE)) * RATE
    sought = note_hz(midi) / YIN_PERIODS
    low, high = sought * 2 ** (-near_cents / 1200), sought * 2 ** (near_cents / 1200)
    frame = round(rate * max(2.5 / low, YIN_FRAME_S))
    fine = soxr.resample(body, RATE, rate, quality="VHQ")
    if len(fine) < frame:
        return math.nan
    track = compiled.librosa().yin(
        fine, fmin=low, fmax=high, sr=rate, frame_length=frame, hop_length=frame // 4, center=False
    )
    return _settled_mean(track) * YIN_PERIODS


def _settled_mean(track: np.ndarray) -> float:
    """Mean of the frames within `STRAY_CENTS` of their median.

    A mean, because it is the same for short and long frames when a vibrato is not symmetrical; a median is not.
    """
    if len(track) == 0:
        return math.nan
    away = 1200 * np.log2(track / np.median(track))
    return float(track[np.abs(away) <= STRAY_CENTS].mean())


def note_durations(count: int, seed: int, tempo_s: tuple[float, float] = TEMPO_S) -> np.ndarray:
    """Uneven free tempo: (count,) seconds from one note to the next, between the two of tempo_s."""
    return np.random.default_rng(seed).uniform(*tempo_s, count)


def _true_note(step: int, midi: int, times: tuple[float, float, float], alone: np.ndarray, at_s: float) -> TrueNote:
    """The note with these times (note-on, onset, offset) whose lone sound `alone` begins at at_s of the take."""
    first, last = (round((time - at_s) * RATE) for time in steady_part(*times[1:]))
    body = alone[first:last].astype(float)
    return TrueNote(step, midi, *map(float, times), (praat_pitch(body, midi), yin_pitch(body, midi)))


def tongued_take(
    play: Player, midis: list[int], seed: int = 0, gap_s: float = 0.05, tempo_s: tuple[float, float] = TEMPO_S
) -> Take:
    """The notes in order, each newly attacked, gap_s between letting one go and asking for the next."""
    durations = note_durations(len(midis), seed, tempo_s)
    starts = LEAD_S + np.concatenate([[0.0], np.cumsum(durations[:-1])])
    held = list(durations - gap_s)
    audio = play(list(zip(midis, starts, starts + held, strict=True)))
    spans = [
        (alone, audible_span(alone, length, midi))
        for alone, length, midi in zip(notes_alone(play, midis, held), held, midis, strict=True)
    ]
    onsets = [start + first for start, (_, (first, _)) in zip(starts, spans, strict=True)]
    notes = []
    for step, (midi, start) in enumerate(zip(midis, starts, strict=True)):
        alone, (_, last) = spans[step]
        offset = min(start + last, *onsets[step + 1 : step + 2], len(audio) / RATE)
        notes.append(_true_note(step, midi, (start, onsets[step], offset), alone, start))
    return Take(audio, tuple(notes))


def slurred_take(
    play: Player, midis: list[int], seed: int = 0, fade_s: float = FADE_S, tempo_s: tuple[float, float] = TEMPO_S
) -> Take:
    """The notes in true legato: steady bodies cross-faded over fade_s (equal gain), only the first attacked."""
    durations = note_durations(len(midis), seed, tempo_s)
    held = [ATTACK_S + duration + fade_s for duration in durations]
    alone = notes_alone(play, midis, held)
    fade = round(fade_s * RATE)
    ramp = ((np.arange(fade) + 0.5) / fade).astype(np.float32)
    audio = np.zeros(round((LEAD_S + durations.sum() + ATTACK_S + 1.5) * RATE), np.float32)
    # The first note begins with its own attack, the last ends with its own release; all others are bodies.
    begins = [0, *(round(ATTACK_S * RATE) for _ in midis[1:])]
    first_audible = audible_span(alone[0], held[0], midis[0])[0]
    last_audible = audible_span(alone[-1], held[-1], midis[-1])[1]
    at, notes = round(LEAD_S * RATE), []
    for step, midi in enumerate(midis):
        is_last = step == len(midis) - 1
        ends = len(alone[step]) if is_last else round(held[step] * RATE)
        piece = alone[step][begins[step] : ends].copy()
        if step:
            piece[:fade] *= ramp
        if not is_last:
            piece[-fade:] *= ramp[::-1]
        audio[at : at + len(piece)] += piece
        onset = at / RATE + (fade_s / 2 if step else first_audible)
        next_at = at + len(piece) - fade
        offset = (at - begins[step]) / RATE + last_audible if is_last else next_at / RATE + fade_s / 2
        begun = (at - begins[step]) / RATE
        notes.append(_true_note(step, midi, (at / RATE, onset, offset), alone[step], begun))
        at = next_at
    return Take(audio, tuple(notes))
