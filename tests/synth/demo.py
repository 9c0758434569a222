"""The demo: a town youth band looks for alto saxophones for its loan pool. All of it is invented.

Twelve instruments, three evenings in two rooms, one player; the recordings are sounds of this package, and what
is true of each instrument is written beside them. Notes are WRITTEN midi numbers.
"""

import csv
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf

from evenbore.facts.arrays import Floats
from evenbore.trade.families import Family, load_family
from evenbore.trade.pitch import midi_to_note
from synth.instrument import InstrumentModel, Leak, StickyVent, make_instrument, stream
from synth.playing import Take, scale
from synth.room import Chain

SEED = 20250304
SCALE = "scale"
FAMILY = "saxophone_alto"
LOW, HIGH = 58, 89
RATE = 32000
# (articulation, dynamic, take) recorded of every instrument on its evening.
TAKES = (("slurred", "mf", 1), ("slurred", "mf", 2), ("tongued", "mf", 1), ("tongued", "mf", 2),
         ("slurred", "p", 1), ("slurred", "f", 1))  # fmt: skip
# The reference is played soft and loud twice: its repeats tell the player's scatter there.
REFERENCE_TAKES = (("slurred", "p", 2), ("slurred", "f", 2))
REFERENCE_TUNES = (("tongued", "p", 2), ("tongued", "f", 2))
# The first line of the theme of joy (Beethoven, ninth symphony, 1824), and how long each note is, in beats.
TUNE_NAME = "joy"
TUNE = (71, 71, 72, 74, 74, 72, 71, 69, 67, 67, 69, 71, 71, 69, 69)
TUNE_BEATS = (1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1.5, 0.5, 1)
TUNE_BY = ("alto_01", "alto_02", "alto_04", "alto_10")
TUNE_ON = "evening_1"
TUNE_TAKES = (("tongued", "p", 1), ("tongued", "f", 1))


@dataclass(frozen=True)
class Candidate:
    """One instrument of the scenario: `evenings` it was recorded on, its row of the sheet, what is planted.

    Two candidates with the same `drawn_as` are the same instrument twice. `set_cents` replaces drawn pitches.
    """

    key: str
    evenings: tuple[str, ...]
    sheet: dict[str, Any]
    drawn_as: str
    spreads: dict[str, Any]
    planted: str = "nothing"
    set_cents: dict[int, float] = field(default_factory=dict)
    model: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Evening:
    """One recording session: its row of the sheet, its set-up, and the shift of all pitches by the room's warmth."""

    key: str
    sheet: dict[str, Any]
    chain: Chain
    cents: float


def _sheet(
    label: str, maker: str, model: str, price: int, setup: int, case: int, comment: str = "", **more: object
) -> dict[str, Any]:
    row = {"label": label, "family": FAMILY, "maker": maker, "model": model, "price": price, "setup_cost": setup}
    return row | {"case_cost": case, "reference": "no", "comment": comment} | more


def _evening(
    date: str, room: str, microphone: str, distance_m: float, temperature_c: int, comment: str
) -> dict[str, Any]:
    row = {"date": date, "room": room, "microphone": microphone, "distance_m": distance_m}
    return row | {"temperature_c": temperature_c, "tuning_hz": 440, "comment": comment}


def _spreads(intonation: float, level: float, tilt: float) -> dict[str, Any]:
    return {"intonation_sd": intonation, "level_sd": level, "tilt_sd": tilt}


TWIN = _spreads(6.5, 0.9, 0.4)
CANDIDATES = (
    Candidate("alto_01", ("evening_1", "evening_2", "evening_3"),
              _sheet("Oak", "Maker A", "Student 2", 1190, 60, 0, "the band's own trial loan", reference="yes"), "oak",
              _spreads(7.0, 0.9, 0.45)),
    Candidate("alto_02", ("evening_1",), _sheet("Ash", "Maker A", "Student 2", 1190, 60, 0), "ash",
              _spreads(6.0, 0.8, 0.4), model={"offset_cents": 4.0}),
    Candidate("alto_03", ("evening_2",), _sheet("Elm", "Maker A", "Student 2", 1150, 60, 0), "elm",
              _spreads(6.5, 0.8, 0.4),
              "a leaking pad in the upper stack, at the hole that first opens for B4 (L2, A pad)",
              model={"faults": (Leak(hole=71, size=0.65),), "offset_cents": -2.0}),
    Candidate("alto_04", ("evening_1",), _sheet("Birch", "Maker B", "Concert 10", 1380, 60, 0), "birch",
              _spreads(6.0, 0.8, 0.35),
              "the neck octave vent sticks: A5 and above start late, crack at times, are dull and flat",
              model={"faults": (StickyVent(low=81, high=89),)}),
    Candidate("alto_05", ("evening_3",), _sheet("Maple", "Maker B", "Concert 10", 1340, 60, 0), "maple",
              _spreads(6.0, 0.8, 0.4), "the palm keys open too far: D6 to F6 are 22 to 28 cents sharp",
              set_cents={86: 22.0, 87: 24.0, 88: 26.0, 89: 28.0}),
    Candidate("alto_06", ("evening_3",), _sheet("Cedar", "Maker C", "Stage", 1490, 60, 0), "cedar",
              _spreads(6.5, 0.9, 0.4), "brighter than the others by 1.5 dB per octave of harmonic number",
              model={"brightness_db": 1.5}),
    Candidate("alto_07", ("evening_2",),
              _sheet("Linden", "Maker A", "Student 2", 890, 360, 0, "second-hand, set-up quoted by the technician"),
              "linden", _spreads(7.0, 0.9, 0.45),
              "nothing in the sound; its set-up costs as much as it saves (890 + 360 against 1190 + 60)",
              model={"offset_cents": 2.0}),
    Candidate("alto_08", ("evening_1",), _sheet("Rowan", "Maker B", "Concert 10", 1340, 60, 0), "twin", TWIN,
              "the twin of alto_09: same model parameters"),
    Candidate("alto_09", ("evening_2",), _sheet("Hazel", "Maker B", "Concert 10", 1340, 60, 0), "twin", TWIN,
              "the twin of alto_08: same model parameters"),
    Candidate("alto_10", ("evening_1",), _sheet("Alder", "Maker D", "First", 640, 120, 110, "sold without a case"),
              "alder", _spreads(10.0, 1.4, 0.7), model={"offset_cents": 6.0}),
    Candidate("alto_11", ("evening_2",), _sheet("Willow", "Maker C", "Stage", 1690, 40, 0), "willow",
              _spreads(5.0, 0.6, 0.3), model={"offset_cents": -3.0}),
    Candidate("alto_12", ("evening_3",), _sheet("Beech", "Maker D", "First", 690, 120, 110, "sold without a case"),
              "beech", _spreads(8.5, 1.2, 0.6), "more air noise than the others, by 6 dB", model={"noise_db": 6.0}),
)  # fmt: skip

# ASSUME: about one cent per degree between a cool and a warm evening; the physical upper bound is three.
EVENINGS = (
    Evening(
        "evening_1",
        _evening("2025-03-04", "town hall stage", "condenser 1", 2, 21, "stand on the tape mark"),
        Chain(11, -4.0, ((80, -1), (500, 0), (3000, 1.5), (10000, -2)), 40, 0.9, -5.0, 0.2, -64.0),
        0.0,
    ),
    Evening(
        "evening_2",
        _evening("2025-03-11", "town hall stage", "recorder 2", 2.5, 20, "other microphone, as the first was out"),
        Chain(12, -9.0, ((80, -5), (250, -1), (1500, 1), (5000, 4), (12000, -3)), 80, 0.9, -3.5, 0.2, -68.0),
        -1.0,
    ),
    Evening(
        "evening_3",
        _evening("2025-03-18", "school music room", "condenser 1", 1.5, 22, "heating audible"),
        Chain(13, -6.0, ((80, 2), (400, 1), (2500, -1), (10000, -5)), 40, 0.45, -6.0, 0.2, -62.0, -74.0),
        1.0,
    ),
)

INSPECTION = (
    ("alto_01", "pads", "ok", "", "", "seat marks even by eye"),
    ("alto_02", "corks", "attention", 1, 10, "one bumper cork missing"),
    ("alto_03", "pads", "ok", "", "", "by eye only, no leak light at hand"),
    ("alto_04", "octave mechanism", "ok", "", "", "moves; not tried under the fingers"),
    ("alto_05", "key height", "attention", 1, 20, "palm keys stand high"),
    ("alto_06", "plating", "ok", "", "", ""),
    ("alto_07", "pads", "fault", 2, "", "several hard pads; in the quoted set-up"),
    ("alto_07", "key play", "attention", 2, "", "lower stack rattles; in the quoted set-up"),
    ("alto_08", "neck fit", "ok", "", "", ""),
    ("alto_09", "neck fit", "ok", "", "", ""),
    ("alto_10", "springs", "attention", 2, 25, "G# spring weak"),
    ("alto_11", "pads", "ok", "", "", ""),
    ("alto_12", "plating", "attention", 1, "", "lacquer worn at the thumb rest"),
)
IMPRESSIONS = (
    ("alto_01", "player_1", "whole", "response", 4, ""),
    ("alto_03", "player_1", "D4", "resistance", 2, "low notes need a push when soft"),
    ("alto_04", "player_1", "A5", "response", 1, "jumps down an octave"),
    ("alto_05", "player_1", "whole", "comfort", 4, ""),
    ("alto_06", "player_1", "whole", "tone", 3, "carries, a little hard"),
    ("alto_10", "player_1", "whole", "keywork", 3, "spongy"),
    ("alto_11", "player_1", "whole", "response", 5, ""),
    ("alto_12", "player_1", "whole", "tone", 3, "airy"),
)
INSPECTION_COLUMNS = ("instrument", "item", "result", "severity", "cost", "comment")
IMPRESSION_COLUMNS = ("instrument", "player", "where", "aspect", "score", "comment")


def make_demo(study: Path, progress: Callable[[str], None] = print) -> None:
    """Write the demo's recordings, their truth, and the sheets of the study folder.

    The same on every run.
    """
    audio_dir = study / "demo_recordings"
    audio_dir.mkdir(parents=True, exist_ok=True)
    family = load_family(FAMILY)
    recordings, truth, instruments = [], [], []
    for candidate in CANDIDATES:
        model = instrument_of(candidate, family)
        instruments.append(_instrument_truth(candidate, model))
        for evening in EVENINGS:
            if evening.key not in candidate.evenings:
                continue
            is_reference = len(candidate.evenings) > 1
            played = [(SCALE, take) for take in TAKES + (REFERENCE_TAKES if is_reference else ())]
            if candidate.key in TUNE_BY and evening.key == TUNE_ON:
                phrases = TUNE_TAKES + (REFERENCE_TUNES if is_reference else ())
                played += [(TUNE_NAME, take) for take in phrases]
            for what, (articulation, dynamic, number) in played:
                manner = articulation if what == SCALE else what
                name = f"e{evening.key[-1]}_{candidate.key}_{manner}_{dynamic}_{number}"
                take, heard = record(model, evening, name, articulation, dynamic, what)
                _write_sound(audio_dir / f"{name}.flac", heard, take.rate)
                recordings.append(_recording_row(name, candidate.key, evening.key, articulation, dynamic, number, what))
                truth += [_truth_row(name, note) for note in take.notes]
                progress(name)
    write_rows(audio_dir / "truth.tsv", truth)
    write_rows(audio_dir / "truth_instruments.tsv", instruments)
    config = study / "config"
    config.mkdir(exist_ok=True)
    recordings.sort(key=lambda row: row["session"])
    write_rows(config / "recordings.tsv", recordings)
    terms = {"warranty_months": 24, "return_days": 14}
    write_rows(config / "instruments.tsv", [{"instrument": c.key} | c.sheet | terms for c in CANDIDATES])
    write_rows(config / "sessions.tsv", [{"session": e.key} | e.sheet for e in EVENINGS])
    _write_lines(config / "inspection.tsv", INSPECTION_COLUMNS, INSPECTION)
    _write_lines(config / "impressions.tsv", IMPRESSION_COLUMNS, IMPRESSIONS)


def instrument_of(candidate: Candidate, family: Family) -> InstrumentModel:
    """The model of a candidate; twins get the very same one."""
    model = make_instrument(family, SEED, candidate.drawn_as, **candidate.spreads, **candidate.model)
    return model.changed(cents=model.cents | candidate.set_cents)


def record(
    model: InstrumentModel, evening: Evening, name: str, articulation: str, dynamic: str, what: str = SCALE
) -> tuple[Take, Floats]:
    """One take as played (truth with it) and as the evening's set-up recorded it, float64 (n,)."""
    warm = model.changed(offset_cents=model.offset_cents + evening.cents)
    notes, beats = (range(LOW, HIGH + 1), None) if what == SCALE else (TUNE, TUNE_BEATS)
    take = scale(
        warm, list(notes), stream(SEED, "play", name), dynamic=dynamic, articulation=articulation, rate=RATE,
        beats=beats,
    )  # fmt: skip
    return take, evening.chain.record(take.audio.astype(float), RATE, stream(SEED, "chain", name))


def _write_sound(path: Path, sound: Floats, rate: int) -> None:
    """Write mono FLAC of 16 bits. Raises ValueError for a sound that would clip."""
    if np.max(np.abs(sound)) >= 1:
        raise ValueError(f"{path.name} would clip: peak {np.max(np.abs(sound)):.2f}; lower the set-up's gain")
    sf.write(path, sound, rate, subtype="PCM_16")


def write_rows(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Write a tab-separated sheet with the columns of the first row."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter="\t", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _write_lines(path: Path, columns: tuple[str, ...], lines: Iterable[tuple[object, ...]]) -> None:
    write_rows(path, [dict(zip(columns, line, strict=True)) for line in lines])


def _recording_row(
    name: str, instrument: str, session: str, articulation: str, dynamic: str, take: int, what: str
) -> dict[str, Any]:
    of_scale = {"low": midi_to_note(LOW), "high": midi_to_note(HIGH), "direction": "up"}
    pattern = {"pattern": "chromatic"} | of_scale | {"passage": ""}
    if what != SCALE:
        pattern = {"pattern": "passage"} | dict.fromkeys(of_scale, "") | {"passage": what}
    return {
        "recording": name, "file": f"demo_recordings/{name}.flac", "instrument": instrument, "session": session,
        "take": take, "dynamic": dynamic, "articulation": articulation, **pattern, "state": "", "player": "player_1",
        "mouthpiece": "mouthpiece_1", "reed": "synthetic_1", "comment": "",
    }  # fmt: skip


def _truth_row(recording: str, note: dict[str, Any]) -> dict[str, Any]:
    levels = note["levels_db"]
    power = 0.5 * np.sum(10 ** (levels / 10))
    return {
        "recording": recording,
        "step": note["step"],
        "written_note": midi_to_note(note["written"]),
        "midi": note["sounding"],
        "onset_s": f"{note['onset_s']:.4f}",
        "offset_s": f"{note['offset_s']:.4f}",
        "f0_hz": f"{note['f0_hz']:.4f}",
        "cents": f"{note['cents']:.3f}",
        "level_db": f"{10 * np.log10(power):.2f}",
        **{f"harmonic_{h}_db": f"{levels[h - 1]:.2f}" for h in range(1, 5)},
        "attack_ms": f"{1000 * note['attack_s']:.0f}",
        "cracked": "yes" if note["cracked"] else "no",
    }


def _instrument_truth(candidate: Candidate, model: InstrumentModel) -> dict[str, Any]:
    """What is true at mezzo-forte at the first evening's warmth, without the player's variation."""
    cents = np.array([model.sound(note).cents for note in range(LOW, HIGH + 1)])
    return {
        "instrument": candidate.key,
        "label": candidate.sheet["label"],
        "tuning_offset_cents": f"{np.median(cents):.2f}",
        "intonation_spread_cents": f"{np.std(cents, ddof=1):.2f}",
        "planted": candidate.planted,
    }
