"""Physical models of wind instruments as players: Csound's waveguides `wgclar` and `wgflute`.

`wgclar` is in tune to a quarter of a cent from sounding B♭1 (58.27 Hz) up to E5; `wgflute` sounds 39 to 92
cents above what it is asked for, note by note, between C4 and B6.
"""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from .render import RATE, TAIL_S, Notes, note_hz

# Opcode arguments after amplitude and frequency: reed stiffness or jet ratio, attack and decay (s).
ARGUMENTS = {"wgclar": "-0.3, 0.05, 0.06", "wgflute": "0.32, 0.05, 0.06"}


def csound_plays(orchestra: str, events: list[str], end_s: float, raw_waves: str = "") -> np.ndarray:
    """What Csound makes of an orchestra and the lines of a score, up to `end_s`; `raw_waves`: folder of the synthesis
    toolkit's (STK) waves."""
    csound = shutil.which("csound")
    if csound is None:
        raise FileNotFoundError("csound is not installed")
    score = "\n".join([*events, f"f0 {end_s:.6f}", "e", ""])
    with tempfile.TemporaryDirectory() as folder:
        for name, text in (("model.orc", orchestra), ("model.sco", score)):
            (Path(folder) / name).write_text(text, encoding="utf-8")
        command = [csound, "-W", "-f", "-d", "-o", "model.wav", "model.orc", "model.sco"]
        environment = os.environ | ({"RAWWAVE_PATH": raw_waves} if raw_waves else {})
        subprocess.run(command, cwd=folder, check=True, capture_output=True, env=environment)
        return soundfile.read(Path(folder) / "model.wav", dtype="float32")[0]


def play_model(opcode: str, notes: Notes, breath_noise: float = 0.02) -> np.ndarray:
    """What Csound's model makes of the notes, without vibrato; usable as a player once the opcode is fixed.

    With no breath noise the model is exactly periodic once it has settled.
    """
    orchestra = (
        f"sr={RATE}\nksmps=8\nnchnls=1\n0dbfs=1\ngisine ftgen 1,0,16384,10,1\n"
        f"instr 1\naout {opcode} 0.5, p4, {ARGUMENTS[opcode]}, {breath_noise}, 0, 0, 1\nout aout*0.3\nendin\n"
    )
    events = [f"i1 {on:.6f} {off - on:.6f} {note_hz(midi):.6f}" for midi, on, off in notes]
    return csound_plays(orchestra, events, notes[-1][2] + TAIL_S)
