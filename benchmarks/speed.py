"""What measuring a recording costs: python benchmarks/speed.py [--short].

CPU time of decoding, finding notes, pitch and all other measures for one minute (48 kHz, mono, FLAC, a chromatic
scale of a sampled clarinet), divided by that of decoding and one short-time Fourier transform (4096 samples
every 512, float32, blocks of 32 frames, scipy.fft); both in turn in one run, on one thread. The same for scales of
many families in half a minute each, for every note costs something, however short. Beside them what others take for
single measures of the same takes, already decoded: Praat's autocorrelation pitch, librosa's yin, and four of its
spectral features over one transform like that of the unit. Peak memory in a fresh process, and CPU over duration, for
that minute, for ten minutes and an hour of it over and over, and for an hour of one scale
in notes of a minute and a half. Prints the tables, writes build/accuracy/speed.json and renews the tables in
docs/accuracy.md; with --short only the half-minute takes, printed alone. Peak memory needs Linux or macOS.
"""

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from campaigns import markdown, one_thread, renew

one_thread()

import numpy as np
import scipy.fft
import soundfile

import compiled
from accuracy.takes import BROAD, CLEAN, EXACT, HELD_OUT, LOW_CLARINET, Case, Scale, noise, recorded
from accuracy.trackers import TRACKERS, search_range
from rendering.render import RATE, note_hz
from rendering.study import SOUNDFONT

RESULTS = REPO / "build" / "accuracy" / "speed.json"
PAGE = REPO / "docs" / "accuracy.md"
MINUTE = 60 * RATE
RUNS, PEER_RUNS = 7, 2
SIZE, HOP, BLOCK = 4096, 512, 32
HALF_MINUTE = 30 * RATE
FILLED_S, UNEVEN = 29.0, 0.25  # of the half minute; share by which notes are shorter and longer
SAMPLED = (
    "piccolo",
    "flute",
    "oboe",
    "clarinet_b_flat",
    "saxophone_alto",
    "bassoon",
    "trumpet_b_flat",
    "trombone",
    "tuba",
)
FEATURES = ("centroid", "bandwidth", "rolloff", "flatness")


def features(audio: np.ndarray, rate: int, low_hz: float, high_hz: float) -> None:
    """Spectral features of every frame, whatever its pitch."""
    library = compiled.librosa()
    magnitude = np.abs(library.stft(audio, n_fft=SIZE, hop_length=HOP))
    for name in FEATURES:
        of_rate = {} if name == "flatness" else {"sr": rate}
        getattr(library.feature, f"spectral_{name}")(S=magnitude, **of_rate)


PEERS = {name: TRACKERS[name] for name in ("Praat autocorrelation", "librosa yin")} | {"librosa features": features}
# Run in a fresh process: the row of the sheet comes in as JSON; CPU and peak memory go out.
ALONE = """
import json, pathlib, re, resource, sys, time
sys.path.insert(0, sys.argv[1])
from evenbore.notes.measure import measure_recording
begun = time.process_time()
measured = measure_recording(json.loads(sys.argv[2]))
cpu = time.process_time() - begun
if sys.platform == "linux":  # ru_maxrss of Linux holds that of the parent as well
    peak = 1024 * int(re.search(r"VmHWM:\\s+(\\d+)", pathlib.Path("/proc/self/status").read_text())[1])
else:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"cpu_s": cpu, "peak_mb": peak / 1e6, "status": measured.recording["status"],
                  "reason": measured.recording["reason"], "notes": len(measured.notes)}))
"""


def main() -> None:
    """Measure all of it and tell."""
    parser = argparse.ArgumentParser(description="What measuring a recording costs.")
    parser.add_argument("--short", action="store_true", help="only half-minute takes of many families")
    results: dict = {"families": {case.scale.family: _of_half_minute(case) for case in half_minutes()}}
    if parser.parse_args().short:
        print(family_table(results))
        return
    case = Case(HELD_OUT, CLEAN, Scale(SOUNDFONT, "clarinet_b_flat", "slurred", tempo_s=BROAD, tag="speed"))
    minute = _filled(case, MINUTE)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "minute.flac"
        _write(path, [minute])
        row = case.row(str(path))
        results |= ratios(row, case.scale.midis)
        lengths = {"1 minute": alone(row)}
        for minutes in (10, 60):
            _write(path, (minute for _ in range(minutes)))
            lengths[f"{minutes} minutes, the same minute over and over"] = alone(row)
        _write(path, long_notes(case.scale.midis, 3600))
        lengths["60 minutes, one scale in notes of 90 s"] = alone(row)
    results["lengths"] = lengths
    RESULTS.parent.mkdir(parents=True, exist_ok=True)
    RESULTS.write_text(json.dumps(results, indent=1), encoding="utf-8")
    tables = speed_tables(results)
    print("\n\n".join(tables.values()))
    renew(PAGE, tables)


def half_minutes() -> Iterator[Case]:
    """Chromatic scales over the whole range of many families, each as fast as fills half a minute."""
    sounds = [(SOUNDFONT, family, CLEAN, None) for family in SAMPLED]
    sounds.append(("odd-30", LOW_CLARINET, EXACT, recorded(noise(40))))
    for number, (sound, family, condition, dressing) in enumerate(sounds):
        articulation = ("slurred", "tongued")[number % 2]
        each_s = FILLED_S / len(Scale(sound, family, articulation).midis)
        tempo_s = ((1 - UNEVEN) * each_s, (1 + UNEVEN) * each_s)
        yield Case(HELD_OUT, condition, Scale(sound, family, articulation, tempo_s=tempo_s, tag="speed"), dressing)


def _of_half_minute(case: Case) -> dict:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "half.flac"
        _write(path, [_filled(case, HALF_MINUTE)])
        return ratios(case.row(str(path)), case.scale.midis) | {"articulation": case.scale.articulation}


def ratios(row: dict, midis: list[int]) -> dict:
    """CPU of measuring over that of the unit, both in turn: best and median of all runs; that of the PEERS, best of
    some; and the number of notes. `midis`: the scale."""
    from evenbore.notes.measure import measure_recording

    audio, _ = soundfile.read(row["path"], dtype="float32")
    for peer in PEERS.values():
        peer(audio[:RATE], RATE, *search_range(midis))  # compiled when first called
    ours, unit, peers = [], [], {name: [] for name in PEERS}
    for number in range(RUNS):
        begun = time.process_time()
        notes = len(measure_recording(row).notes)
        ours.append(time.process_time() - begun)
        begun = time.process_time()
        decode_and_transform(Path(row["path"]))
        unit.append(time.process_time() - begun)
        for name, spent in peers.items() if number < PEER_RUNS else ():
            begun = time.process_time()
            PEERS[name](audio, RATE, *search_range(midis))
            spent.append(time.process_time() - begun)
    best, median = min(ours) / min(unit), statistics.median(ours) / statistics.median(unit)
    told = {"ratio_best": best, "ratio_median": median, "notes": notes}
    return told | {name: min(spent) / min(unit) for name, spent in peers.items()}


def _filled(case: Case, samples: int) -> np.ndarray:
    """The take, cut or followed by silence."""
    filled = np.zeros(samples, np.float32)
    audio = case.take().audio[:samples]
    filled[: len(audio)] = audio
    return filled


def decode_and_transform(path: Path) -> None:
    """Decode, then transform all of it."""
    audio, _ = soundfile.read(path, dtype="float32")
    window = np.hanning(SIZE).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(audio, SIZE)[::HOP]
    for first in range(0, len(frames), BLOCK):
        scipy.fft.rfft(frames[first : first + BLOCK] * window, axis=1, workers=1)


def alone(row: dict) -> dict:
    """CPU seconds, peak memory (MB), status and number of notes of a recording measured in a fresh process."""
    command = [sys.executable, "-c", ALONE, str(REPO / "scripts"), json.dumps(row)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def long_notes(midis: list[int], seconds: int) -> Iterator[np.ndarray]:
    """A scale of tones with twelve harmonics, equally long, second by second."""
    each = seconds // len(midis)
    time_s = np.arange(RATE) / RATE
    for second in range(seconds):
        hz = note_hz(midis[min(second // each, len(midis) - 1)])
        turns = 2 * np.pi * np.outer(np.arange(1, 13) * hz, time_s + second)
        tone = 0.1 * (np.cos(turns) / np.arange(1, 13)[:, None]).sum(axis=0)
        noise = np.random.default_rng(second).standard_normal(RATE)
        yield (tone + 1e-4 * noise).astype(np.float32)


def speed_tables(results: dict) -> dict[str, str]:
    """The tables of the page."""
    minute, hours = results["lengths"]["1 minute"], [one for name, one in results["lengths"].items() if "60 m" in name]
    bars = [
        (f"CPU of all measures / CPU of decoding and one transform, best of {RUNS}", results["ratio_best"], 3, 2),
        ("the same, median", results["ratio_median"], 3, 2),
        (
            f"the same, best of {RUNS}, worst of the half-minute takes below",
            max(one["ratio_best"] for one in results["families"].values()),
            4,
            2,
        ),
        ("peak memory for the minute (MB)", minute["peak_mb"], 300, 0),
        ("peak memory for an hour (MB)", max(hour["peak_mb"] for hour in hours), 1000, 0),
    ]
    shown = [(what, f"≤ {bar}", f"{value:.{n}f}", "yes" if value <= bar else "**no**") for what, value, bar, n in bars]
    shown += [(f"{peer} of the minute / the same", "", f"{results[peer]:.2f}", "") for peer in PEERS]
    rows = []
    for name, one in results["lengths"].items():
        minutes = 60 if name.startswith("60") else int(name.split()[0])
        first = results["lengths"]["1 minute"]["cpu_s"]
        rows.append(
            (name, f"{one['cpu_s'] / minutes / first:.2f}", f"{one['peak_mb']:.0f}", one["notes"], one["status"])
        )
    header = ("recording", "CPU a minute, times that of 1 minute", "peak memory (MB)", "notes", "status")
    return {
        "speed": markdown(("what", "to reach", "measured", "reached"), shown),
        "half minutes": family_table(results),
        "length": markdown(header, rows),
    }


def family_table(results: dict) -> str:
    """What half-minute takes cost, family by family."""
    header = ("family", "articulation", "notes", f"CPU / CPU of the unit, best of {RUNS}", "median", *PEERS)
    rows = [
        (
            family.replace("_", " "),
            one["articulation"],
            one["notes"],
            f"{one['ratio_best']:.2f}",
            f"{one['ratio_median']:.2f}",
            *(f"{one[name]:.2f}" for name in PEERS),
        )
        for family, one in results["families"].items()
    ]
    return markdown(header, rows)


def _write(path: Path, blocks: Iterable[np.ndarray]) -> None:
    with soundfile.SoundFile(path, "w", RATE, 1, subtype="PCM_24", format="FLAC") as file:
        for block in blocks:
            file.write(block)


if __name__ == "__main__":
    main()
