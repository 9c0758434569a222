"""Sampled instruments through six recording chains: is what is told of them the instrument's or the chain's?

Six sessions, each with its own chain (`CHAINS`). In each: a reference instrument, one and the same instrument under
another id in every session (`TWIN`), and an instrument of the session's own. Beside them each of the last without any
chain, played without any scatter: what is true of it. Notes are sounding; audio is mono at `RATE`.
"""

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import scipy.signal
import soundfile
from scipy.fft import next_fast_len

from evenbore.files.digest import sha256
from evenbore.notes.chunkfile import write_chunk
from evenbore.notes.collect import LONG, collect
from evenbore.notes.measure import measure_recording
from evenbore.setups.normalise import normalise
from evenbore.setups.profiles import band_profiles
from evenbore.trade.families import load_family
from evenbore.trade.scale import expected_scale
from rendering.render import RATE, find_soundfont, play_soundfont
from rendering.study import PROGRAMS, SOUNDFONT
from synth.room import Chain

FAMILY = "saxophone_alto"  # all are played over its range
REFERENCE, TWIN = "saxophone_alto", "clarinet_b_flat"
OTHERS = ("saxophone_soprano", "saxophone_tenor", "oboe", "cor_anglais", "saxophone_baritone_low_a", "flute")
TAKES = 3
NOISE_DBFS = -75.0  # before the gain, so that a turned-down recording is not a cleaner one
# the player: standard deviations from take to take and from note to note
TAKE_DB, NOTE_DB, TAKE_TILT_DB = 1.0, 0.7, 0.2


@dataclass(frozen=True)
class Setup:
    """A chain, and the frequency (Hz) above which it lets nothing through; 0: no limit."""

    chain: Chain
    low_pass_hz: float = 0.0

    def record(self, sound: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """The sound as this set-up writes it to a file."""
        if self.low_pass_hz:
            edges = scipy.signal.butter(8, self.low_pass_hz, fs=RATE, output="sos")
            sound = scipy.signal.sosfilt(edges, sound)
        return self.chain.record(sound, RATE, rng)


_EQ = ((80.0, -10.0), (250.0, 8.0), (800.0, -8.0), (2500.0, 10.0), (8000.0, -10.0))
_OPPOSITE = tuple((hz, -db) for hz, db in _EQ)


def _chain(seed: int, gain_db: float, **parts) -> Chain:
    return Chain(seed=seed, gain_db=gain_db, noise_dbfs=NOISE_DBFS + gain_db, **parts)


def chains(seed: int) -> dict[str, Setup]:
    """The six chains; `seed` draws their rooms.

    With V in m³ and T in s the sounds of player and room are equally strong at 0.057 √(V / T) m (from memory): at 1 m
    the room is 8 dB down in a hall of 2000 m³ and 1 s; 6 dB down in a living room takes a microphone at half a metre.
    """
    return {
        "equaliser": Setup(_chain(seed, -6.0, eq=_EQ)),
        "low_cut": Setup(_chain(seed + 1, -12.0, low_cut_hz=300.0)),
        "phone": Setup(_chain(seed + 2, -20.0, low_cut_hz=120.0), low_pass_hz=8000.0),
        "living_room": Setup(_chain(seed + 3, 0.0, rt60_s=0.4, reverberant_db=-6.0)),
        "hall": Setup(_chain(seed + 4, -15.0, rt60_s=1.0, reverberant_db=-8.0)),
        "opposite_equaliser": Setup(_chain(seed + 5, -30.0, eq=_OPPOSITE)),
    }


HARD = {
    "living_room": Setup(_chain(30, 0.0, rt60_s=0.4, reverberant_db=0.0)),
    "hall": Setup(_chain(40, -15.0, rt60_s=1.5, reverberant_db=-2.0)),
}
CLEAN = "clean"
CLEAN_SETUP = Setup(_chain(0, 0.0))


def play(sound: str, midis: Iterable[int], rng: np.random.Generator, scatter: float = 1.0) -> np.ndarray:
    """One take of a sampled instrument by a player who never plays twice the same (0: always the same)."""
    lengths = 0.5 * np.exp(rng.normal(0, 0.05, len(midis)))
    starts = 0.7 + np.concatenate([[0.0], np.cumsum(lengths)])
    notes = [(int(midi), on, off - 0.03) for midi, on, off in zip(midis, starts[:-1], starts[1:], strict=True)]
    audio = play_soundfont(find_soundfont(SOUNDFONT), PROGRAMS[sound], notes).astype(float)
    audio = np.pad(audio, (0, next_fast_len(len(audio), real=True) - len(audio)))
    loudness = scatter * (rng.normal(0, TAKE_DB) + rng.normal(0, NOTE_DB, len(notes)))
    time = np.arange(len(audio)) / RATE
    audio *= 10 ** (np.interp(time, starts[:-1] + lengths / 2, loudness) / 20)
    tilt = scatter * rng.normal(0, TAKE_TILT_DB)
    gain = 10 ** (tilt * np.log2(np.maximum(np.fft.rfftfreq(len(audio), 1 / RATE), 50.0) / 500.0) / 20)
    return np.fft.irfft(np.fft.rfft(audio) * gain, len(audio))


def study(
    sessions: Iterable[str], seed: int, scatter: float = 0.0, hard: bool = False, takes: int = TAKES
) -> dict[str, pd.DataFrame]:
    """The tables of recordings, notes, harmonics and bands of the whole study and its clean session.

    `scatter`: of the player, see `play`; 0: the chains alone differ. `hard`: in rooms as strong as the player. `takes`:
    of each instrument in each session but the clean one.
    """
    family = load_family(FAMILY)
    midis = family.to_sounding(expected_scale(family, "chromatic"))
    setups = chains(100 * seed) | (HARD if hard else {})
    sounds = {}
    for number, session in enumerate(sessions):
        sounds[session] = {"reference": REFERENCE, f"twin_{session}": TWIN, f"own_{session}": OTHERS[number]}
    sounds[CLEAN] = {f"own_{session}": OTHERS[number] for number, session in enumerate(sounds)}
    measured = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        for session, members in sounds.items():
            for name, sound in members.items():
                for take in range(1, 2 if session == CLEAN else takes + 1):
                    rng = np.random.default_rng([seed, *map(ord, session + name), take])
                    played = play(sound, midis, rng, scatter * (session != CLEAN))
                    audio = setups.get(session, CLEAN_SETUP).record(played, rng)
                    soundfile.write(path, np.clip(audio, -1, 1), RATE, subtype="PCM_24")
                    measured.append(measure_recording(_row(session, name, take, path)))
                    measured[-1].recording.update(chunk=session, sha256=sha256(path))
        chunk = Path(folder) / "chunk.npz"
        write_chunk(measured, chunk)
        tables = collect([str(chunk)], [one.recording["recording"] for one in measured], {})
        return tables | {table: pd.concat(tables[table]) for table in LONG}


def _row(session: str, name: str, take: int, path: Path) -> dict:
    keys = {"recording": f"{session}-{name}-{take}", "instrument": name, "session": session, "take": take}
    played = {"dynamic": "mf", "articulation": "slurred", "pattern": "chromatic", "direction": "up"}
    blank = dict.fromkeys(("low", "high", "notes", "channel", "start_s", "end_s", "families_dir"))
    return keys | played | blank | {"state": "as_found", "path": str(path), "family": FAMILY, "tuning_hz": 440.0}


def profiles(tables: dict[str, pd.DataFrame], linked: bool) -> pd.DataFrame:
    """Band profiles (instruments x bands, dB); unlinked: as the chains recorded them."""
    if not linked:  # an instrument that goes by another name in every session links nothing
        tables = tables | {
            table: tables[table].assign(instrument=tables[table]["instrument"] + "@" + tables[table]["session"])
            for table in ("recordings", "notes")
        }
    normalised = normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])
    long = band_profiles(normalised, [tables["bands"]])
    wide = long[long["session"].isna()].pivot(index="instrument", columns="band_hz", values="level_db")
    return wide.rename(index=lambda name: name.split("@")[0]) if not linked else wide


def only(tables: dict[str, pd.DataFrame], clean: bool) -> dict[str, pd.DataFrame]:
    """The clean session's tables, or all others'."""
    kept = tables["recordings"][(tables["recordings"]["session"] == CLEAN) == clean]["recording"]
    return {table: frame[frame["recording"].isin(kept)] for table, frame in tables.items()}


def compare(tables: dict[str, pd.DataFrame]) -> dict[str, list]:
    """What the campaign asks, pair by pair.

    `raw_db`, `normalised_db`: RMS difference of the level-centred profiles of one instrument recorded through two
    chains. `true_db`, `found_db`: differences, true and found, of two instruments recorded through two chains, over the
    bands that all four profiles hold, each pair level-centred; `correlation`, `slope` of these, pair by pair.
    """
    played, true = only(tables, clean=False), profiles(only(tables, clean=True), linked=True)
    raw, flat = profiles(played, linked=False), profiles(played, linked=True)
    twins = sorted(name for name in flat.index if name.startswith("twin_"))
    own = sorted(name for name in flat.index if name.startswith("own_"))
    keys = ("raw_db", "normalised_db", "correlation", "slope", "true_db", "found_db")
    found: dict[str, list] = {key: [] for key in keys}
    for a, b in combinations(twins, 2):
        found["raw_db"].append(_rms(_difference(raw, a, b)))
        found["normalised_db"].append(_rms(_difference(flat, a, b)))
    for a, b in combinations(own, 2):
        expected, got = _difference(true, a, b), _difference(flat, a, b)
        shared = expected.index.intersection(got.index)
        expected, got = expected[shared] - expected[shared].mean(), got[shared] - got[shared].mean()
        found["correlation"].append(float(np.corrcoef(expected, got)[0, 1]))
        found["slope"].append(float(np.polyfit(expected, got, 1)[0]))
        found["true_db"] += expected.tolist()
        found["found_db"] += got.tolist()
    return found


def _difference(wide: pd.DataFrame, a: str, b: str) -> pd.Series:
    gap = (wide.loc[a] - wide.loc[b]).dropna()
    return gap - gap.mean()


def _rms(values: pd.Series) -> float:
    return float(np.sqrt((values**2).mean()))
