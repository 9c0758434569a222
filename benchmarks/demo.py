"""What the demo costs: python benchmarks/demo.py [--short].

CPU of all processes of `evenbore run` on a copy of the demo, by rule, and its wall time, which depends on what else the
machine does; the same for a second run without a change and a third after one more take was recorded; CPU and peak
memory of the step `factors` on the demo's tables 137 times over, each time under other names and with scatter added,
but for the instruments that link the sessions (1,500 instruments, 138 sessions). Prints the tables and renews the first
in docs/cluster.md; `--short`, without the last part, only prints. Needs Linux or macOS.
"""

import argparse
import csv
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

REPO = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPO / "tests"), str(REPO / "scripts")]

import numpy as np
import pandas as pd
import soundfile as sf

from campaigns import markdown, renew
from evenbore.files.tables import read_table, write_parquet, write_table
from evenbore.study.sheets import load_study
from evenbore.trade.families import load_family
from synth.demo import CANDIDATES, EVENINGS, FAMILY, RATE, instrument_of, record

PAGE = REPO / "docs" / "cluster.md"
COPIES = 137
COPIES_A_SESSION = 3
# Loaded by every Python that starts: at its end it notes the CPU of its own and of what it started.
NOTE = """
import atexit, os, resource, sys
def note():
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    cpu = [use.ru_utime + use.ru_stime for use in (own, others)]
    with open(os.environ["EVENBORE_CPU"], "a") as file:
        print(*cpu, " ".join(sys.argv[:1]), sep="\\t", file=file)
atexit.register(note)
"""
OTHERS = {"cli.py": "command line", "warm.py": "loading libraries"}
FACTORS = """
import json, pathlib, re, resource, sys, time
sys.path.insert(0, sys.argv[1])
from factors import factors_of_study
begun = time.process_time()
factors_of_study(**json.loads(sys.argv[2]))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"cpu_s": time.process_time() - begun, "peak_mb": peak / (1e3 if sys.platform == "linux" else 1e6)}))
"""


def main() -> None:
    """Run it all and tell."""
    parser = argparse.ArgumentParser(description="What the demo costs.")
    parser.add_argument("--short", action="store_true", help="without the 1,500 instruments; only prints")
    short = parser.parse_args().short
    with tempfile.TemporaryDirectory() as folder:
        study = Path(folder) / "demo"
        for part in ("config", "demo_recordings"):
            shutil.copytree(REPO / part, study / part)
        first, first_s = cost(study)
        none, none_s = cost(study)
        one_take_more(study)
        second, second_s = cost(study)
        tables = {"demo": demo_table(first, second)}
        if not short:
            tables["factors"] = factors_table(many_factors(study, Path(folder)))
    print("\n\n".join(tables.values()))
    for what, cpu, wall_s in (("first run", first, first_s), ("nothing to do", none, none_s),
                              ("one take more", second, second_s)):  # fmt: skip
        cpu_s = cpu["all"][1]
        print(f"{what}: {wall_s:.1f} s, {wall_s / first_s:.2f} of the first; CPU {cpu_s:.1f} s,"
              f" {cpu_s / first['all'][1]:.2f} of the first")  # fmt: skip
    if not short:
        renew(PAGE, {"demo": tables["demo"]})


def cost(study: Path) -> tuple[dict[str, tuple[int, float]], float]:
    """Of one run: rule (or what else runs) -> jobs and CPU seconds; wall time, s."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "sitecustomize.py").write_text(NOTE)
        noted = Path(folder) / "cpu"
        search = os.pathsep.join([str(REPO / "scripts"), folder])
        command = [sys.executable, "-m", "evenbore.run.cli", "run", str(study)]
        begun = time.monotonic()
        subprocess.run(command, check=True, env=os.environ | {"PYTHONPATH": search, "EVENBORE_CPU": str(noted)})
        wall_s = time.monotonic() - begun
        with noted.open(newline="") as file:
            rows = list(csv.reader(file, delimiter="\t"))
    jobs: Counter[str] = Counter()
    cpu: Counter[str] = Counter()
    for own, others, script in rows:
        step = re.search(r"\.snakemake/scripts/[^/]*\.(\w+)\.py$", script)
        name = step[1] if step else OTHERS.get(Path(script).name, "workflow engine")
        jobs[name] += 1
        cpu[name] += float(own) + (float(others) if name == "measure" else 0.0)
    cpu["all"] = sum(cpu.values())
    return {name: (jobs[name], seconds) for name, seconds in cpu.items()}, wall_s


def one_take_more(study: Path) -> None:
    """Record the demo's first instrument once more on its first evening, slurred, and list it."""
    played, evening = CANDIDATES[0], EVENINGS[0]
    name = f"{played.key}_once_more"
    _, heard = record(instrument_of(played, load_family(FAMILY)), evening, name, "slurred", "mf")
    sf.write(study / f"demo_recordings/{name}.flac", heard, RATE, subtype="PCM_16")
    sheet = study / "config/recordings.tsv"
    head, *rows = sheet.read_text("utf-8").splitlines()
    columns = head.split("\t")
    alike = next(row for line in rows if (row := dict(zip(columns, line.split("\t"), strict=True)))
                 and (row["instrument"], row["session"], row["dynamic"], row["articulation"], row["pattern"])
                 == (played.key, evening.key, "mf", "slurred", "chromatic"))  # fmt: skip
    more = alike | {"recording": name, "file": f"demo_recordings/{name}.flac", "take": "3"}
    sheet.write_text("\n".join([head, *rows, "\t".join(more.values())]) + "\n", "utf-8")


def many_factors(study: Path, folder: Path) -> dict[str, float]:
    """CPU seconds, peak memory and numbers of the step `factors` on the demo's tables, COPIES times over."""
    tables, work, out = study / "results/tables", study / "results/work", folder / "many"
    shutil.copytree(study / "config", out / "config")
    loaded = load_study(study)
    links = {name for name, row in loaded.instruments.items() if row["reference"] in (True, "yes")}
    rng = np.random.default_rng(1)

    def repeated(frame: pd.DataFrame, scattered: str = "") -> pd.DataFrame:
        parts = []
        for copy in range(COPIES):
            part = frame.copy()
            for column in ("recording", "file"):
                if column in part:
                    part[column] += f"-{copy}"
            if "instrument" in part:
                part["instrument"] = part["instrument"].where(
                    part["instrument"].isin(links), part["instrument"] + f"-{copy}"
                )
            if "session" in part:
                part["session"] += f"-{copy // COPIES_A_SESSION}"
            parts.append(part)
        whole = pd.concat(parts, ignore_index=True)
        if scattered:
            whole[scattered] += rng.normal(0, frame[scattered].std() / 3, len(whole))
        return whole

    counts = {}
    for name, key in (("recordings", "recording"), ("instruments", "instrument"), ("sessions", "session")):
        path = out / f"config/{name}.tsv"
        sheet = repeated(pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)).drop_duplicates(key)
        if "take" in sheet:
            sheet["take"] = np.arange(1, len(sheet) + 1)
        sheet.to_csv(path, sep="\t", index=False)
        counts[name] = len(sheet)
    for sheet in ("inspection", "impressions"):
        (out / f"config/{sheet}.tsv").unlink(missing_ok=True)
    inputs = {"takes": ("criteria_takes", "value"), "notes_normalised": ("notes_normalised", "cents"),
              "tone": ("tone", "level_db")}  # fmt: skip
    for name, scattered in inputs.values():
        write_parquet(repeated(pd.read_parquet(work / f"{name}.parquet"), scattered), out / f"{name}.parquet")
    judged = repeated(read_table(tables / "instruments.tsv", "instruments"))
    judged = judged.drop_duplicates(["instrument", "state", "criterion"])
    write_table(judged, "instruments", out / "instruments.tsv")
    paths = {"study": out, "config": out / "config/config.yaml", "criteria": tables / "criteria.tsv",
             "instruments": out / "instruments.tsv"}  # fmt: skip
    paths |= {key: out / f"{name}.parquet" for key, (name, _) in inputs.items()}
    paths |= {name: out / f"{name}.tsv" for name in ("factors", "variance", "tone_factors")}
    given = json.dumps({f"path_to_{key}": str(path) for key, path in paths.items()})
    done = subprocess.run(
        [sys.executable, "-c", FACTORS, str(REPO / "scripts"), given], check=True, stdout=subprocess.PIPE, text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
    )  # fmt: skip
    return json.loads(done.stdout.splitlines()[-1]) | counts


def demo_table(first: dict[str, tuple[int, float]], second: dict[str, tuple[int, float]]) -> str:
    """Jobs and CPU by rule of both runs."""
    rows = []
    for name in sorted(first, key=lambda name: (name == "all", -first[name][1])):
        jobs, cpu = first[name]
        again = second.get(name, (0, 0.0))
        rows.append((name, jobs or "", f"{cpu:.1f}", again[0] or "", f"{again[1]:.1f}"))
    return markdown(("rule", "jobs", "CPU (s)", "jobs after one take more", "CPU (s) after one take more"), rows)


def factors_table(told: dict[str, float]) -> str:
    """The step `factors` of very many instruments."""
    row = (told["instruments"], told["sessions"], told["recordings"], f"{told['cpu_s']:.0f}", f"{told['peak_mb']:.0f}")
    return markdown(("instruments", "sessions", "takes", "CPU (s)", "peak memory (MB)"), [row])


if __name__ == "__main__":
    main()
