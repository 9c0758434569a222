"""Measures of all notes of a take: pitch, level, tone, noise and response of each, and what to read with care."""

from dataclasses import dataclass

import numpy as np

from evenbore.facts.acoustics import third_octave_bands
from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.measures import HIGH_BAND_HZ, MEASURES, harmonic_measures, hidden_by_noise
from evenbore.facts.rows import Row
from evenbore.notes.air import note_noise
from evenbore.notes.background import Background, background
from evenbore.notes.breaks import begins_cut_off, ends_cut_off, is_broken
from evenbore.notes.codec import codec_bits, withhold_noise
from evenbore.notes.edges import Edges
from evenbore.notes.gain import gain_moved
from evenbore.notes.pitch import Pitch, measure_pitch
from evenbore.notes.response import attacks, cracked, settle_ms
from evenbore.notes.spectrum import TOP_HZ, Frames, Harmonics, analyse, harmonics, note_bands
from evenbore.recording.audio import Signal
from evenbore.trade.pitch import cents

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_SETTLED_S = 0.06  # the steady part begins this long after the onset, or after 15 % of a longer note
_RELEASE_S = 0.03
_NOISY_DB = 20.0
_BEST_SNR_DB = 100.0  # digital silence between notes is no quieter than any real room can be
_UNSTEADY_CENTS = 15.0
_BRIEF_S, _MOVES_DB = 0.2, 2.0  # the level of a longer note is a mean over what comes and goes
# a note is late when it takes this many times as long as the take's median note, this many milliseconds longer,
# and lies this many robust standard deviations out on a scale of log time (Iglewicz & Hoaglin 1993, from memory)
_LATE_RATIO, _LATE_MS, _LATE_SDS = 2.0, 30.0, 3.5
_LEAST_NOTES = 8
_CEILING = 0.98  # ASSUME: a note of a clipped recording that comes so near the recording's peak is clipped itself
_LEFT_BY_CLIPPING = ("f0_hz", "f0_se_cents", "cents", "cents_sd", "cents_drift", "transition_ms", "snr_db")
_LOST_WITH_THE_BEGINNING = (
    "attack_ms",
    "log_attack",
    "overshoot_db",
    "settle_ms",
)  # nothing is known of a beginning cut off
_UNMEASURED = {measure.name: float("nan") for measure in MEASURES}


@dataclass(frozen=True)
class Notes:
    """Rows of the table `notes` less their keys, and per note its harmonics and bands (B, 3): mid-band frequency,
    level, level over the background; None for both where the note could not be measured.
    """

    rows: list[Row]
    spectra: list[Harmonics | None]
    bands: list[Floats | None]


def measure_notes(
    signal: Signal, edges: Edges, guess_hz: Floats, nominal_hz: Floats, reverb_s: float = float("nan")
) -> Notes:
    """Measure the notes between `edges`; guess_hz (N,) within about 15 cents, nominal_hz (N,) what they should be.

    `reverb_s`: the recording's reverberation time, NaN where it is not known.
    """
    quiet = background(signal, edges.onset_s, edges.offset_s)
    centre, quiet_bands = third_octave_bands().centre, quiet.bands_db()
    rows: list[Row] = []
    spectra: list[Harmonics | None] = []
    bands: list[Floats | None] = []
    for k, (onset, offset) in enumerate(zip(edges.onset_s.tolist(), edges.offset_s.tolist(), strict=True)):
        row = _UNMEASURED | {"onset_s": onset, "offset_s": offset, "transition_ms": 1000 * float(edges.transition_s[k])}
        start, stop = _steady(onset, offset)
        frames = analyse(signal.slice(round(start * signal.rate), round(stop * signal.rate)), signal.rate, guess_hz[k])
        pitch = measure_pitch(frames, guess_hz[k]) if frames is not None else None
        if frames is None or pitch is None:
            rows.append(row | {"flags": "too_short" if frames is None else "no_clear_pitch"})
            spectra.append(None)
            bands.append(None)
            continue
        row |= _pitch_columns(pitch, nominal_hz[k])
        spectrum = harmonics(frames, pitch.f0_hz, row["cents_sd"])
        slurred = bool(edges.slurred[k])
        moves = offset - onset < _BRIEF_S and _level_range_db(frames) > _MOVES_DB
        words = ["slurred"] * slurred + ["onset_vague"] * bool(edges.vague[k])
        words += ["level_moves"] * moves
        rows.append(row | {"flags": " ".join(words)})
        spectra.append(spectrum)
        level = note_bands(frames, spectrum)
        bands.append(np.stack([centre, level, level - quiet_bands], axis=1))
    _flag_cracked(signal, rows, edges, guess_hz)
    _add_tone(signal, rows, spectra, quiet, reverb_s)
    _add_attacks(signal, rows, spectra, edges.slurred, reverb_s)
    bits = codec_bits(signal, quiet)
    for row in rows if np.isfinite(bits) else ():
        withhold_noise(row, bits)
    # a codec takes noise away under loud sounds, as a falling gain would
    kept = spectra if np.isinf(bits) else []
    if gain_moved(signal, edges.onset_s, edges.offset_s, kept, quiet):
        for row in rows:
            row["flags"] += " gain_moved"
    _take_out_cut_off(signal, rows)
    gated = quiet.is_nothing(signal)
    for k, row in enumerate(rows):
        if spectra[k] is not None and is_broken(signal, row["onset_s"], row["offset_s"], row["f0_hz"], gated):
            row |= dict.fromkeys(_UNMEASURED, np.nan) | {"flags": f"{row['flags']} dropout"}
            spectra[k] = bands[k] = None
    for k in _clipped(signal, rows):
        rows[k] |= {name: np.nan for name in _UNMEASURED if name not in _LEFT_BY_CLIPPING}
        rows[k]["flags"] += " clipped"
        spectra[k] = bands[k] = None
    _flag_late(rows)
    return Notes(rows, spectra, bands)


def _steady(onset: float, offset: float) -> tuple[float, float]:
    """Start and end of the steady part: past the attack and short of the release."""
    length = offset - onset
    start, stop = onset + max(_SETTLED_S, 0.15 * length), offset - max(_RELEASE_S, 0.1 * length)
    if stop - start < 0.5 * length:
        start, stop = onset + 0.25 * length, offset - 0.25 * length
    return start, stop


def _level_range_db(frames: Frames) -> float:
    """How far the level goes up and down within a steady part."""
    parts = frames.values.view(np.float32)
    power = np.einsum("fk,fk->f", parts, parts)
    return float(10 * np.log10(power.max() / max(power.min(), 1e-20)))


def _pitch_columns(pitch: Pitch, nominal_hz: float) -> dict[str, float]:
    track = pitch.track_cents
    time = np.arange(len(track)) - (len(track) - 1) / 2
    return {
        "f0_hz": pitch.f0_hz,
        "f0_se_cents": pitch.se_cents,
        "cents": float(cents(pitch.f0_hz, nominal_hz)),
        "cents_sd": float(track.std()),
        "cents_drift": float(time @ track / (time @ time) / pitch.hop_s),
    }


def _flag_cracked(signal: Signal, rows: list[Row], edges: Edges, guess_hz: Floats) -> None:
    known = [k for k, row in enumerate(rows) if not np.isnan(row["f0_hz"])]
    f0_hz = np.array([rows[k]["f0_hz"] for k in known])
    before_hz, before_s = np.append(np.nan, guess_hz)[known], np.append(0.0, edges.offset_s)[known]
    broke = cracked(signal, edges.onset_s[known], edges.offset_s[known], f0_hz, before_hz, before_s)
    for k in np.array(known, int)[broke].tolist():
        rows[k]["flags"] += " cracked"


def _add_tone(
    signal: Signal, rows: list[Row], spectra: list[Harmonics | None], quiet: Background, reverb_s: float
) -> None:
    """Add what follows from the harmonics and the noise between them, for all notes at once, and its flags."""
    measured = [(k, spectrum) for k, spectrum in enumerate(spectra) if spectrum is not None]
    if not measured:
        return
    known = [k for k, _ in measured]
    size = max(len(spectrum.number) for _, spectrum in measured)
    level, limit = (np.full((len(known), size), np.nan) for _ in range(2))
    for i, (_, spectrum) in enumerate(measured):
        n = len(spectrum.number)
        level[i, :n], limit[i, :n] = spectrum.level_db, spectrum.limit_db
    f0 = np.array([rows[k]["f0_hz"] for k in known])
    values = harmonic_measures(level, f0)
    hidden = hidden_by_noise(level, limit, f0, values)
    parts = [
        (rows[k]["onset_s"], *_steady(rows[k]["onset_s"], rows[k]["offset_s"]), rows[k]["cents_sd"]) for k in known
    ]
    own = [spectrum for _, spectrum in measured]
    air, vague = note_noise(signal, parts, own, HIGH_BAND_HZ, quiet, reverb_s)
    count = np.array([len(spectrum.number) for spectrum in own])
    noise, masked = _noise(air, vague, values["level_dbfs"], f0, count)
    values |= noise
    hidden |= masked
    room = quiet.level_db(0.5 * f0, np.full(len(f0), min(TOP_HZ, 0.45 * signal.rate)))
    values["snr_db"] = np.minimum(values["level_dbfs"] - room, _BEST_SNR_DB)
    for i, k in enumerate(known):
        rows[k] |= {name: float(value[i]) for name, value in values.items()}
        rows[k]["flags"] = " ".join([rows[k]["flags"], *_flags(rows[k], [n for n, flag in hidden.items() if flag[i]])])


def _add_attacks(
    signal: Signal, rows: list[Row], spectra: list[Harmonics | None], slurred: Bools, reverb_s: float
) -> None:
    """Add how each note that begins by itself rises, and settles; empty what a room at the beginnings may hide."""
    tongued = [(k, spectrum) for k, spectrum in enumerate(spectra) if spectrum is not None and not slurred[k]]
    known = [k for k, _ in tongued]
    onsets, offsets = ([rows[k][edge] for k in known] for edge in ("onset_s", "offset_s"))
    attack_columns, room = attacks(signal, onsets, offsets, [spectrum for _, spectrum in tongued], reverb_s)
    for k, attack in zip(known, attack_columns, strict=True):
        if room and "cracked" in rows[k]["flags"].split():
            continue  # its own harmonics rise only after the crack
        rows[k] |= attack
    for k in known:
        if np.isnan(rows[k]["attack_ms"]):
            rows[k]["flags"] += " attack_hidden"
    for row, one in zip(rows, spectra, strict=True):
        if room:
            row |= {"transition_ms": np.nan, "flags": f"{row['flags']} {room}"}
        elif one is not None:
            row["settle_ms"] = settle_ms(signal, row["onset_s"], row["offset_s"], one)


def _take_out_cut_off(signal: Signal, rows: list[Row]) -> None:
    """Flag a first note that the file begins in and a last one that it ends in; the beginning of the first is lost."""
    if rows and begins_cut_off(signal, rows[0]["level_dbfs"]):
        rows[0] |= dict.fromkeys(_LOST_WITH_THE_BEGINNING, np.nan) | {"flags": f"{rows[0]['flags']} cut_off"}
    if rows and ends_cut_off(signal, rows[-1]["level_dbfs"]):
        rows[-1]["flags"] += " cut_off"


def _clipped(signal: Signal, rows: list[Row]) -> list[int]:
    """Notes that reach the ceiling of a clipped recording: their harmonics are not the instrument's."""
    if not signal.clipped_fraction > 0:
        return []
    peaks = [signal.highest(*(round(row[edge] * signal.rate) for edge in ("onset_s", "offset_s"))) for row in rows]
    return [k for k, peak in enumerate(peaks) if peak >= _CEILING * signal.peak]


def _noise(
    air: Floats, vague: Bools, level_db: Floats, f0: Floats, harmonics: Ints
) -> tuple[dict[str, Floats], dict[str, Bools]]:
    """hnr_db, noise_low_db and noise_high_db (N,) of `note_noise`, and whether background or echo hides each, or makes
    it vague."""
    low = np.minimum((HIGH_BAND_HZ / f0).astype(int), harmonics)
    there = {"noise_low_db": low > 0, "noise_high_db": harmonics > low, "hnr_db": harmonics > 0}
    noise_db = 10 * np.log10(air)
    values = {name: noise_db[:, k] - level_db for k, name in enumerate(there)}
    hidden = {name: there[name] & vague[:, k] for k, name in enumerate(there)}
    values["hnr_db"] *= -1
    return values, hidden


def _flags(row: Row, hidden: list[str]) -> list[str]:
    words = []
    if np.isnan(row["snr_db"]):
        words.append("no_quiet_part")
    elif row["snr_db"] < _NOISY_DB:
        words.append("noisy")
    if row["cents_sd"] > _UNSTEADY_CENTS:
        words.append("unsteady")
    if np.isnan(row["high_band_db"]):
        words.append("no_high_band")
    if np.isnan(row["tilt_db_per_octave"]):
        words.append("few_harmonics")
    if hidden:
        words.append(f"noise_limited:{','.join(hidden)}")
    return words


def _flag_late(rows: list[Row]) -> None:
    """Flag notes whose attack or settling takes much longer than the take's others."""
    late = np.zeros(len(rows), bool)
    for name in ("attack_ms", "settle_ms", "transition_ms"):
        time = np.array([row[name] for row in rows])
        known = time[np.isfinite(time)]
        if len(known) >= _LEAST_NOTES:
            middle = max(float(np.median(known)), 1.0)
            ratio = np.exp(_LATE_SDS * 1.4826 * np.median(np.abs(np.log(np.maximum(known, 1.0) / middle))))
            late |= time > max(middle * max(ratio, _LATE_RATIO), middle + _LATE_MS)
    for row, flag in zip(rows, late, strict=True):
        row["flags"] = f"{row['flags']} late".strip() if flag else row["flags"].strip()
