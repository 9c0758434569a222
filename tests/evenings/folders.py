"""Folders of recordings as people bring them, rendered, with what is true of every take; and a user who counts.

The players are sampled instruments of a soundfont that nothing was tuned on, in a room, each instrument and each take
a few cents off.
"""

import os
import resource
import subprocess
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import av
import numpy as np
import soundfile
import soxr

from evenbore.files.paths import repo_root
from evenbore.study.names import name_key
from evenbore.study.sheetfile import read_cells
from evenbore.study.workbook import read_book_cells
from evenbore.trade.families import load_family
from evening import evening
from rendering.dress import in_room
from rendering.render import RATE, Notes, find_soundfont, play_soundfont
from rendering.study import PROGRAMS

SOUNDFONT = "TimGM6mb.sf2"
SLACK_S = 0.5  # a take may be found this much shorter than it is: its last note dies away


@dataclass(frozen=True)
class TrueTake:
    """A take as it is: file name, instrument, and where its first note begins and its last ends in the file, in s."""

    file: str
    instrument: str
    first_s: float
    last_s: float


class Sampled:
    """One sampled instrument of a family, `cents` sharp, every take a little different; plays notes (see Player)."""

    def __init__(self, family: str, cents: float, seed: int):
        self._rng = np.random.default_rng(seed)
        self._play = partial(play_soundfont, find_soundfont(SOUNDFONT), PROGRAMS[family])
        self._cents = cents
        self.range = tuple(int(load_family(family).to_sounding(0)) + note for note in _ends(family))

    def __call__(self, notes: Notes) -> np.ndarray:
        """Mono audio at RATE."""
        ratio = 2 ** ((self._cents + self._rng.normal(0, 2)) / 1200)
        sound = soxr.resample(self._play(notes), RATE * ratio, RATE) * 10 ** (self._rng.normal(0, 1) / 20)
        return in_room(sound, 0.4, 6.0, int(self._rng.integers(1 << 31)))

    def scale(self, note_s: float) -> tuple[np.ndarray, float, float]:
        """The scale up, with a second of silence before it; where it begins and ends."""
        low, high = self.range
        lengths = note_s * self._rng.uniform(0.8, 1.25, high - low + 1)
        ends = 1.0 + np.cumsum(lengths)
        starts = (ends - lengths).tolist()
        notes = list(zip(range(low, high + 1), starts, ends.tolist(), strict=True))
        sound = self(notes)
        return sound + self._rng.normal(0, 3e-4, len(sound)), 1.0, float(ends[-1])


def _ends(family: str) -> tuple[int, int]:
    return load_family(family).low, load_family(family).high


def _recorded(folder: Path, family: str, note_s: float, named: Iterable[tuple[str, str, float]]) -> list[TrueTake]:
    """A scale in each file; `named`: file name, instrument, and how many cents sharp it is."""
    takes = []
    for number, (name, instrument, cents) in enumerate(named):
        sound, first, last = Sampled(family, cents, number).scale(note_s)
        (folder / name).parent.mkdir(exist_ok=True)
        if name.endswith(".m4a"):
            _write_m4a(folder / name, sound)
        else:
            soundfile.write(folder / name, sound, RATE, "PCM_16")
        takes.append(TrueTake(name, instrument, first, last))
    return takes


def phone(folder: Path, count: int) -> list[TrueTake]:
    """A phone's recordings, named by the clock, two of each of some clarinets."""
    named = (
        (f"2025-03-04 14.{24 + 2 * number}.{(37 * number) % 60:02}.m4a",
         ("rosewood", "grenadilla", "ebonite")[number // 2 % 3], 7.0 * (number // 2))
        for number in range(count)
    )  # fmt: skip
    return _recorded(folder, "clarinet_b_flat", 0.4, named)


def serials(folder: Path, count: int) -> list[TrueTake]:
    """A shop's serial numbers, one take of each flute."""
    named = ((f"24-{401 + n:04}.wav", str(n), float((7 * n) % 23 - 11)) for n in range(count))
    return _recorded(folder, "flute", 0.3, named)


def umlauts(folder: Path, count: int) -> list[TrueTake]:
    """Flutes with umlauts, commas and blanks in their names, three takes each."""
    flutes = ("Flöte Grün, alt", "Flöte Groß, neu", "Flöte Süß")
    named = (
        (f"{flutes[number // 3 % 3]}/mf Aufnahme {number % 3 + 1}.flac", flutes[number // 3 % 3], 6.0 * (number // 3))
        for number in range(count)
    )
    return _recorded(folder, "flute", 0.35, named)


def one_file(folder: Path, count: int, instruments: int = 5) -> list[TrueTake]:
    """An evening of five clarinets in one file, one after the other, with speech and trying out between the takes."""
    takes: list[TrueTake] = []
    with soundfile.SoundFile(folder / "evening.flac", "w", RATE, 1, "PCM_16") as file:
        for number in range(instruments):
            player = Sampled("clarinet_b_flat", 5.0 * number, number)
            played = evening(player, *player.range, count // instruments, seed=100 + number)
            start = file.frames / RATE
            takes += [
                TrueTake("evening.flac", f"clarinet {number + 1}", start + take.first_s, start + take.last_s)
                for take in played.takes
            ]
            file.write(np.clip(played.audio, -1, 1))
    return takes


def _write_m4a(path: Path, sound: np.ndarray) -> None:
    with av.open(str(path), "w") as file:
        stream = file.add_stream("aac", rate=RATE, layout="mono")
        frame = av.AudioFrame.from_ndarray(sound[None].astype(np.float32), "fltp", "mono")
        frame.rate = RATE
        file.mux(stream.encode(frame))
        file.mux(stream.encode(None))


@dataclass
class User:
    """Somebody with a study: commands given, cells changed, CPU seconds of each command."""

    study: Path
    commands: list[str] = field(default_factory=list)
    cells: int = 0
    cpu_s: dict[str, float] = field(default_factory=dict)

    def gives(self, command: str, *options: object) -> str:
        """A command, which must end well; what it told."""
        self.commands.append(command)
        words = [sys.executable, "-m", "evenbore.run.cli", command, str(self.study), *map(str, options)]
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(
            words, capture_output=True, text=True, check=False,
            env=os.environ | {"PYTHONPATH": str(repo_root() / "scripts")},
        )  # fmt: skip
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        self.cpu_s[command] = sum(after[:2]) - sum(before[:2])
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def rows(self) -> Iterator[dict[str, str]]:
        """The rows of the sheet of recordings as they stand."""
        book = self.study / "config/study.xlsx"
        path, read = (book, read_book_cells) if book.exists() else (self.study / "config/recordings.tsv", read_cells)
        sheet = read(path, "recordings")
        return (dict(zip(sheet.columns, row, strict=True)) for row in sheet.rows)


@dataclass(frozen=True)
class Found:
    """Takes that are there, found in one row each; rows that hold more than one, and none; and rows named wrongly."""

    takes: int
    found: int
    merged: int
    invented: int
    wrong: int


def compared(rows: list[dict[str, str]], takes: list[TrueTake]) -> Found:
    """Rows against the truth. Named wrongly: two rows whose marks are blank share an instrument, or do not, unlike
    their takes."""
    held = []
    for row in rows:
        start, end = float(row.get("start_s") or 0), float(row.get("end_s") or np.inf)
        held.append([
            take for take in takes
            if row["file"].endswith(take.file) and take.first_s < end and take.last_s - SLACK_S > start
        ])  # fmt: skip
    whole = [
        of[0] for row, of in zip(rows, held, strict=True)
        if len(of) == 1 and float(row.get("start_s") or 0) <= of[0].first_s
        and float(row.get("end_s") or np.inf) >= of[0].last_s - SLACK_S
    ]  # fmt: skip
    sure = [
        (name_key(row["instrument"]), of[0].instrument)
        for row, of in zip(rows, held, strict=True) if of and not row.get("confirm")
    ]  # fmt: skip
    wrong = sum(any((name == other) != (true == truth) for other, truth in sure) for name, true in sure)
    return Found(len(takes), len(set(whole)), sum(len(of) > 1 for of in held), sum(not of for of in held), wrong)
