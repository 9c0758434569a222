"""What a recording does to a sound: rooms, microphones, noise, hum, speech, breaths, lossy coding.

Conventions: audio is mono at `RATE`; functions return new audio of the same length, with no delay,
unless they are about a whole take: those move its notes along. Random things take a seed.
"""

import io
import math
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import scipy.fft
import scipy.signal
import soundfile
import soxr

from .render import RATE, Take

MP3_FASTEST, MP3_SLOWEST = 320, 32  # kbit/s at 48 kHz; libsndfile spaces its compression level between them


def playing_rms(audio: np.ndarray) -> float:
    """RMS over the 50 ms stretches that lie within 30 dB of the loudest: silence does not count."""
    block = round(0.05 * RATE)
    power = (audio[: len(audio) // block * block].reshape(-1, block) ** 2).mean(axis=1)
    return math.sqrt(power[power >= power.max() * 1e-3].mean())


def in_room(audio: np.ndarray, rt60_s: float, direct_db: float = 0.0, seed: int = 0) -> np.ndarray:
    """The sound in a room: itself and an exponentially dying noise tail, direct_db below which the tail lies.

    `direct_db` is the energy of the direct sound over that of the tail. RT60: the tail falls 60 dB in rt60_s.
    """
    time = np.arange(round(1.2 * rt60_s * RATE)) / RATE
    tail = np.random.default_rng(seed).standard_normal(len(time)) * 10 ** (-3 * time / rt60_s)
    tail[time < 0.003] = 0  # the first wall is half a metre further than the player
    tail *= math.sqrt(10 ** (-direct_db / 10) / np.sum(tail**2))
    return audio + scipy.signal.fftconvolve(audio, tail)[: len(audio)]


def through_microphone(
    audio: np.ndarray, low_hz: float = 60, peak_hz: float = 5000, peak_db: float = 5.0, high_hz: float = 14_000
) -> np.ndarray:
    """A microphone: second-order low and high cut, and a presence peak one octave wide (bilinear peaking filter)."""
    edges = scipy.signal.butter(2, [low_hz, high_hz], "bandpass", fs=RATE, output="sos")
    amplitude, omega = 10 ** (peak_db / 40), 2 * math.pi * peak_hz / RATE
    alpha = math.sin(omega) * math.sinh(math.log(2) / 2 * omega / math.sin(omega))
    cosine = -2 * math.cos(omega)
    top = [1 + alpha * amplitude, cosine, 1 - alpha * amplitude]
    bottom = [1 + alpha / amplitude, cosine, 1 - alpha / amplitude]
    return scipy.signal.lfilter(top, bottom, scipy.signal.sosfilt(edges, audio))


def with_noise(audio: np.ndarray, snr_db: float, seed: int = 0) -> np.ndarray:
    """Added room noise, falling 3 dB an octave above 50 Hz, snr_db below the playing."""
    size = scipy.fft.next_fast_len(len(audio), real=True)
    spectrum = scipy.fft.rfft(np.random.default_rng(seed).standard_normal(size))
    spectrum /= np.sqrt(np.maximum(scipy.fft.rfftfreq(size, 1 / RATE), 50.0))
    noise = scipy.fft.irfft(spectrum, size)[: len(audio)]
    return audio + noise * playing_rms(audio) * 10 ** (-snr_db / 20) / noise.std()


def with_hum(audio: np.ndarray, hum_db: float, mains_hz: float = 50.0) -> np.ndarray:
    """Added mains hum of ten harmonics (amplitude 1/n), hum_db relative to the playing."""
    time = np.arange(len(audio)) / RATE
    hum = sum(np.sin(2 * math.pi * mains_hz * n * time + n * n) / n for n in range(1, 11))
    return audio + hum * playing_rms(audio) * 10 ** (hum_db / 20) / hum.std()


def through_mp3(audio: np.ndarray, kbit_s: float = 64) -> np.ndarray:
    """There and back through MP3 at a constant bit rate; the coder's own delay is taken out by the decoder."""
    coded = io.BytesIO()
    level = (MP3_FASTEST - kbit_s) / (MP3_FASTEST - MP3_SLOWEST)
    form = {"format": "MP3", "subtype": "MPEG_LAYER_III", "compression_level": level, "bitrate_mode": "CONSTANT"}
    with soundfile.SoundFile(coded, "w", RATE, 1, **form) as file:
        file.write(audio)
    coded.seek(0)
    return soundfile.read(coded)[0][: len(audio)]


def speech(words: str, level: float = 0.05, voice: str = "en") -> np.ndarray:
    """Words spoken by espeak-ng, at an RMS level while speaking."""
    program = shutil.which("espeak-ng")
    if program is None:
        raise FileNotFoundError("espeak-ng is not installed")
    spoken = subprocess.run([program, "-v", voice, "--stdout", words], check=True, capture_output=True).stdout
    audio, rate = soundfile.read(io.BytesIO(spoken))
    audio = soxr.resample(audio, rate, RATE)
    return audio * level / playing_rms(audio)


def breath(seconds: float = 0.5, level: float = 0.01, seed: int = 0) -> np.ndarray:
    """A breath taken: noise between 300 Hz and 5 kHz that swells and falls, at an RMS level."""
    noise = np.random.default_rng(seed).standard_normal(round(seconds * RATE))
    band = scipy.signal.butter(2, [300, 5000], "bandpass", fs=RATE, output="sos")
    shaped = scipy.signal.sosfilt(band, noise) * np.hanning(len(noise))
    return shaped * level / np.sqrt(np.mean(shaped**2))


def with_sound(take: Take, sound: np.ndarray, at_s: float, fade_s: float = 0.005) -> Take:
    """The take with a sound put in at a time between two notes, before the first or after the last.

    What comes later is moved by the sound's length; what is cut there fades over fade_s on either side.
    """
    at, fade = round(at_s * RATE), round(fade_s * RATE)
    before, after = take.audio[:at].copy(), take.audio[at:].copy()
    ramp = np.linspace(0, 1, fade)
    before[len(before) - len(ramp[: len(before)]) :] *= ramp[::-1][: len(before)]
    after[:fade] *= ramp[: len(after)]
    shift = len(sound) / RATE
    notes = tuple(
        replace(note, note_on_s=note.note_on_s + shift, onset_s=note.onset_s + shift, offset_s=note.offset_s + shift)
        if note.note_on_s >= at_s
        else replace(note, offset_s=min(note.offset_s, at_s))
        for note in take.notes
    )
    return Take(np.concatenate([before, sound, after]), notes)
