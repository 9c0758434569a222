"""Players for the takes that nothing was tuned on: a physical model compiled by Faust, and formant-wave synthesis.

Conventions as in `sounds`. Each note of the model is blown anew, by a breath that is not quite steady.
"""

import math
import shutil
import subprocess
import tempfile
import zlib
from functools import cache
from pathlib import Path

import numpy as np

from rendering.models import csound_plays
from rendering.render import RATE, TAIL_S, Notes, note_hz, praat_pitch

# The clarinet of Faust's own library of physical models (physmodels.lib): a tube of a length, blown with a pressure.
PRESSURE = 0.75
PROGRAM = """import("stdfaust.lib");
hz = hslider("hz", 440, 10, 6000, 0.01);
blow = hslider("blow", 0, 0, 2, 0.0001) * (1 + 0.2 * (no.noise : fi.lowpass(1, 1500)));
process = pm.clarinetModel(pm.f2l(hz), blow, 0.5, 0.5);
"""
HOST = """#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <vector>
#include "faust/dsp/dsp.h"
#include "faust/gui/MapUI.h"
#include "faust/gui/meta.h"
<<includeIntrinsic>>
<<includeclass>>
int main(int, char** argv) {
    const int rate = atoi(argv[1]), hop = 32;
    double hz, seconds, pressure;
    while (scanf("%lf %lf %lf", &hz, &seconds, &pressure) == 3) {
        mydsp model;
        MapUI ui;
        model.init(rate);
        model.buildUserInterface(&ui);
        ui.setParamValue("hz", hz);
        std::vector<FAUSTFLOAT> out(hop);
        FAUSTFLOAT* outs[1] = {out.data()};
        for (int k = 0; k < int(seconds * rate) / hop; ++k) {
            const double t = double(k) * hop / rate;
            ui.setParamValue("blow", pressure * std::max(0.0, std::min({1.0, t / 0.05, (seconds - 0.3 - t) / 0.04})));
            model.compute(hop, nullptr, outs);
            fwrite(out.data(), sizeof(FAUSTFLOAT), hop, stdout);
        }
    }
}
"""
RELEASE_S = 0.3  # of the host: so long before its end a note is no longer blown
TUNING_S, TUNINGS = 0.8, 3

# Frequency, level (dB) and bandwidth (Hz) of each formant. The double reeds', the horn's and the trombone's first two
# after Meyer 2009, Acoustics and the Performance of Music, from memory; the others are rough likenesses.
FORMANTS = {
    "oboe": ((1100, 0, 250), (2800, -12, 400), (4500, -28, 600), (250, -9, 200)),
    "cor_anglais": ((950, 0, 200), (1900, -14, 350), (3800, -30, 600), (200, -8, 150)),
    "bassoon": ((480, 0, 120), (1150, -13, 250), (2100, -24, 400), (120, -12, 100)),
    "horn_f": ((350, 0, 200), (800, -10, 300), (1500, -22, 500), (150, -6, 120)),
    "trombone": ((550, 0, 250), (1800, -12, 500), (3000, -24, 700), (180, -8, 120)),
    "saxophone_tenor": ((650, 0, 250), (1400, -8, 350), (2800, -18, 600), (220, -3, 150)),
    "saxophone_soprano": ((900, 0, 400), (1700, -8, 450), (3400, -18, 700), (350, -4, 250)),
}


def blown(notes: Notes) -> np.ndarray:
    """Faust's clarinet: the tube of each note is made as long as its pitch asks for, by ear."""
    audio = np.zeros(round((notes[-1][2] + TAIL_S) * RATE), np.float32)
    for midi, on_s, off_s in notes:
        hz = note_hz(midi)
        for _ in range(TUNINGS):
            heard = praat_pitch(_blow(hz, TUNING_S)[RATE // 5 : RATE // 2].astype(float), midi, 1250.0)
            if math.isfinite(heard):
                hz *= note_hz(midi) / heard
        sound = _blow(hz, off_s - on_s + RELEASE_S)
        sound = 0.2 * sound[: len(audio) - round(on_s * RATE)]
        audio[round(on_s * RATE) :][: len(sound)] += sound
    return audio


def _blow(hz: float, seconds: float) -> np.ndarray:
    asked = f"{hz:.4f} {seconds:.4f} {PRESSURE}\n".encode()
    played = subprocess.run([_compiled(), str(RATE)], input=asked, check=True, capture_output=True)
    return np.frombuffer(played.stdout, np.float32)


@cache
def _compiled() -> Path:
    """The program that plays the model, in a folder of the system's temporary ones."""
    faust, compiler = shutil.which("faust"), shutil.which("g++")
    if faust is None or compiler is None:
        raise FileNotFoundError("faust or g++ is not installed")
    folder = Path(tempfile.mkdtemp(prefix="faust-"))
    for name, text in (("host.cpp", HOST), ("model.dsp", PROGRAM)):
        (folder / name).write_text(text, encoding="utf-8")
    for command in (
        [faust, "-a", "host.cpp", "model.dsp", "-o", "model.cpp"],
        [compiler, "-O1", "-o", "model", "model.cpp"],
    ):
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return folder / "model"


def sung(family: str, notes: Notes) -> np.ndarray:
    """Csound's formant-wave functions (fof; Rodet 1984, Computer Music Journal 8:3, 9), with jitter and breath."""
    grains = "\n".join(
        f"a{k} fof {10 ** (level / 20):.5f}, kfund, {hz}, 0, {band}, 0.003, 0.035, 0.008, 200, 1, 2, p3"
        for k, (hz, level, band) in enumerate(FORMANTS[family])
    )
    orchestra = (
        f"sr={RATE}\nksmps=16\nnchnls=1\n0dbfs=1\nseed 7\ninstr 1\n"
        f"kjit jspline 0.0012, 4, 9\nkfund = p4 * (1 + kjit)\n{grains}\n"
        "kloud jspline 0.05, 2, 6\nkair linsegr 0, p5, 1, 1, 1, 0.05, 0\n"
        "ahiss noise 0.02, -0.5\nasum = a0 + a1 + a2 + a3\n"
        "out (asum * (1 + kloud) * 0.08 + ahiss * 0.05) * kair * kair\nendin\n"
    )
    events = [
        f"i1 {on:.6f} {off - on:.6f} {_off_hz(family, midi):.6f} {_rise_s(family, midi):.4f}" for midi, on, off in notes
    ]
    tables = ["f1 0 16384 10 1", "f2 0 1024 19 0.5 0.5 270 0.5"]
    return csound_plays(orchestra, [*tables, *events], notes[-1][2] + TAIL_S)


def _off_hz(family: str, midi: int) -> float:
    rng = np.random.default_rng(zlib.crc32(f"sung {family} {midi}".encode()))
    return float(note_hz(midi + np.clip(rng.normal(0, 0.1), -0.3, 0.3)))


def _rise_s(family: str, midi: int) -> float:
    return float(np.random.default_rng(zlib.crc32(f"rise {family} {midi}".encode())).uniform(0.02, 0.07))
