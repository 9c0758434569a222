"""Players that nothing of the program was tuned on: three of the synthesis toolkit's physical models, a set of sampled
instruments of its own, and frequency modulation.

Conventions as in `sounds`. The models miss what they are asked for by many cents, and play no note beyond the ranges
that `sounds` names.
"""

import math
import shutil
import subprocess
import tempfile
import zlib
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile

from rendering.midi import midi_file
from rendering.models import csound_plays
from rendering.render import RATE, TAIL_S, VELOCITY, Notes, note_hz

RAW_WAVES = "/usr/share/stk/rawwaves"
PATCHES = "/etc/timidity/freepats.cfg"
# Carrier and modulator against the fundamental, and the modulation index while the note is held and while it begins
# (Chowning 1973, J. Audio Eng. Soc. 21, 526: brass, woodwind, bassoon; the indices from memory).
MODULATION = {
    "trumpet_b_flat": (1, 1, 3.5, 0.5),
    "trombone": (1, 1, 4.5, 0.5),
    "clarinet_b_flat": (3, 2, 2.0, 3.5),
    "bassoon": (5, 1, 1.5, 0.3),
    "saxophone_alto": (2, 1, 2.5, 1.0),
}


def modelled(opcode: str, notes: Notes) -> np.ndarray:
    """What Csound makes of the notes with a physical model of the synthesis toolkit (STK), its own breath noise on."""
    orchestra = (
        f"sr={RATE}\nksmps=16\nnchnls=1\n0dbfs=1\ninstr 1\naout {opcode} p4, 1\n"
        "kend linsegr 1, 0.05, 1, 0.05, 0\nout aout*kend*0.3\nendin\n"
    )
    events = [f"i1 {on:.6f} {off - on:.6f} {note_hz(midi):.6f}" for midi, on, off in notes]
    return csound_plays(orchestra, events, notes[-1][2] + TAIL_S, RAW_WAVES)


def patched(program: int, notes: Notes) -> np.ndarray:
    """What timidity makes of the notes with a General MIDI program (0-based) of the free patches, without effects."""
    timidity = shutil.which("timidity")
    if timidity is None:
        raise FileNotFoundError("timidity is not installed")
    with tempfile.TemporaryDirectory() as folder:
        score, wav = Path(folder) / "score.mid", Path(folder) / "played.wav"
        score.write_bytes(midi_file(program, notes, VELOCITY, TAIL_S))
        options = ["-c", PATCHES, "-EFreverb=0", "-EFchorus=0", "-EFdelay=0", "-s", str(RATE), "-Ow", "--output-mono"]
        subprocess.run([timidity, *options, "-o", wav, score], check=True, capture_output=True)
        audio = soundfile.read(wav, dtype="float32")[0]
    return np.concatenate([audio, np.zeros(max(0, round((notes[-1][2] + TAIL_S) * RATE) - len(audio)), np.float32)])


def modulated(family: str, notes: Notes) -> np.ndarray:
    """Two sine waves, one modulating the other, with jitter of pitch and breath noise."""
    carrier, modulator, held, begun = MODULATION[family]
    audio = np.zeros(round((notes[-1][2] + TAIL_S) * RATE))
    for midi, on_s, off_s in notes:
        rng = np.random.default_rng(zlib.crc32(f"modulated {family} {midi}".encode()))
        time = np.arange(round((off_s - on_s) * RATE)) / RATE
        jitter = scipy.signal.lfilter(*scipy.signal.butter(1, 12, fs=RATE), rng.standard_normal(len(time)))
        cents = rng.normal(0, 8) + 3 * jitter / jitter.std()
        phase = 2 * math.pi * np.cumsum(note_hz(midi) * 2 ** (cents / 1200)) / RATE
        rise_s = rng.uniform(0.02, 0.07)
        envelope = np.minimum(1, time / rise_s)
        index = (held + (begun - held) * (1 - envelope)) * min(1.0, 700 / note_hz(midi))
        air = scipy.signal.lfilter([0.4], [1, -0.6], rng.standard_normal(len(time)))
        sound = np.sin(carrier * phase + index * np.sin(modulator * phase)) + 0.01 * air
        ends = np.minimum(1, (time[-1] - time) / 0.03)
        audio[round(on_s * RATE) :][: len(time)] += 0.1 * sound * np.sin(math.pi / 2 * envelope * ends) ** 2
    return audio
