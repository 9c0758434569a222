"""A small study to run the workflow on, and the workflow's own files in a folder where they may be edited.

Three invented clarinets, one of a family that the study brings itself; two sessions linked by the first of them; two
takes each of eight notes. Beside them recordings with everything that can be wrong with a file, and two more clarinets
without a usable recording.
"""

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile as sf

from evenbore.trade.families import load_family
from synth.demo import write_rows
from synth.instrument import make_instrument, stream
from synth.playing import Player, scale
from synth.room import room_noise
from warm import WarmPython

RATE = 44_100
SEED = 4
LOW, HIGH = 60, 67
NOTES = ["C4", "C#4", "D4", "Eb4", "E4", "F4", "F#4", "G4"]
# Names that shells, format strings and the workflow's wildcards could stumble over.
ODD_NAME = "♭ é {chunk} {0} %s; $(x)" if os.name == "nt" else "\"b\" 'c' ♭ é {chunk} {0} %s; $(x) *?"
PLAYED = [("s1", "clar_a"), ("s1", "clar_b"), ("s2", "clar_a"), ("s2", "clar_c")]
INSTRUMENTS = [
    {"instrument": "clar_a", "label": "A", "family": "clarinet_b_flat", "price": 900},
    {"instrument": "clar_b", "label": "B", "family": "clarinet_b_flat", "price": 1100},
    {"instrument": "clar_c", "label": "C {♭}", "family": "school_clarinet", "price": 1000},
    {"instrument": "clar_d", "label": "D", "family": "clarinet_b_flat", "price": 800},
    {"instrument": "clar_e", "label": "E", "family": "clarinet_b_flat", "price": ""},
]
# Unusable recordings, and what the reason of each must tell.
REASONS = {
    "empty": r"\bempty\b",
    "cut_to_nothing": r"cut off.*0\.5 s",
    "header_only": r"no sound.*0 samples",
    "text": r"not audio.*text",
    "folder": r"is a folder",
    "silent": r"^silent",
    "noise": r"no such scale.* \d of 8 expected notes",
    "speech": r"no such scale.* \d of 8 expected notes",
    "octave": r"sounds an octave higher than the sheet says",
    "nan": r"not numbers \(NaN",
    "missing": r"no such file",
    "copy": r"the same sound as recording s1_clar_a_1",
}
# Recordings to be read with care, and what must be said of each.
WARNINGS = {"ogg_as_wav": r"named \.wav, but its content is OGG", "cut_short": r"cut off"}


@dataclass
class SmallStudy:
    """A study folder; `truth` maps each good recording to its notes as `synth.playing.scale` tells them."""

    folder: Path
    rows: list[dict] = field(default_factory=list)
    truth: dict[str, list[dict]] = field(default_factory=dict)

    def path(self, recording: str) -> Path:
        """The audio file of a recording."""
        return self.folder / next(row["file"] for row in self.rows if row["recording"] == recording)

    def add(self, recording: str, instrument: str, session: str, take: int, name: str = "", **cells) -> Path:
        """Add a row to the sheet of recordings; returns the audio file's path, to be written by the caller."""
        row = {"recording": recording, "file": f"audio/{name or recording}.wav", "instrument": instrument}
        row |= {"session": session, "take": take, "pattern": "chromatic", "low": "C4", "high": "G4"} | cells
        self.rows.append(row)
        return self.folder / row["file"]

    def play(self, recording: str, instrument: str, session: str, take: int, name: str = "") -> Path:
        """Add a good recording with its sound."""
        path = self.add(recording, instrument, session, take, name)
        sound, self.truth[recording] = play(instrument, session, take)
        sf.write(path, sound, RATE)
        return path

    def write_recordings(self) -> None:
        """Write the sheet of recordings."""
        write_rows(self.folder / "config" / "recordings.tsv", self.rows)


def copy_study(made: Path, folder: Path) -> SmallStudy:
    """A study of its own from one that `keep_study` made."""
    shutil.copytree(made / "study", folder)
    return SmallStudy(folder, *json.loads((made / "told.json").read_text(encoding="utf-8")))


def keep_study(folder: Path, repo: Path) -> None:
    """Write the whole study, and what is known of it, for `copy_study`."""
    study = make_study(folder / "study", repo)
    truth = {name: [{"onset_s": note["onset_s"], "cents": note["cents"]} for note in notes]
             for name, notes in study.truth.items()}  # fmt: skip
    (folder / "told.json").write_text(json.dumps([study.rows, truth]), encoding="utf-8")


def make_study(folder: Path, repo: Path) -> SmallStudy:
    """Write the whole study."""
    study = SmallStudy(folder)
    (folder / "audio").mkdir(parents=True)
    families = folder / "config" / "families"
    families.mkdir(parents=True)
    (families / "school_clarinet.yaml").write_text("like: clarinet_b_flat\nname: school clarinet\n", encoding="utf-8")
    shutil.copy(repo / "config" / "config.yaml", folder / "config")
    write_rows(folder / "config" / "instruments.tsv", INSTRUMENTS)
    write_rows(folder / "config" / "sessions.tsv", [{"session": "s1"}, {"session": "s2"}])
    for session, instrument in PLAYED:
        for take in (1, 2):
            study.play(f"{session}_{instrument}_{take}", instrument, session, take)
    _add_odd_ones(study)
    _add_bad_ones(study)
    study.write_recordings()
    return study


def play(instrument: str, session: str, take: int, octave: int = 0) -> tuple[np.ndarray, list[dict]]:
    """One take, float64 (n,) at RATE, and its true notes."""
    model = make_instrument(load_family("clarinet_b_flat"), SEED, instrument)
    rng = stream(SEED, instrument, session, str(take))
    written = [note + 12 * octave for note in range(LOW, HIGH + 1)]
    played = scale(model, written, rng, Player(note_s=0.4), articulation="tongued", rate=RATE)
    gain = 10 ** ((-8 if session == "s2" else -3) / 20)
    return gain * played.audio + room_noise(played.audio.size, RATE, -70, rng), played.notes


def _add_odd_ones(study: SmallStudy) -> None:
    """Recordings that look odd and are to be used all the same."""
    study.play("odd_name", "clar_b", "s1", 3, ODD_NAME)
    path = study.play("ogg_as_wav", "clar_b", "s1", 4)
    sound, rate = sf.read(path)
    with sf.SoundFile(path, "w", samplerate=rate, channels=1, format="OGG", subtype="VORBIS") as file:
        for start in range(0, sound.size, rate):  # the encoder overruns its stack on long pieces
            file.write(sound[start : start + rate])
    path = study.play("cut_short", "clar_b", "s1", 5)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(0.97 * len(whole))])
    path = study.add("passage", "clar_c", "s2", 1, pattern="passage", low="", high="")
    sf.write(path, play("clar_c", "s2", 9)[0], RATE)


def _add_bad_ones(study: SmallStudy) -> None:
    """Recordings that cannot be used; see REASONS."""
    rng = np.random.default_rng(SEED)
    path = {}
    for take, recording in enumerate(REASONS, start=11):
        path[recording] = study.add(recording, "clar_d" if recording == "missing" else "clar_b", "s1", take)
    whole = study.path("s1_clar_a_1").read_bytes()
    path["empty"].write_bytes(b"")
    path["cut_to_nothing"].write_bytes(whole[: 44 + 2 * RATE // 2])
    path["header_only"].write_bytes(whole[:44])
    path["copy"].write_bytes(whole)
    path["text"].write_text("Scale of the new clarinet, take 3\n" * 50, encoding="utf-8")
    path["folder"].mkdir()
    sf.write(path["silent"], np.zeros(3 * RATE), RATE)
    sf.write(path["noise"], 0.1 * rng.standard_normal(4 * RATE), RATE)
    sf.write(path["speech"], speech(rng), RATE)
    sf.write(path["octave"], play("clar_b", "s1", 9, octave=1)[0], RATE)
    broken = play("clar_b", "s1", 10)[0]
    broken[::100] = np.nan
    sf.write(path["nan"], broken, RATE, subtype="FLOAT")


def speech(rng: np.random.Generator) -> np.ndarray:
    """Something like talk: buzzing syllables of gliding pitch, with pauses between; no scale in it."""
    parts = []
    for _ in range(14):
        t = np.arange(int(RATE * rng.uniform(0.08, 0.25))) / RATE
        pitch = rng.uniform(95, 160) * (1 + rng.uniform(-0.4, 0.4) * t / t[-1])
        phase = 2 * np.pi * np.cumsum(pitch) / RATE
        formant = rng.uniform(300, 900)
        levels = 1 / (1 + ((120 * np.arange(1, 25) - formant) / 250) ** 2)
        buzz = sum(level * np.sin(h * phase) for h, level in enumerate(levels, start=1))
        parts += [0.05 * buzz * np.hanning(len(t)), np.zeros(int(RATE * rng.uniform(0.03, 0.2)))]
    sound = np.concatenate(parts)
    return sound + 0.001 * rng.standard_normal(len(sound))


class Engine:
    """A copy of the workflow's own files, with its two front doors and a Python in a folder of its own."""

    def __init__(self, repo: Path, folder: Path):
        self.folder, self._warm = folder, None
        (folder / "config").mkdir(parents=True)
        shutil.copy(repo / "Snakefile", folder)
        shutil.copy(repo / "config" / "config.yaml", folder / "config")
        for name in ("workflow", "scripts"):
            shutil.copytree(repo / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        self.python = Path(sys.executable)
        if os.name != "nt":  # there links need a privilege
            (folder.parent / "its python").symlink_to(sys.prefix)
            self.python = folder.parent / "its python" / self.python.relative_to(sys.prefix)

    def snakemake(
        self, study: Path, *options: str, config: str | None = "config.yaml", **environment: str
    ) -> subprocess.CompletedProcess:
        """Plain snakemake on a study, with a file of its config folder as the settings (None: unnamed)."""
        return self._python(["-m", "snakemake", *self._arguments(study, config), *options], environment)

    def quick(self, study: Path, *options: str, config: str | None = "config.yaml") -> subprocess.CompletedProcess:
        """Plain snakemake in a fork of a Python that has its libraries loaded."""
        if os.name == "nt":
            return self.snakemake(study, *options, config=config)
        if self._warm is None:
            self._warm = WarmPython(self.python, self.folder / "scripts")
        return self._warm.run("snakemake", [*self._arguments(study, config), *options])

    def dry_run(self, study: Path, config: str | None = "config.yaml") -> subprocess.CompletedProcess:
        """What plain snakemake would do."""
        return self.quick(study, "-n", config=config)

    def close(self) -> None:
        """End what `quick` keeps."""
        if self._warm:
            self._warm.close()

    def _arguments(self, study: Path, config: str | None) -> list:
        settings = [] if config is None else ["--configfile", study / "config" / config]
        return ["--cores", "2", "--directory", study, *settings, "-s", self.folder / "Snakefile"]

    def evenbore_run(self, study: Path, **environment: str) -> subprocess.CompletedProcess:
        """The command `evenbore run` on a study."""
        return self._python(["-m", "evenbore.run.cli", "run", study, "--", "--cores", "2"], environment)

    def _python(self, arguments: list, environment: dict) -> subprocess.CompletedProcess:
        search = os.pathsep.join([str(self.folder / "scripts"), *filter(None, [environment.pop("SEARCH", None)])])
        return subprocess.run(
            [str(self.python), *map(str, arguments)],
            env=os.environ | {"PYTHONPATH": search} | environment,
            capture_output=True,
            text=True,
            encoding="utf-8",
            errors="replace",
        )


def jobs(done: subprocess.CompletedProcess) -> dict[str, int]:
    """How many jobs of each rule snakemake ran, or would run (dry run); fails when it could not say."""
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-4000:]
    text = done.stdout + done.stderr
    if "Nothing to be done" in text:
        return {}
    table = re.search(r"^Job stats:\n.*\n[- ]+\n((?:\w+ +\d+\n)+)", text, re.M).group(1)
    counts = {name: int(count) for name, count in (line.split() for line in table.splitlines())}
    return {name: count for name, count in counts.items() if name not in ("all", "total")}


def chunks_measured(done: subprocess.CompletedProcess) -> set[str]:
    """The chunks that snakemake measured, or would measure."""
    return set(re.findall(r"Measuring the recordings of (\S+)", done.stdout + done.stderr))
