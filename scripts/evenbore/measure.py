"""Measure one recording: find the notes of its scale, then pitch, spectrum and response of each.

One decode; a broken recording is set aside with the reason, it never raises.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenbore import quality
from evenbore.acoustics import a_weight_db, third_octave_bands
from evenbore.audio import Signal, open_signal
from evenbore.columns import TABLES
from evenbore.edges import Edges, refine
from evenbore.errors import AudioError
from evenbore.evidence import Evidence, gather
from evenbore.measures import harmonic_measures
from evenbore.pitch import Pitch, measure_pitch
from evenbore.response import response_times
from evenbore.segment import Alignment, align
from evenbore.spectrum import Frames, Harmonics, analyse, band_levels, harmonics, window
from evenbore.trade.families import Family, load_family
from evenbore.trade.pitch import cents, midi_to_hz, midi_to_note
from evenbore.trade.scale import expected_scale

LEAST_FOUND = 0.5  # with fewer of the expected notes than this there is no such scale in the recording
_SETTLED_S = 0.06  # the steady part begins this long after the onset, or after 15 % of a longer note
_RELEASE_S = 0.03
_BACKGROUND_CLEAR_S = 0.25  # background noise is taken this far away from any note
_NOISY_DB = 20.0
_SILENCE = 1e-10  # -100 dB: digital silence is not quieter than any real room can be

TAKE_KEYS = ("recording", "instrument", "session", "take", "dynamic", "articulation", "direction", "state")
_UNMEASURED = {column.name: float("nan") for column in TABLES["notes"] if column.dtype == "float"}
INTERVALS = {12: "an octave", 19: "a twelfth", 24: "two octaves"}


@dataclass(frozen=True)
class Measured:
    """What one recording told.

    recording: the row of the table `recordings`. notes: rows of `notes`. harmonics: columns step, harmonic,
    frequency_hz, level_db, above_noise_db. bands: columns step, band_hz, level_db, above_noise_db.
    """

    recording: dict
    notes: list[dict]
    harmonics: dict[str, np.ndarray]
    bands: dict[str, np.ndarray]


def measure_recording(row: dict) -> Measured:
    """Measure the recording that a row of the sheet describes (see `sheets.row_for_measuring`)."""
    record = {key: row[key] for key in TAKE_KEYS}
    try:
        with open_signal(row["path"], channel=row["channel"]) as signal:
            return _measure(row, record, signal)
    except AudioError as error:
        return set_aside(row, str(error))


def set_aside(row: dict, reason: str) -> Measured:
    """The result of a recording that cannot be used."""
    record = {key: row[key] for key in TAKE_KEYS} | {"status": "set_aside", "reason": reason}
    return Measured(record, [], {}, {})


def _measure(row: dict, record: dict, signal: Signal) -> Measured:
    record |= {
        "duration_s": signal.frames / signal.rate,
        "sample_rate_hz": signal.source_rate,
        "clipped_fraction": signal.clipped_fraction,
        "channel": signal.channel,
        "lufs": quality.lufs(signal),
    }
    if row["pattern"] == "passage":
        return _finish(record, list(signal.warnings), [], [], [])
    family = load_family(row["family"], Path(row["families_dir"]) if row["families_dir"] else None)
    written = expected_scale(family, row["pattern"], row["low"], row["high"], row["direction"], row["notes"])
    midi = family.to_sounding(written)
    evidence = gather(signal, midi.min(), midi.max())
    found = align(evidence, midi, row["tuning_hz"])
    record |= {"notes_expected": len(midi), "notes_found": int(found.found.sum()), "offset_cents": found.offset_cents}
    if found.found.mean() < LEAST_FOUND or found.shift:
        raise AudioError(_not_this_scale(record, found, family, written))
    steps = np.nonzero(found.found)[0]
    half = evidence.hop_s / 2
    first, last = found.first[steps] * evidence.hop_s - half, found.last[steps] * evidence.hop_s + half
    nominal = midi_to_hz(midi[steps], row["tuning_hz"])
    guess = nominal * 2 ** (_guess_cents(evidence, found, steps, nominal) / 1200)
    edges = refine(signal, first, last, guess, row["articulation"] == "tongued")
    background = _background(signal, edges)
    notes, spectra, bands = [], [], []
    for k, step in enumerate(steps):
        note, harmonic, band = _note(signal, edges, k, guess[k], nominal[k], background)
        notes.append(
            {key: record[key] for key in TAKE_KEYS}
            | {"step": int(step), "written_note": midi_to_note(int(written[step])), "midi": int(midi[step])}
            | {"confidence": _confidence(found.score[step], found.rival[step])}
            | note
        )
        spectra.append(harmonic)
        bands.append(band)
    spans = list(zip(edges.onset_s, edges.offset_s, strict=True))
    record |= {"hum_db": quality.hum_db(signal, spans), "reverb_s": quality.reverb_s(signal, spans)}
    record["snr_db"] = _median([note["snr_db"] for note in notes])
    record["offset_cents"] = _median([note["cents"] for note in notes])
    return _finish(record, signal.warnings + _warnings(record, found, written), notes, spectra, bands)


def _guess_cents(evidence: Evidence, found: Alignment, steps: np.ndarray, nominal: np.ndarray) -> np.ndarray:
    """First estimate of each note's deviation from `nominal`, cents, from the grid of pitches."""
    grid_cents = 100 * (evidence.grid_midi - 69)
    guess = np.empty(len(steps))
    for k, step in enumerate(steps):
        deviation = grid_cents - 1200 * np.log2(nominal[k] / 440.0) - found.offset_cents
        near = np.abs(deviation) <= 60
        mean = evidence.score[found.first[step] : found.last[step] + 1, near].mean(axis=0)
        weight = np.clip(mean - 0.7 * mean.max(), 0, None)
        guess[k] = found.offset_cents + np.sum(weight * deviation[near]) / np.sum(weight)
    return guess


def _note(signal: Signal, edges: Edges, k: int, guess_hz: float, nominal_hz: float, background):
    """Measures of note k: a row of `notes` (less its keys), its harmonics and its bands."""
    onset, offset = float(edges.onset_s[k]), float(edges.offset_s[k])
    note = {"onset_s": onset, "offset_s": offset, "transition_ms": 1000 * float(edges.transition_s[k])}
    x = signal.slice(*(round(t * signal.rate) for t in _steady(onset, offset)))
    frames = analyse(x, signal.rate, guess_hz)
    if frames is None:
        return _UNMEASURED | note | {"flags": "too_short"}, None, None
    pitch = measure_pitch(frames, guess_hz)
    if pitch is None:
        return _UNMEASURED | note | {"flags": "no_clear_pitch"}, None, None
    spectrum = harmonics(frames, pitch.f0_hz)
    note |= _pitch_columns(pitch, nominal_hz)
    note |= _level_columns(spectrum)
    note |= response_times(signal, onset, offset, bool(edges.slurred[k]), pitch.f0_hz)
    band = _bands(frames, background)
    note["snr_db"] = note["level_dbfs"] - background.level_db(*_reach(pitch.f0_hz, signal.rate))
    note["flags"] = _flags(note, bool(edges.slurred[k]))
    return note, spectrum, band


def _steady(onset: float, offset: float) -> tuple[float, float]:
    """Start and end of the steady part: past the attack and short of the release."""
    length = offset - onset
    start, stop = onset + max(_SETTLED_S, 0.15 * length), offset - max(_RELEASE_S, 0.1 * length)
    if stop - start < 0.5 * length:
        start, stop = onset + 0.25 * length, offset - 0.25 * length
    return start, stop


def _pitch_columns(pitch: Pitch, nominal_hz: float) -> dict:
    time = np.arange(len(pitch.track_cents)) * pitch.hop_s
    return {
        "f0_hz": pitch.f0_hz,
        "f0_se_cents": pitch.se_cents,
        "cents": float(cents(pitch.f0_hz, nominal_hz)),
        "cents_sd": float(np.std(pitch.track_cents)),
        "cents_drift": float(np.polyfit(time, pitch.track_cents, 1)[0]),
    }


def _level_columns(spectrum: Harmonics) -> dict:
    columns = {
        name: float(value[0])
        for name, value in harmonic_measures(spectrum.level_db[None], spectrum.frequency_hz[:1]).items()
    }
    power = np.nan_to_num(10 ** (spectrum.level_db / 10))
    columns["level_dba"] = _db(np.sum(power * 10 ** (a_weight_db(spectrum.frequency_hz) / 10)))
    columns["hnr_db"] = _db(np.sum(power) / np.sum(10 ** (spectrum.noise_db / 10)))
    return columns


def _reach(f0_hz: float, rate: int) -> tuple[float, float]:
    """Frequencies between which a note's harmonics are measured."""
    return 0.5 * f0_hz, min(10_000.0, 0.45 * rate)


@dataclass(frozen=True)
class _Background:
    """Mean power per bin of the quiet parts, (K,), None when the recording has none."""

    power: np.ndarray | None
    bin_hz: float
    bandwidth: float

    def bands(self) -> np.ndarray:
        if self.power is None:
            return np.full(len(third_octave_bands().centre), np.nan)
        return band_levels(self.power, self.bin_hz, self.bandwidth)

    def level_db(self, low_hz: float, high_hz: float) -> float:
        if self.power is None:
            return float("nan")
        inside = slice(int(low_hz / self.bin_hz), int(high_hz / self.bin_hz) + 1)
        return _db(np.sum(self.power[inside]) / self.bandwidth + _SILENCE)


def _background(signal: Signal, edges: Edges) -> _Background:
    """Noise of the room and the microphone: the quietest tenth of what lies clear of all notes, and its like.

    Speech, false starts and breaths are clear of the notes too, but louder.
    """
    size = 1 << int(np.ceil(np.log2(0.08 * signal.rate)))
    shape, bandwidth = window(size)
    starts = np.concatenate([[0.0], edges.offset_s + _BACKGROUND_CLEAR_S])
    stops = np.append(edges.onset_s - 0.05, signal.frames / signal.rate)
    powers = []
    for start, stop in zip(starts, stops, strict=True):
        x = signal.slice(round(start * signal.rate), round(min(stop, start + 5.0) * signal.rate))
        if len(x) >= size:
            frames = np.lib.stride_tricks.sliding_window_view(x, size)[:: size // 2]
            powers.append(np.abs(np.fft.rfft(frames * shape, axis=1)) ** 2)
    if not powers:
        return _Background(None, signal.rate / size, bandwidth)
    power = np.concatenate(powers)
    level = power.sum(axis=1)
    quiet = level <= 2 * np.quantile(level, 0.1)
    return _Background(power[quiet].mean(axis=0), signal.rate / size, bandwidth)


def _bands(frames: Frames, background: _Background) -> np.ndarray:
    """(B, 3): mid-band frequency, level of the note, level over the background."""
    power = np.mean(np.abs(frames.values) ** 2, axis=0)
    level = band_levels(power, frames.bin_hz, window(frames.size)[1])
    return np.stack([third_octave_bands().centre, level, level - background.bands()], axis=1)


def _confidence(score: float, rival: float) -> float:
    """Probability that the note is the expected one, from its evidence and that of the best other pitch."""
    return float(1 / (1 + np.exp(-(12 * (score - 0.45) + 4 * (score - rival)))))


def _flags(note: dict, slurred: bool) -> str:
    words = ["slurred"] if slurred else []
    if np.isnan(note["snr_db"]):
        words.append("no_quiet_part")
    elif note["snr_db"] < _NOISY_DB:
        words.append("noisy")
    if note["cents_sd"] > 15:
        words.append("unsteady")
    if np.isnan(note["high_band_db"]):
        words.append("no_high_band")
    return " ".join(words)


def _not_this_scale(record: dict, found: Alignment, family: Family, written: np.ndarray) -> str:
    n, of = record["notes_found"], record["notes_expected"]
    span = f"{midi_to_note(int(written.min()))} to {midi_to_note(int(written.max()))} written for {family.name}"
    if not found.shift:
        return (
            f"no such scale in it: {n} of {of} expected notes found ({span});"
            " another pattern, direction or range than the sheet says?"
        )
    size, way = abs(found.shift), "higher" if found.shift > 0 else "lower"
    interval = INTERVALS.get(size, f"{size} semitone{'s' if size > 1 else ''}")
    return (
        f"sounds {interval} {way} than the sheet says ({span}): another range or register, the wrong family,"
        " or notes named at concert pitch?"
    )


def _warnings(record: dict, found: Alignment, written: np.ndarray) -> list[str]:
    words = []
    missing = [midi_to_note(int(written[i])) for i in np.nonzero(~found.found)[0]]
    if missing:
        words.append(f"notes not found: {' '.join(missing)}")
    return words + quality.advice(record)


def _finish(record: dict, warnings: list[str], notes, spectra, bands) -> Measured:
    record |= {"status": "warned" if warnings else "ok", "reason": "; ".join(warnings)}
    return Measured(record, notes, _stack_harmonics(notes, spectra), _stack_bands(notes, bands))


def _stack_harmonics(notes: list[dict], spectra: list[Harmonics | None]) -> dict[str, np.ndarray]:
    parts = []
    for note, spectrum in zip(notes, spectra, strict=True):
        if spectrum is not None:
            use = ~np.isnan(spectrum.level_db)
            columns = spectrum.number, spectrum.frequency_hz, spectrum.level_db, spectrum.above_noise_db
            parts.append(np.column_stack([np.full(use.sum(), note["step"]), *(c[use] for c in columns)]))
    table = np.concatenate(parts) if parts else np.empty((0, 5))
    return dict(zip(("step", "harmonic", "frequency_hz", "level_db", "above_noise_db"), table.T, strict=True))


def _stack_bands(notes: list[dict], bands: list[np.ndarray | None]) -> dict[str, np.ndarray]:
    parts = []
    for note, band in zip(notes, bands, strict=True):
        if band is not None:
            use = ~np.isnan(band[:, 1])
            parts.append(np.column_stack([np.full(use.sum(), note["step"]), band[use]]))
    table = np.concatenate(parts) if parts else np.empty((0, 4))
    return dict(zip(("step", "band_hz", "level_db", "above_noise_db"), table.T, strict=True))


def _median(values: list[float]) -> float:
    known = [value for value in values if not np.isnan(value)]
    return float(np.median(known)) if known else float("nan")


def _db(power: float) -> float:
    return float(10 * np.log10(power)) if power > 0 else float("nan")
