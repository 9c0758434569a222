"""General-purpose pitch trackers on the same takes, each followed by the same simple semitone segmenter.

All are told the range of the scale (a semitone more on either side), which is more than they usually know. The
segmenter: frames without pitch or 40 dB under the loudest are silent; the instrument's offset from equal
temperament is the circular mean over all frames; pitches are rounded to semitones, smoothed by a running median
of five frames, and every run of one semitone for 80 ms or more is a note with the median pitch of its frames.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import parselmouth
import scipy.signal
import soxr

import compiled
from rendering.render import TrueNote, note_hz, steady_part

from .score import Found

LOW_RATE = 22050
HOP = 256
SILENT_DB = -40.0
SHORTEST_S = 0.08
SMOOTHED = 5


@dataclass(frozen=True)
class Track:
    """Pitch over time: times (T,) in seconds, hz (T,), NaN where the tracker hears no pitch."""

    times: np.ndarray
    hz: np.ndarray


def yin(audio: np.ndarray, rate: int, low_hz: float, high_hz: float) -> Track:
    """librosa's yin (de Cheveigné & Kawahara 2002) at 22 kHz in frames of 2048; it always names a pitch."""
    slow = soxr.resample(audio, rate, LOW_RATE)
    hz = compiled.librosa().yin(slow, fmin=low_hz, fmax=high_hz, sr=LOW_RATE, frame_length=2048, hop_length=HOP)
    return Track(np.arange(len(hz)) * HOP / LOW_RATE, hz)


def pyin(audio: np.ndarray, rate: int, low_hz: float, high_hz: float) -> Track:
    """librosa's pyin (Mauch & Dixon 2014) at 22 kHz in frames of 2048; NaN where it judges unvoiced."""
    slow = soxr.resample(audio, rate, LOW_RATE)
    hz, _, _ = compiled.librosa().pyin(slow, fmin=low_hz, fmax=high_hz, sr=LOW_RATE, frame_length=2048, hop_length=HOP)
    return Track(np.arange(len(hz)) * HOP / LOW_RATE, hz)


def praat(audio: np.ndarray, rate: int, low_hz: float, high_hz: float) -> Track:
    """Praat's autocorrelation (Boersma 1993) at the file's rate, a frame every 10 ms, otherwise its defaults."""
    pitch = parselmouth.Sound(audio, rate).to_pitch_ac(time_step=0.01, pitch_floor=low_hz, pitch_ceiling=high_hz)
    hz = pitch.selected_array["frequency"]
    return Track(pitch.xs(), np.where(hz > 0, hz, np.nan))


TRACKERS: dict[str, Callable[[np.ndarray, int, float, float], Track]] = {
    "librosa yin": yin,
    "librosa pyin": pyin,
    "Praat autocorrelation": praat,
}


def search_range(midis: list[int]) -> tuple[float, float]:
    """Lowest and highest frequency to look for: the scale and a semitone beyond."""
    return note_hz(min(midis) - 1), note_hz(max(midis) + 1)


def notes_of(track: Track, audio: np.ndarray, rate: int) -> list[Found]:
    """The notes in a track of pitch, by the segmenter described above."""
    hz = np.where(_loud(track.times, audio, rate), track.hz, np.nan)
    voiced = ~np.isnan(hz)
    if voiced.sum() < SMOOTHED:
        return []
    midi = 69 + 12 * np.log2(np.where(voiced, hz, 440.0) / 440.0)
    offset = np.angle(np.mean(np.exp(2j * np.pi * midi[voiced]))) / (2 * np.pi)
    semitone = np.where(voiced, np.rint(midi - offset), 0.0)
    semitone = scipy.signal.medfilt(semitone, SMOOTHED)
    edges = np.flatnonzero(np.diff(semitone)) + 1
    step = float(np.median(np.diff(track.times)))
    notes = []
    for first, stop in zip([0, *edges], [*edges, len(semitone)], strict=True):
        if semitone[first] > 0 and (stop - first) * step >= SHORTEST_S:
            onset = track.times[first] - step / 2
            pitch = float(np.nanmedian(hz[first:stop])) if voiced[first:stop].any() else np.nan
            notes.append(Found(max(onset, 0.0), onset + (stop - first) * step, pitch))
    return [note for note in notes if note.hz > 0]


def pitch_of(track: Track, note: TrueNote) -> float:
    """Pitch of a true note's steady part: the mean of the frames within 50 cents of their median; NaN without any."""
    start, stop = steady_part(note.onset_s, note.offset_s)
    hz = track.hz[(track.times >= start) & (track.times <= stop)]
    hz = hz[~np.isnan(hz)]
    if len(hz) == 0:
        return float("nan")
    return float(hz[np.abs(1200 * np.log2(hz / np.median(hz))) <= 50].mean())


def _loud(times: np.ndarray, audio: np.ndarray, rate: int) -> np.ndarray:
    """Whether the level in 20 ms around each time is within 40 dB of the greatest."""
    energy = np.concatenate([[0.0], np.cumsum(audio.astype(float) ** 2)])
    first = np.clip(((times - 0.01) * rate).astype(int), 0, len(audio) - 1)
    last = np.clip(((times + 0.01) * rate).astype(int), 1, len(audio))
    power = (energy[last] - energy[first]) / np.maximum(last - first, 1)
    return power >= power.max() * 10 ** (SILENT_DB / 10)
