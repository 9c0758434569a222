"""What a whole study costs: python benchmarks/scale.py [--short].

Studies of alto saxophones with known sound, six takes of a minute (48 kHz, mono, FLAC) each, twelve instruments a
session, one of them in every session. In one run, on as many cores as the machine has:

- CPU of the whole workflow, over that of measuring the same recordings in one process plus that of all later
  stages (done again with the measurements at hand, less a run with nothing to do);
- wall time, peak memory of the largest process, size of the report, CPU of a run with nothing to do;
- the chunks that one take more measures again;
- the same for very many scales of 12 s.

CPU a take is set against Praat's autocorrelation pitch (through parselmouth) on takes of the same kind. Prints the
tables, writes build/scale/scale.json and renews the tables in docs/cluster.md; `--short`, with smaller studies, only
prints. Needs Linux or macOS.
"""

import argparse
import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import soundfile

REPO = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

from accuracy.trackers import praat, search_range
from campaigns import markdown, renew
from evenbore.trade.families import load_family
from evenbore.trade.pitch import midi_to_note
from synth.demo import write_rows
from synth.instrument import make_instrument, stream
from synth.playing import Player, scale

BUILD = REPO / "build" / "scale"
PAGE = REPO / "docs" / "cluster.md"
EVENBORE = [sys.executable, str(REPO / "scripts" / "start.py")]
FAMILY, LOW, HIGH = "saxophone_alto", 58, 89
RATE, SEED = 48000, 20250304
TAKES = [("slurred", "mf", 1), ("slurred", "mf", 2), ("slurred", "mf", 3), ("tongued", "mf", 1), ("slurred", "p", 1),
         ("slurred", "f", 1)]  # fmt: skip
RENDERED = 4  # instruments; all others sound like these, at levels of their own
SESSION = 11  # instruments beside the reference

MEASURE_ALL = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from evenbore.notes.measure import measure_recording
from evenbore.study.sheets import chunks, load_study
for rows in chunks(load_study(Path.cwd(), "config/config.yaml")).values():
    for row in rows:
        measure_recording(row)
"""

# In a small process of its own, for Linux counts the memory of the process that starts another to that one's peak.
SPENT = """
import json, resource, subprocess, sys, time
begun = time.monotonic()
subprocess.run(sys.argv[1:], check=True, stdout=sys.stderr)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps({"cpu_s": used.ru_utime + used.ru_stime, "wall_s": time.monotonic() - begun,
                  "peak_mb": used.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)}))
"""


def main() -> None:
    """Measure all of it and tell."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="smaller studies")
    short = parser.parse_args().short
    small, large, most = (24, 48, 96) if short else (72, 1000, 10000)
    minutes = render_takes(60)
    results = {"praat_s": praat_cpu_s(minutes[0])}
    for name, count, sounds in [
        ("small", small, minutes),
        ("large", large, minutes),
        ("most", most, render_takes(12)),
    ]:
        results[name] = costs(count, sounds, with_reference=name == "small")
        print(f"{name}: {results[name]}", flush=True)
    BUILD.mkdir(parents=True, exist_ok=True)
    (BUILD / "scale.json").write_text(json.dumps(results, indent=1), encoding="utf-8")
    tables = {
        "scale": markdown(("what", "to reach", "measured", "reached"), summary(results)),
        "studies": studies_table([one for one in results.values() if isinstance(one, dict)]),
    }
    print(*tables.values(), sep="\n\n")
    if not short:
        renew(PAGE, tables)


def render_takes(seconds: int) -> list[np.ndarray]:
    """The takes of `RENDERED` instruments, one after the other."""
    player, notes, takes = Player(note_s=0.95 * (seconds - 1.5) / (HIGH - LOW + 1)), list(range(LOW, HIGH + 1)), []
    for number in range(RENDERED):
        model = make_instrument(load_family(FAMILY), SEED, f"scale {number}")
        for articulation, dynamic, take in TAKES:
            rng = stream(SEED, "scale", number, articulation, dynamic, take)
            played = scale(model, notes, rng, player, dynamic, articulation, RATE).audio[: seconds * RATE]
            sound = 1e-4 * rng.standard_normal(seconds * RATE)
            sound[: len(played)] += 0.3 * played / np.max(np.abs(played))
            takes.append(sound.astype(np.float32))
    return takes


def praat_cpu_s(minute: np.ndarray) -> float:
    """CPU seconds of Praat's autocorrelation pitch of one minute, told the range of the scale; the best of three."""
    sounding = [load_family(FAMILY).to_sounding(written) for written in (LOW, HIGH)]
    times = []
    for _ in range(3):
        begun = time.process_time()
        praat(minute, RATE, *search_range(sounding))
        times.append(time.process_time() - begun)
    return min(times)


def costs(count: int, sounds: list[np.ndarray], with_reference: bool) -> dict:
    """What a study of `count` recordings costs, by what it is; then the study is deleted."""
    study = BUILD / f"study_{count}_{len(sounds[0])}"
    shutil.rmtree(study, ignore_errors=True)
    write_study(study, count, sounds)
    run = [*EVENBORE, "run", str(study)]
    whole, nothing = spent(run), spent(run)
    report = study / "results" / "report.html"
    found = {
        "recordings": count,
        "seconds": len(sounds[0]) / RATE,
        "cpu_s": whole["cpu_s"],
        "wall_s": whole["wall_s"],
        "peak_mb": whole["peak_mb"],
        "report_mb": report.stat().st_size / 1e6,
        "tables_mb": sum(path.stat().st_size for path in (study / "results" / "tables").iterdir()) / 1e6,
        "nothing_cpu_s": nothing["cpu_s"],
        "nothing_mb": nothing["peak_mb"],
    }
    if with_reference:
        alone = spent([sys.executable, "-c", MEASURE_ALL, str(REPO / "scripts")], cwd=study)
        later = spent([*run, "--", "--forcerun", "collect"])
        found |= {"measure_cpu_s": alone["cpu_s"], "later_cpu_s": later["cpu_s"] - nothing["cpu_s"]}
    found["measured_again"] = measured_again(study, run, sounds[0])
    shutil.rmtree(study)
    return found


def measured_again(study: Path, run: list[str], sound: np.ndarray) -> int:
    """How many chunks are measured anew when a take of the study's last instrument comes to it."""
    chunks = study / "results" / "work" / "chunks"
    before = {path.name: path.stat().st_mtime_ns for path in chunks.iterdir()}
    sheet = study / "config" / "recordings.tsv"
    last = sheet.read_text("utf-8").splitlines()[-1].split("\t")
    last[0], last[1], last[4] = "one_more", "audio/one_more.flac", "9"
    soundfile.write(study / last[1], 0.4 * sound, RATE, subtype="PCM_16")
    with sheet.open("a", encoding="utf-8") as file:
        file.write("\t".join(last) + "\n")
    spent([*run, "--", "--until", "collect"])
    return sum(before.get(path.name) != path.stat().st_mtime_ns for path in chunks.iterdir())


def write_study(study: Path, count: int, sounds: list[np.ndarray]) -> None:
    """A study of `count` recordings whose sounds are `sounds` in turn, every time a little softer."""
    (study / "audio").mkdir(parents=True)
    (study / "config").mkdir()
    shutil.copy(REPO / "config" / "config.yaml", study / "config")
    rows, instruments = [], ["reference"]
    sessions = 0
    while len(rows) < count:
        if len(rows) % ((SESSION + 1) * len(TAKES)) == 0:
            sessions += 1
            new = "reference"
        else:
            new = f"sax_{len(instruments):04d}"
            instruments.append(new)
        for articulation, dynamic, take in TAKES[: count - len(rows)]:
            number = len(rows)
            sound = sounds[number % len(sounds)] * (1 - 0.5 * number / count)
            soundfile.write(study / "audio" / f"{number:05d}.flac", sound, RATE, subtype="PCM_16")
            rows.append({"recording": f"take_{number:05d}", "file": f"audio/{number:05d}.flac", "instrument": new,
                         "session": f"day_{sessions:03d}", "take": take, "dynamic": dynamic,
                         "articulation": articulation, "low": midi_to_note(LOW),
                         "high": midi_to_note(HIGH)})  # fmt: skip
    write_rows(study / "config" / "recordings.tsv", rows)
    write_rows(study / "config" / "instruments.tsv", [
        {"instrument": name, "label": name.replace("_", " "), "family": FAMILY, "price": 1000 + number,
         "reference": "yes" if name == "reference" else "no"} for number, name in enumerate(instruments)
    ])  # fmt: skip
    write_rows(study / "config" / "sessions.tsv", [{"session": f"day_{number + 1:03d}"} for number in range(sessions)])


def spent(command: list[str], **options) -> dict:
    """CPU (s) of a command and all that it starts, wall time (s), and the peak memory (MB) of its largest process."""
    done = subprocess.run(
        [sys.executable, "-c", SPENT, *command], check=True, capture_output=True, text=True, **options
    )
    return json.loads(done.stdout.splitlines()[-1])


def summary(results: dict) -> list[tuple]:
    """Rows of the table: what, the bar, the figure, whether it is reached."""
    small, large = results["small"], results["large"]
    reference = small["measure_cpu_s"] + small["later_cpu_s"]
    bars = [
        (f"CPU of the workflow on {small['recordings']} takes / of one process and later stages once",
         small["cpu_s"] / reference, 1.5),
        (f"wall time of {large['recordings']} takes / of {small['recordings']}",
         large["wall_s"] / small["wall_s"], 17 * large["recordings"] / small["recordings"] / (1000 / 72)),
        (f"peak memory of the largest process with {large['recordings']} takes (MB)", large["peak_mb"], 500),
        ("CPU of a take, measured in one process / of Praat's autocorrelation pitch",
         small["measure_cpu_s"] / small["recordings"] / results["praat_s"], 1 / 3),
    ]  # fmt: skip
    for one in results.values():
        if isinstance(one, dict):
            bar = 4 if one["recordings"] <= 1000 else 25
            bars.append(
                (f"CPU of a run with nothing to do, {one['recordings']} recordings (s)", one["nothing_cpu_s"], bar)
            )
    return [(what, f"≤ {bar:.3g}", f"{value:.3g}", "yes" if value <= bar else "**no**") for what, value, bar in bars]


def studies_table(studies: list[dict]) -> str:
    """What studies of several sizes cost."""
    columns = (
        "recordings", "wall time (s)", "CPU (s)", "largest process (MB)", "tables (MB)", "report (MB)",
        "nothing to do: CPU (s)", "nothing to do: memory (MB)", "chunks measured again for one take more",
    )  # fmt: skip
    keys = ("wall_s", "cpu_s", "peak_mb", "tables_mb", "report_mb", "nothing_cpu_s", "nothing_mb", "measured_again")
    rows = [(f"{one['recordings']} of {one['seconds']:g} s", *(f"{one[key]:.4g}" for key in keys)) for one in studies]
    return markdown(columns, rows)


if __name__ == "__main__":
    main()
