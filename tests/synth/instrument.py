"""Instruments that do not exist: what each written note sounds like, and what is wrong with it.

A model is a pure function from written note and loudness to harmonic levels, pitch, attack and air noise.
The shapes follow the acoustics that players' handbooks tell (full series on conical bores, weak even harmonics
below the clarinet's tone-hole cutoff, brightness rising with loudness); the numbers are set by hand and marked
ASSUME: simulated truth, not claims about real instruments. Notes are WRITTEN midi numbers, levels dB,
pitch cents, frequencies Hz, times seconds. Loudness is dB relative to mezzo-forte.
"""

from dataclasses import dataclass, field, replace
from typing import Any
from zlib import crc32

import numpy as np

from evenbore.facts.arrays import Floats
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_hz

HARMONICS = 80
DYNAMIC_DB = {"pp": -13.0, "p": -8.0, "mp": -4.0, "mf": 0.0, "f": 6.0, "ff": 11.0}


@dataclass(frozen=True)
class Voice:
    """Tone colour of a kind of instrument at mezzo-forte.

    `cutoff_hz` of the radiating holes or bell, beyond which levels fall by 6 * `order` dB per octave; `slope_db`
    per octave of harmonic number; `even_db` of the even harmonics far below the cutoff; a formant;
    `breath_db` of the air noise relative to the tone.
    """

    cutoff_hz: float
    order: float = 2.0
    slope_db: float = -1.5
    even_db: float = 0.0
    formant_hz: float = 1000.0
    formant_db: float = 0.0
    fundamental_db: float = 0.0
    breath_db: float = -42.0


# ASSUME: cutoffs near those usually quoted for these kinds (Benade's, from memory), the rest set by ear and eye.
VOICES = {
    "clarinet": Voice(1500, even_db=-30, slope_db=-2.0),
    "clarinet_low": Voice(800, even_db=-30, slope_db=-2.0),
    "saxophone_soprano": Voice(1340),
    "saxophone_alto": Voice(850, fundamental_db=-2),
    "saxophone_tenor": Voice(760, fundamental_db=-3),
    "saxophone_baritone": Voice(500, fundamental_db=-6),
    "piccolo": Voice(3500, slope_db=-7, breath_db=-30),
    "flute": Voice(2000, slope_db=-6, breath_db=-30),
    "oboe": Voice(1500, fundamental_db=-8, formant_hz=1100, formant_db=8),
    "cor_anglais": Voice(1100, fundamental_db=-8, formant_hz=900, formant_db=8),
    "bassoon": Voice(450, order=1.6, fundamental_db=-10, formant_hz=480, formant_db=10),
    "brass": Voice(1100, order=2.5, slope_db=-1.0),
    "brass_low": Voice(550, order=2.5, slope_db=-1.0),
}
VOICE_OF = (
    ("clarinet_bass", "clarinet_low"),
    ("clarinet_contra", "clarinet_low"),
    ("contrabassoon", "bassoon"),
    ("trumpet", "brass"),
    ("trombone", "brass_low"),
    ("horn", "brass_low"),
    ("euphonium", "brass_low"),
    ("tuba", "brass_low"),
)


def voice_of(family_key: str) -> Voice:
    """The voice for a family key, found by how the key begins."""
    for start, name in (*VOICE_OF, *((name, name) for name in VOICES)):
        if family_key.startswith(start):
            return VOICES[name]
    return Voice(1000)


# Bore -> (mode of the overblown register; mode of what lies above it, and how far above the first register).
OVERBLOWN_MODE = {"cylinder_closed": 3, "cone": 2, "cylinder_open": 2}
TOP_MODE = {"cylinder_closed": (5, 28), "cone": (2, 12), "cylinder_open": (3, 19)}


def column(family: Family, written: int) -> tuple[int, int]:
    """First-register note that shares the air column with `written`, and the mode of that column it uses."""
    register = family.register_of(written)
    if family.bore not in OVERBLOWN_MODE or register is None:
        return written, 1
    if register.overblown:
        return written - family.overblow, OVERBLOWN_MODE[family.bore]
    first_overblown = min((r.low for r in family.registers if r.overblown), default=written + 1)
    if written < first_overblown:
        return written, 1
    mode, above = TOP_MODE[family.bore]
    return written - above, mode


@dataclass(frozen=True)
class Leak:
    """A pad that leaks, at the hole that is the first open one of first-register note `hole`.

    `size` 1 is the pattern modelled for a 1.1 mm leak on a B flat clarinet at mezzo-forte (a wider bore needs a
    wider leak for the same); 0.3 is about 0.6 mm.
    """

    hole: int
    size: float = 1.0


@dataclass(frozen=True)
class StickyVent:
    """A register or octave vent that opens late or not at all for written notes from `low` to `high`."""

    low: int
    high: int
    flat_cents: float = 12.0
    dull_db_per_octave: float = 2.5
    crack_chance: float = 0.35
    slow_s: float = 0.05


def leak_loss_db(hole: int, note: int, mode: int, bore: str, harmonics: int = HARMONICS) -> Floats:
    """Loss (H,) in dB >= 0 of each harmonic of a note through a leak of size 1 at mezzo-forte.

    `note` is the first-register note of the column. With d the distance of the leak above the first open hole
    as a share of the column, d = 1 - 2^(-(hole - note) / 12), tube mode m has the pressure sin(m pi d / 2)
    there on a closed cylinder and sin(m pi d) on a cone (apex cut off and mouthpiece in its place ignored).
    A harmonic's loss follows the square of that, held after its first maximum except for the fundamental
    of overblown notes; and all upper harmonics lose with the first mode, since a weaker fundamental
    drives the reed less. The amounts are set so that on a B flat clarinet level and high band come out near
    the figures of a tube-and-reed model (see the tests). Notes at or above the hole lose nothing.
    """
    if note >= hole:
        return np.zeros(harmonics)
    d = 1 - 2.0 ** (-(hole - note) / 12)
    quarter = np.pi / 2 if bore == "cylinder_closed" else np.pi
    h = np.arange(1, harmonics + 1)
    held = np.sin(np.minimum(h * mode * quarter * d, np.pi / 2)) ** 2
    if mode > 1:
        held[0] = np.sin(mode * quarter * d) ** 2
    follows = (1 - 1 / h) ** 2
    first = np.sin(min(quarter * d, np.pi / 2)) ** 2 if mode == 1 else held[0]
    fall: Floats = (4 + 5 * follows) * held + 14 * follows * first
    return fall


def leak_share(loudness_db: float) -> float:
    """How much of a leak's mezzo-forte effect shows at a loudness: more when soft, little when loud."""
    return float(np.interp(loudness_db, [-10, 0, 8], [1.6, 1.0, 0.2]))


@dataclass(frozen=True)
class Sound:
    """What the instrument gives for one note, before the player's own variation."""

    cents: float
    levels_db: Floats
    attack_s: float
    breath_db: float
    crack_chance: float


@dataclass(frozen=True)
class InstrumentModel:
    """One instrument of a family.

    `cents`, `level_db` and `tilt_db` (dB per octave above the fundamental) hold the deviation of each written
    note; `colour_db` (notes, H) a small fingerprint of each note's harmonics, row 0 being the family's lowest
    note. `brightness_db` per octave and `offset_cents` hold for all notes; `cents_per_db` is how pitch follows
    loudness.
    """

    family: Family
    voice: Voice
    cents: dict[int, float]
    level_db: dict[int, float]
    tilt_db: dict[int, float]
    colour_db: dict[int, Floats]
    offset_cents: float = 0.0
    brightness_db: float = 0.0
    noise_db: float = 0.0
    attack_s: float = 0.03
    cents_per_db: float = -0.6
    faults: tuple[Leak | StickyVent, ...] = field(default=())

    def sound(self, written: int, loudness_db: float = 0.0, tuning_hz: float = 440.0) -> Sound:
        """The note's sound at a loudness: levels (H,) with the whole tone's power near -20 dB at mezzo-forte."""
        f0 = midi_to_hz(self.family.to_sounding(written), tuning_hz)
        h = np.arange(1, HARMONICS + 1)
        octaves = np.log2(h)
        levels = envelope_db(self.voice, f0)
        levels += (self.tilt_db[written] + self.brightness_db + 0.2 * loudness_db) * np.minimum(octaves, 4)
        levels += self.colour_db[written]
        levels += -20 + self.level_db[written] - 10 * np.log10(np.sum(0.5 * 10 ** (levels / 10)))
        levels += loudness_db
        note, mode = column(self.family, written)
        cents = self.offset_cents + self.cents[written] + self.cents_per_db * loudness_db
        attack, crack = self.attack_s * (1.6 if note - self.family.low < 5 and mode == 1 else 1.0), 0.0
        for fault in self.faults:
            if isinstance(fault, Leak):
                share = fault.size * leak_share(loudness_db)
                loss = leak_loss_db(fault.hole, note, mode, self.family.bore)
                levels -= share * loss
                cents += 1.5 * share * loss[0]
                # 90 % rise of the modelled clarinet: +1.5 ms one semitone below, +21 ms at four to five.
                below = fault.hole - note
                attack += share * float(np.interp(below, [0, 1, 4.5, 8, 16], [0, 1.5, 21, 60, 140])) / 1000
            elif fault.low <= written <= fault.high:
                levels -= fault.dull_db_per_octave * np.minimum(octaves, 4)
                cents -= fault.flat_cents
                attack += fault.slow_s
                crack = fault.crack_chance
        breath = -20 + self.voice.breath_db + self.noise_db + 0.6 * loudness_db
        return Sound(cents, levels, attack, breath, crack)

    def changed(self, **fields: Any) -> "InstrumentModel":
        """The same instrument with some fields changed (a brighter one, a faulty one)."""
        return replace(self, **fields)


def envelope_db(voice: Voice, f0_hz: float) -> Floats:
    """Harmonic levels (H,) in dB of a voice at mezzo-forte for a note of that pitch, up to a constant."""
    h = np.arange(1, HARMONICS + 1)
    f = h * f0_hz
    levels: Floats = -10 * np.log10(1 + (f / voice.cutoff_hz) ** (2 * voice.order)) + voice.slope_db * np.log2(h)
    levels += voice.formant_db * np.exp(-0.5 * (np.log2(f / voice.formant_hz) / 0.5) ** 2)
    levels[1::2] += voice.even_db * np.clip(1 - f[1::2] / voice.cutoff_hz, 0, 1)
    levels[0] += voice.fundamental_db
    return levels


def stream(*names: int | str) -> np.random.Generator:
    """A random stream of its own for each combination of seed and names, the same on every machine."""
    return np.random.default_rng([n if isinstance(n, int) else crc32(n.encode()) for n in names])


def make_instrument(
    family: Family, seed: int, name: str, intonation_sd: float = 6.0, level_sd: float = 1.0, tilt_sd: float = 0.5,
    colour_sd: float = 1.0, **fields: Any,
) -> InstrumentModel:  # fmt: skip
    """An instrument drawn at random; `name` draws its own deviations, the family its common design.

    All instruments of a family share a design (SD 3 cents, 1 dB, 0.4 dB per octave) beside their own
    deviations, whose spreads the arguments give (`intonation_sd` exactly, mean 0; the others in expectation).
    `fields` are further fields of `InstrumentModel`.
    """
    notes = range(family.low, family.usual_top + 1)
    design, single = stream(seed, family.key, "design"), stream(seed, family.key, name)

    def spread(rng: np.random.Generator, sd: float) -> Floats:
        # Neighbouring notes share holes and bore: half of the variance is smooth over the scale.
        rough = rng.standard_normal(len(notes))
        smooth = np.convolve(rng.standard_normal(len(notes) + 6), np.hanning(9)[1:-1], "valid")
        mixed = rough / np.std(rough) + smooth / np.std(smooth)
        mixed -= mixed.mean()
        scaled: Floats = sd * mixed / np.std(mixed)
        return scaled

    cents = spread(design, 3.0) + spread(single, 1.0) * intonation_sd
    cents = (cents - cents.mean()) / np.std(cents) * intonation_sd
    level = spread(design, 1.0) + spread(single, level_sd)
    tilt = spread(design, 0.4) + spread(single, tilt_sd)
    colour = design.normal(0, 1.0, (len(notes), HARMONICS)) + single.normal(0, colour_sd, (len(notes), HARMONICS))
    return InstrumentModel(
        family=family,
        voice=fields.pop("voice", voice_of(family.key)),
        cents=dict(zip(notes, cents.tolist(), strict=True)),
        level_db=dict(zip(notes, level.tolist(), strict=True)),
        tilt_db=dict(zip(notes, tilt.tolist(), strict=True)),
        colour_db=dict(zip(notes, colour, strict=True)),
        **fields,
    )
