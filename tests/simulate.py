"""Whole studies at table level, with known truth, for tests and for judging the methods.

No sound is made: the tables that measuring would give are drawn from a plain model,

    harmonic level = instrument(note, harmonic) + chain(session, frequency) + room(session, note, harmonic)
                     + take loudness + noise,
    cents          = instrument offset + instrument scale(note) + session + own day + take offset + noise,

so that every later stage can be checked against what went in, in milliseconds per study.
Levels are in dB, `midi` is the sounding note. All instruments are of one family. Note numbers are inclusive.
"""

from collections.abc import Callable, Mapping, Sequence
from itertools import product

import numpy as np
import pandas as pd

from evenbore.facts.measures import harmonic_measures
from evenbore.trade.pitch import midi_to_note

BAND_HZ = 1000.0 * 10.0 ** (np.arange(-14, 12) / 10.0)  # one-third octaves, IEC 61260-1 exact mid-bands
_NOT_SIMULATED = ("noise_low_db", "log_attack", "overshoot_db", "settle_ms", "transition_ms")
DYNAMIC_DB = {"pp": -15.0, "p": -9.0, "mp": -4.0, "mf": 0.0, "f": 5.0, "ff": 9.0}
# ASSUME: of the same order as a good player's take-to-take scatter; simulated truth, not a claim
TAKE_SD = {"cents": 1.5, "note_cents": 2.0, "level_db": 0.8, "tilt_db": 0.2, "harmonic_db": 0.7, "attack": 0.1}
# ASSUME: spread between instruments of one kind; "tilt_db" is dB per octave above the fundamental
INSTRUMENT_SD = {
    "offset_cents": 6.0,
    "scale_cents": 6.0,
    "level_db": 1.0,
    "tilt_db": 0.5,
    "note_level_db": 0.8,
    "note_tilt_db": 0.4,
    "hnr_db": 1.5,
    "attack": 0.15,
    "range": 0.0,
    "drift_cents": 0.0,
}
# what a session adds to all its instruments alike, and what a day adds to one instrument alone; none by default
DAY_SD = {"cents": 0.0, "hnr_db": 0.0, "attack_ms": 0.0, "level_db": 0.0, "tilt_db": 0.0}


def random_chain(rng: np.random.Generator, gain_sd_db: float = 6.0, eq_sd_db: float = 3.0) -> Callable:
    """A smooth random response over log frequency: gain, tilt and two waves; frequency (Hz) -> dB."""
    gain, tilt = rng.normal(0, gain_sd_db), rng.normal(0, eq_sd_db / 3)
    waves = rng.normal(0, eq_sd_db, 2)
    periods, phases = rng.uniform(2.5, 5.0, 2), rng.uniform(0, 2 * np.pi, 2)

    def response(frequency_hz):
        octaves = np.log2(np.asarray(frequency_hz, float) / 1000.0)
        swing = sum(w * np.sin(2 * np.pi * octaves / p + q) for w, p, q in zip(waves, periods, phases, strict=True))
        return gain + tilt * octaves + swing

    return response


def study_tables(
    layout: Mapping[str, Sequence[str]],
    *,
    takes: int | Mapping[str, int] = 3,
    dynamics: Sequence[str] = ("mf",),
    directions: Sequence[str] = ("up",),
    articulation: str = "slurred",
    family: str = "saxophone_alto",
    transposition: int = -9,
    written: tuple[int, int] = (58, 89),
    n_harmonics: int = 16,
    chains: Mapping[str, Callable] | None = None,
    room_db: float = 0.0,
    noise_floor_db: float = -95.0,
    twins: Mapping[str, str] | None = None,
    extra_cents: Mapping[tuple[str, int], float] | None = None,
    extra_tilt_db: Mapping[tuple[str, int], float] | None = None,
    states: Mapping[str, str] | None = None,
    take_sd: Mapping[str, float] | None = None,
    instrument_sd: Mapping[str, float] | None = None,
    session_sd: Mapping[str, float] | None = None,
    day_sd: Mapping[str, float] | None = None,
    prices: Mapping[str, float] | None = None,
    seed: int = 1,
) -> dict:
    """Draw one study.

    Parameters
    ----------
    layout : session -> instruments recorded in it; an instrument in two sessions links them.
    takes : takes per instrument, session, dynamic and direction (one number, or one per instrument).
    transposition : sounding minus written note number (-9 for an alto saxophone).
    chains : session -> function frequency (Hz) -> dB; sessions left out get `random_chain`.
    room_db : SD of the room's effect on single harmonics of single notes, the same in a whole session.
    twins : instrument -> the instrument that it is an exact copy of.
    extra_cents, extra_tilt_db : (instrument, written note) -> added cents / added dB per octave above the
        fundamental (negative: duller).
    states : session -> state of all instruments in it (default as_found).
    take_sd, instrument_sd : replace entries of TAKE_SD and INSTRUMENT_SD; "range" is the spread of how far an
        instrument goes with the player's dynamics, "drift_cents" of its pitch change per 10 dB of them.
    session_sd, day_sd : replace entries of DAY_SD, for what a session adds to all its instruments and for what a day
        adds to each of them.

    Returns
    -------
    dict with the frames `recordings`, `notes`, `harmonics`, `bands` (columns as in `columns.TABLES`),
    the sheet-like frames `instruments` and `sessions`, and `truth`: a dict with `chain`
    (session -> function), `session` (session -> what it adds, keys of DAY_SD),
    `room` (session -> notes x harmonics, dB), `makes` (instrument -> its own `hnr`
    (dB), `attack` (ms), `range`, `drift`), `offset_cents` (instrument -> median over notes of the true cents), `cents`
    (instrument -> array over notes), `level_db` (instrument -> notes x harmonics at mf, without any chain),
    `frequency_hz` (notes x harmonics at A4 = 440 Hz) and `midi` (notes).
    """
    rng = np.random.default_rng(seed)
    scatter = {**TAKE_SD, **(take_sd or {})}
    spread = {**INSTRUMENT_SD, **(instrument_sd or {})}
    written_midi = np.arange(written[0], written[1] + 1)
    midi = written_midi + transposition
    order = np.arange(1, n_harmonics + 1)
    octave = np.log2(order)[None, :]
    nominal_hz = 440.0 * 2.0 ** ((midi - 69) / 12)

    names = list(dict.fromkeys(name for members in layout.values() for name in members))
    makes = {name: _instrument(rng, spread, written_midi, octave) for name in names}
    for copy, original in (twins or {}).items():
        makes[copy] = makes[original]
    makes = {name: dict(make, cents=make["cents"].copy(), level=make["level"].copy()) for name, make in makes.items()}
    for (name, note), cents in (extra_cents or {}).items():
        makes[name]["cents"][note - written[0]] += cents
    for (name, note), tilt in (extra_tilt_db or {}).items():
        makes[name]["level"][note - written[0]] += tilt * octave[0]

    chain = {session: random_chain(rng) for session in layout} | dict(chains or {})
    room = {session: rng.normal(0, room_db, (midi.size, n_harmonics)) for session in layout}
    days = np.random.default_rng([seed, 1])  # draws of their own: a study with days is the one without, and more
    added = {session: _day(days, session_sd) for session in layout}

    keys, played = [], []
    for session, members in layout.items():
        for name in members:
            n_takes = takes if isinstance(takes, int) else takes[name]
            own = _day(days, day_sd)
            day = {part: added[session][part] + own[part] for part in DAY_SD}
            for dynamic, direction, take in product(dynamics, directions, range(1, n_takes + 1)):
                keys.append(
                    {
                        "recording": f"{session}_{name}_{dynamic}_{direction}_{take}",
                        "instrument": name,
                        "session": session,
                        "take": take,
                        "dynamic": dynamic,
                        "articulation": articulation,
                        "direction": direction,
                        "state": (states or {}).get(session, "as_found"),
                    }
                )
                played.append(
                    _take(rng, makes[name], scatter, day, DYNAMIC_DB[dynamic], nominal_hz, octave, chain[session],
                          room[session])
                )  # fmt: skip

    prices = prices or {}
    return {
        **_tables(keys, played, written_midi, midi, noise_floor_db),
        "instruments": pd.DataFrame(
            {"instrument": names, "label": names, "family": family, "price": [prices.get(n) for n in names]}
        ),
        "sessions": pd.DataFrame({"session": list(layout), "tuning_hz": 440.0}),
        "truth": {
            "chain": chain,
            "session": added,
            "room": room,
            "makes": {
                name: {part: make[part] for part in ("hnr", "attack", "range", "drift")} for name, make in makes.items()
            },
            "offset_cents": {name: float(np.median(makes[name]["cents"])) for name in names},
            "cents": {name: makes[name]["cents"] for name in names},
            "level_db": {name: makes[name]["level"] for name in names},
            "frequency_hz": nominal_hz[:, None] * order[None, :],
            "midi": midi,
        },
    }


def _instrument(rng, spread, written_midi, octave):
    """One instrument's truth: cents (N,), level (N, H) at mf, noise, attack and answer to dynamics."""
    n = written_midi.size
    tilt = -6.0 + rng.normal(0, spread["tilt_db"]) + rng.normal(0, spread["note_tilt_db"], (n, 1))
    loudness = -24.0 + rng.normal(0, spread["level_db"]) + rng.normal(0, spread["note_level_db"], (n, 1))
    make = {
        "cents": rng.normal(0, spread["offset_cents"]) + rng.normal(0, spread["scale_cents"], n),
        "level": loudness + tilt * octave,
        "hnr": 25.0 + rng.normal(0, spread["hnr_db"]),
        "attack": 40.0 * np.exp(rng.normal(0, spread["attack"])),
    }
    own = np.random.default_rng(rng.bit_generator.seed_seq.spawn(1)[0])  # leaves the other draws as they were
    return make | {"range": 1 + own.normal(0, spread["range"]), "drift": own.normal(0, spread["drift_cents"])}


def _day(rng, sd: Mapping[str, float] | None) -> dict[str, float]:
    """What one day adds, by the keys of DAY_SD."""
    return {part: float(rng.normal(0, spread)) for part, spread in {**DAY_SD, **(sd or {})}.items()}


def _take(rng, make, scatter, day, push_db, nominal_hz, octave, chain, room):
    """One take: cents (N,), frequency (N, H), level (N, H) at the microphone, noise (N,) and attack (N,)."""
    n, h = room.shape
    push = push_db * make["range"]
    cents = make["cents"] + rng.normal(0, scatter["cents"]) + rng.normal(0, scatter["note_cents"], n)
    cents = cents + day["cents"] + make["drift"] * push / 10
    frequency = nominal_hz[:, None] * 2.0 ** (cents[:, None] / 1200) * np.arange(1, h + 1)
    # ASSUME: each 10 dB of loudness brightens the spectrum by 1.5 dB per octave
    played = make["level"] + push + 0.15 * push * octave + day["level_db"] + day["tilt_db"] * octave
    played = played + rng.normal(0, scatter["level_db"]) + rng.normal(0, scatter["tilt_db"]) * octave
    level = played + rng.normal(0, scatter["harmonic_db"], (n, h)) + chain(frequency) + room
    hnr = make["hnr"] + rng.normal(0, 0.5) + rng.normal(0, 0.5, n) + day["hnr_db"]
    attack = make["attack"] * np.exp(rng.normal(0, scatter["attack"]) + rng.normal(0, scatter["attack"], n))
    return cents, frequency, level, hnr, np.maximum(attack + day["attack_ms"], 1.0)


def _tables(keys, played, written_midi, midi, noise_floor_db) -> dict[str, pd.DataFrame]:
    """The tables of recordings, notes, harmonics and bands of takes with these keys; see `_take`."""
    cents, frequency, level, hnr, attack = (np.array(part) for part in zip(*played, strict=True))
    takes, n, h = level.shape
    above = level - noise_floor_db
    # a harmonic under the noise cannot be measured
    level = np.where(above > 0, level, np.nan)
    down = np.array([key["direction"] == "down" for key in keys])
    steps = np.where(down[:, None], np.arange(n)[::-1], np.arange(n))
    power = np.nan_to_num(10 ** (level / 10))
    with np.errstate(divide="ignore"):
        total = 10 * np.log10(power.sum(axis=2))
    flat = level.reshape(takes * n, h)
    sheet = pd.DataFrame(keys)
    notes = sheet.loc[np.repeat(np.arange(takes), n)].reset_index(drop=True)
    notes = notes.assign(
        **{
            "step": steps.ravel(),
            "written_note": np.tile([midi_to_note(int(note)) for note in written_midi], takes),
            "midi": np.tile(midi, takes),
            "onset_s": 1.0 * steps.ravel(),
            "offset_s": 1.0 * steps.ravel() + 0.9,
            "confidence": 1.0,
            "f0_hz": frequency[:, :, 0].ravel(),
            "f0_se_cents": 0.2,
            "cents": cents.ravel(),
            "cents_sd": 1.0,
            "cents_drift": 0.0,
            **harmonic_measures(flat, frequency[:, :, 0].ravel()),
            "hnr_db": hnr.ravel(),
            "noise_high_db": -hnr.ravel(),
            "attack_ms": attack.ravel(),
            **dict.fromkeys(_NOT_SIMULATED, np.nan),
            "snr_db": total.ravel() - noise_floor_db,
            "flags": "",
        }
    )
    order = np.argsort(np.arange(takes)[:, None] * n + steps, axis=None)
    recording = sheet["recording"].to_numpy()
    harmonics = pd.DataFrame(
        {
            "recording": np.repeat(recording, n * h),
            "step": np.repeat(steps, h),
            "harmonic": np.tile(np.arange(1, h + 1), takes * n),
            "frequency_hz": frequency.ravel(),
            "level_db": level.ravel(),
            "above_noise_db": above.ravel(),
        }
    )
    recordings = sheet.assign(
        status="ok",
        reason="",
        duration_s=float(n),
        sample_rate_hz=48000,
        snr_db=np.median(total - noise_floor_db, axis=1),
        clipped_fraction=0.0,
        notes_expected=n,
        notes_found=n,
        chunk=sheet["session"] + "--" + sheet["instrument"],
        offset_cents=np.median(cents, axis=1),
    )
    return {
        "recordings": recordings,
        "notes": notes.iloc[order].reset_index(drop=True),
        "harmonics": harmonics.dropna(subset="level_db", ignore_index=True),
        "bands": _bands(recording, steps, frequency, power, noise_floor_db),
    }


def _bands(recording, steps, frequency, power, noise_floor_db):
    """Power sum of the harmonics in each one-third octave, over a flat noise floor per band."""
    takes, n, _ = power.shape
    index = np.rint(10 * np.log10(frequency / BAND_HZ[0])).astype(int)
    inside = (index >= 0) & (index < BAND_HZ.size)
    rows = np.broadcast_to(np.arange(takes * n).reshape(takes, n, 1), index.shape)
    place = (rows * BAND_HZ.size + index)[inside]
    sums = np.bincount(place, power[inside], takes * n * BAND_HZ.size)
    level_db = 10 * np.log10(sums + 10 ** (noise_floor_db / 10))
    return pd.DataFrame(
        {
            "recording": np.repeat(recording, n * BAND_HZ.size),
            "step": np.repeat(steps, BAND_HZ.size),
            "band_hz": np.tile(BAND_HZ, takes * n),
            "level_db": level_db,
            "above_noise_db": level_db - noise_floor_db,
        }
    )
