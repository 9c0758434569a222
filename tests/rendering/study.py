"""A whole study of rendered scales: every wind family the soundfont holds, tongued and slurred, with the truth.

The instruments are sampled ones, one per family; they are not copies of one another, so the study serves to
check notes, pitch and the workflow, not to compare instruments.
"""

import csv
import hashlib
import pickle
import shutil
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import soundfile

from evenbore.trade.families import load_family
from evenbore.trade.scale import expected_scale

from . import midi, models, render, tones
from .render import RATE, Take, TrueNote, find_soundfont, play_soundfont, slurred_take, tongued_take

REPO = Path(__file__).resolve().parents[2]
CACHE = REPO / "build" / "rendered"
SOUNDFONT = "FluidR3_GM.sf2"
# General MIDI level 1 program numbers, counted from 0 (MIDI Manufacturers Association, 1991).
PROGRAMS = {
    "clarinet_b_flat": 71,
    "saxophone_soprano": 64,
    "saxophone_alto": 65,
    "saxophone_tenor": 66,
    "saxophone_baritone_low_a": 67,
    "oboe": 68,
    "cor_anglais": 69,
    "bassoon": 70,
    "flute": 73,
    "piccolo": 72,
    "trumpet_b_flat": 56,
    "horn_f": 60,
    "trombone": 57,
    "tuba": 58,
}
RENDERERS: dict[str, Callable[..., Take]] = {"tongued": tongued_take, "slurred": slurred_take}
TRUTH_COLUMNS = ("recording", "step", "midi", "note_on_s", "onset_s", "offset_s", "praat_hz", "yin_hz")


@dataclass(frozen=True)
class Plan:
    """One take to render."""

    recording: str
    family: str
    articulation: str
    direction: str


def all_plans() -> list[Plan]:
    """Every family up, tongued and slurred, and the clarinet up and down as well."""
    plans = [
        Plan(f"{family}_{articulation}", family, articulation, "up")
        for family in PROGRAMS
        for articulation in RENDERERS
    ]
    return [*plans, Plan("clarinet_b_flat_both_ways", "clarinet_b_flat", "slurred", "up-down")]


def render_plan(plan: Plan, soundfont: Path) -> Take:
    """The take of a plan over the family's standard range; kept under `CACHE` for the next time."""
    family = load_family(plan.family)
    midis = [int(note) for note in family.to_sounding(expected_scale(family, "chromatic", direction=plan.direction))]
    player = partial(play_soundfont, soundfont, PROGRAMS[plan.family])
    seed = zlib.crc32(plan.recording.encode())
    return kept(
        f"{soundfont.stem}-{plan.recording}",
        (plan, midis, soundfont.name, soundfont.stat().st_size),
        lambda: RENDERERS[plan.articulation](player, midis, seed=seed),
    )


def kept(name: str, made_from: object, render_it: Callable[[], Take]) -> Take:
    """A take rendered once and kept under `CACHE` until `made_from` (by its repr) or the renderer changes."""
    sources = [Path(module.__file__).read_bytes() for module in (render, midi, models, tones)]
    digest = hashlib.sha256(b"".join([*sources, repr(made_from).encode()])).hexdigest()
    file = CACHE / f"{name}-{digest[:16]}.pickle"
    if file.exists():
        return pickle.loads(file.read_bytes())
    take = render_it()
    CACHE.mkdir(parents=True, exist_ok=True)
    unfinished = file.with_suffix(f".{id(take)}")
    unfinished.write_bytes(pickle.dumps(take))
    unfinished.replace(file)
    for outdated in set(CACHE.glob(f"{name}-{'?' * 16}.pickle")) - {file}:
        outdated.unlink(missing_ok=True)
    return take


def write_study(folder: Path, plans: Iterable[Plan], soundfont: Path | None = None) -> dict[str, tuple[TrueNote, ...]]:
    """Write the study (config, sheets, FLAC audio, truth.tsv) and return the true notes of each recording."""
    soundfont = soundfont or find_soundfont(SOUNDFONT)
    if soundfont is None:
        raise FileNotFoundError(f"{SOUNDFONT} is not installed")
    plans = list(plans)
    (folder / "config").mkdir(parents=True, exist_ok=True)
    (folder / "audio").mkdir(exist_ok=True)
    shutil.copyfile(REPO / "config" / "config.yaml", folder / "config" / "config.yaml")
    truth = {}
    for plan in plans:
        take = render_plan(plan, soundfont)
        soundfile.write(folder / "audio" / f"{plan.recording}.flac", take.audio, RATE, subtype="PCM_24")
        truth[plan.recording] = take.notes
    _write_sheets(folder / "config", plans)
    _write_rows(folder / "truth.tsv", TRUTH_COLUMNS, _truth_rows(truth))
    return truth


def _write_sheets(config: Path, plans: list[Plan]) -> None:
    """Two sessions: tongued scales in one, slurred ones in the other."""
    sessions = list(dict.fromkeys(plan.articulation for plan in plans))
    families = dict.fromkeys(plan.family for plan in plans)
    takes, recordings = {}, []
    for plan in plans:
        take = takes[plan.family, plan.articulation] = takes.get((plan.family, plan.articulation), 0) + 1
        file = f"audio/{plan.recording}.flac"
        recordings.append(
            (plan.recording, file, plan.family, plan.articulation, take, plan.articulation, plan.direction)
        )
    header = ("recording", "file", "instrument", "session", "take", "articulation", "direction")
    _write_rows(config / "recordings.tsv", header, recordings)
    instruments = [(family, f"Sampled {load_family(family).name}", family) for family in families]
    _write_rows(config / "instruments.tsv", ("instrument", "label", "family"), instruments)
    _write_rows(config / "sessions.tsv", ("session", "comment"), [(name, f"{name} scales") for name in sessions])


def _truth_rows(truth: dict[str, tuple[TrueNote, ...]]) -> Iterable[tuple]:
    for recording, notes in truth.items():
        for note in notes:
            times = (f"{time:.5f}" for time in (note.note_on_s, note.onset_s, note.offset_s))
            yield recording, note.step, note.midi, *times, *(f"{hz:.5f}" for hz in note.references_hz)


def _write_rows(path: Path, header: Iterable[str], rows: Iterable[Iterable]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, delimiter="\t", lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)
