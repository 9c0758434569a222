"""What measuring a recording costs: python benchmarks/speed.py.

CPU time of decoding, finding notes, pitch and all other measures for one minute (48 kHz, mono, FLAC, a chromatic
scale of a sampled clarinet), divided by that of decoding and one short-time Fourier transform (4096 samples
every 512, float32, blocks of 32 frames, scipy.fft); both in turn in one run, on one thread. Peak memory in a
fresh process, and CPU over duration, for that minute, for ten minutes and an hour of it over and over, and for an
hour of one scale in notes of a minute and a half. Prints the table, writes build/accuracy/speed.json and
renews the table in docs/accuracy.md. Peak memory needs Linux or macOS.
"""

import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from campaigns import markdown, one_thread, renew

one_thread()

import numpy as np
import scipy.fft
import soundfile

from accuracy.takes import BROAD, CLEAN, HELD_OUT, Case, Scale
from rendering.render import RATE, note_hz
from rendering.study import SOUNDFONT

RESULTS = REPO / "build" / "accuracy" / "speed.json"
PAGE = REPO / "docs" / "accuracy.md"
MINUTE = 60 * RATE
RUNS = 7
SIZE, HOP, BLOCK = 4096, 512, 32
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
    from evenbore.notes.measure import measure_recording

    case = Case(HELD_OUT, CLEAN, Scale(SOUNDFONT, "clarinet_b_flat", "slurred", tempo_s=BROAD, tag="speed"))
    minute = np.zeros(MINUTE, np.float32)
    audio = case.take().audio[:MINUTE]
    minute[: len(audio)] = audio
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "minute.flac"
        soundfile.write(path, minute, RATE, subtype="PCM_24")
        row = case.row(str(path))
        ours, transform = [], []
        for _ in range(RUNS):
            ours.append(_cpu_s(lambda: measure_recording(row)))
            transform.append(_cpu_s(lambda: decode_and_transform(path)))
        lengths = {"1 minute": alone(row)}
        for minutes in (10, 60):
            _write(path, (minute for _ in range(minutes)))
            lengths[f"{minutes} minutes, the same minute over and over"] = alone(row)
        _write(path, long_notes(case.scale.midis, 3600))
        lengths["60 minutes, one scale in notes of 90 s"] = alone(row)
    results = {
        "ratio_best": min(ours) / min(transform),
        "ratio_median": statistics.median(ours) / statistics.median(transform),
        "lengths": lengths,
    }
    RESULTS.parent.mkdir(parents=True, exist_ok=True)
    RESULTS.write_text(json.dumps(results, indent=1), encoding="utf-8")
    tables = speed_tables(results)
    print("\n\n".join(tables.values()))
    renew(PAGE, tables)


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
        (f"CPU of all measures / CPU of decoding and one transform, best of {RUNS}", results["ratio_best"], 4, 2),
        ("the same, median", results["ratio_median"], 4, 2),
        ("peak memory for the minute (MB)", minute["peak_mb"], 300, 0),
        ("peak memory for an hour (MB)", max(hour["peak_mb"] for hour in hours), 1000, 0),
    ]
    shown = [(what, f"≤ {bar}", f"{value:.{n}f}", "yes" if value <= bar else "**no**") for what, value, bar, n in bars]
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
        "length": markdown(header, rows),
    }


def _write(path: Path, blocks: Iterator[np.ndarray]) -> None:
    with soundfile.SoundFile(path, "w", RATE, 1, subtype="PCM_24", format="FLAC") as file:
        for block in blocks:
            file.write(block)


def _cpu_s(work) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


if __name__ == "__main__":
    main()
