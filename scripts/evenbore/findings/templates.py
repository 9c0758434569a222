"""What faults look like over a scale: dullness per note, between 0 (clean) and 1, positive = duller.

Notes are WRITTEN midi numbers. A leak at the hole that first opens for note `hole` leaves every note fingered at
or above it clean. For a note fingered below it, d = 1 - 2^(-(hole - fingered) / 12) is how far up its sounding
column the leak lies, from the open end. A tube mode m has pressure sin(m q d) there, q = pi/2 for a cylinder closed
at the reed, pi for an open one; a cone has the harmonic series of an open cylinder and is taken like one (the cut-off
tip and the mouthpiece in its place ignored). What a mode loses follows the square of its pressure. Upper harmonics
see a leak at once and keep losing, so their share is held after its first maximum.

ASSUME: the weights of the modes. Three shapes bound what is uncertain: "gradual" puts most weight on the lowest modes,
"prompt" follows what a tube-and-reed model of a B flat clarinet with a leak of 1.1 mm gives for the energy above
2 kHz (a model, not measurements of instruments), in "sudden" the highest harmonics weigh most. In the overblown
register the effect may be as strong or weaker.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenbore.facts.arrays import Floats, Ints
from evenbore.findings.bench import Learned
from evenbore.findings.references import shared
from evenbore.trade.families import Family
from evenbore.trade.pitch import midi_to_hz

# weights of the 1st, 2nd, 3rd, 5th and 8th mode of the tube in the first register
SHAPES = {
    "gradual": (0.40, 0.30, 0.30, 0.00, 0.00),
    "prompt": (0.30, 0.15, 0.10, 0.10, 0.35),
    "sudden": (0.15, 0.10, 0.05, 0.10, 0.60),
}
MODE_NUMBERS = (1, 2, 3, 5, 8)
# share of the overblown register's own lowest mode, not held; the rest goes with three times that mode
LOWEST_SHARE = {"gradual": 0.75, "prompt": 0.5, "sudden": 0.25}
UPPER_STRENGTH = (1.0, 0.6)
# ASSUME: a leak by the formula is so much less probable than one by the bench, where there is that; own choice, no
# source. Its smooth shapes also fit what soft blowing does where soft notes hardly speak.
FORMULA_SHARE = 0.1
# ASSUME: a reed or a breath that is weak on high notes alone, against all others; own choice, no source. Soft players
# of the bench dull an upper register, or its top, more evenly than any of the examples that it taught.
WEAK_SHARE = 0.1
MIN_DULL_RUN = 4  # notes a run needs
NEGLIGIBLE = 0.05  # of an effect's peak
HEARD_HZ = 2500.0  # about where dullness is heard


@dataclass(frozen=True)
class Template:
    """One alternative: `kind` leak, step, run, vent, reed, fingering or note; `shape` (N,).

    `place`: the hole's note for a leak, the highest fingered note for a step, the vent's or register's name, else None.
    `first`, `last`: indices of the lowest and highest note concerned. `share`: how much of its kind's prior
    probability it has, against others. Where the bench tells it: `size`, that of `shape` in standard deviations of
    healthy notes; `pitch`, what it does to pitch; at each dynamic (D, N) `speaks`, with what probability notes sound,
    and `effect`, how dull they are, in these standard deviations."""

    kind: str
    shape: Floats
    place: int | str | None
    first: int
    last: int
    share: float = 1.0
    size: float | None = None
    pitch: "Template | None" = None
    speaks: Floats | None = None
    effect: Floats | None = None


def columns(family: Family, written: Ints) -> tuple[Ints, Ints]:
    """Fingered first-register note and tube mode (1, or 3 and 2 when overblown) of notes; mode 0: neither of both."""
    lows = [register.low for register in family.registers if register.overblown]
    first_overblown = min(lows, default=np.inf)
    fingered, mode = written.copy(), np.zeros(len(written), int)
    for i, note in enumerate(written):
        register = family.register_of(int(note))
        if register is None:
            continue
        if register.overblown:
            fingered[i], mode[i] = note - family.overblow, 3 if family.bore == "cylinder_closed" else 2
        elif note < first_overblown:
            mode[i] = 1
    return fingered, mode


def leak(family: Family, hole: int, fingered: Ints, mode: Ints, shape: str, upper: float) -> Floats:
    """Dullness (N,) of notes through a leak at the hole that first opens for `hole`; see the module."""
    d = 1 - 2.0 ** (-np.maximum(hole - fingered, 0) / 12.0)
    closed = family.bore == "cylinder_closed"
    quarter = np.pi / 2 if closed else np.pi
    number = np.array(MODE_NUMBERS)
    first = held((2 * number - 1 if closed else number)[:, None], quarter, d)
    weights = np.array(SHAPES[shape])
    m, share = (3 if closed else 2), LOWEST_SHARE[shape]
    second = share * np.sin(m * quarter * d) ** 2 + (1 - share) * held(3 * m, quarter, d)
    return np.where(mode == 1, weights @ first, np.where(mode > 1, upper * second, 0.0))


def held(m: int | Ints, quarter: float, d: Floats) -> Floats:
    """sin²(m q d), held at 1 after its first maximum."""
    pressure: Floats = np.sin(np.minimum(m * quarter * d, np.pi / 2))
    return pressure**2


def templates(family: Family, written: Ints, taught: Sequence[Template] = ()) -> list[Template]:
    """All alternatives to "nothing" for a scale of `written` notes (N,), ascending: leaks by the module's formula, the
    other causes, and what is `taught` by the bench."""
    fingered, mode = columns(family, written)
    share = FORMULA_SHARE if any(template.kind == "leak" for template in taught) else 1.0
    others = [*_others(family, written, fingered, mode), *taught]
    reeds = sum(template.kind == "reed" for template in others)
    return [*_leaks(family, fingered, mode, share), *others, *_weak_above(mode, WEAK_SHARE * reeds)]


def learned_templates(
    family: Family, written: Ints, known: Learned, per_db: Floats, per_cent: Floats
) -> list[Template]:
    """Leaks, tired reeds and soft blowing as the bench knows them.

    `per_db` (M, N), `per_cent` (N,): standard deviations of healthy notes to a decibel of each measure and to a cent.
    """
    fingered, mode = columns(family, written)
    out = []
    for hole, level, cents, speaks in zip(known.hole.tolist(), known.level, known.cents, known.speaks, strict=True):
        below = np.flatnonzero((mode == 1) & (fingered < hole))
        if hole and len(below) < MIN_DULL_RUN:
            continue
        where = ("leak", hole, below[0], below[-1]) if hole else ("reed", None, 0, len(written) - 1)
        each = (level * per_db).sum(axis=1)
        # a reed's or breath's effect is known against the rest of a take, a leak's against the notes that it spares
        whole = np.zeros((1, 1)) if hole else np.median(each, axis=1, keepdims=True)
        one = _scaled(shared(each - whole, np.ones(each.shape[1])) + whole.mean(), *where)
        out.append(replace(one, pitch=_scaled(cents * per_cent, *where), speaks=speaks, effect=each))
    return out


def _scaled(effect: Floats, kind: str, place: int | None, first: int, last: int) -> Template:
    """Of an effect (N,) in standard deviations, next to nothing left out."""
    effect = np.nan_to_num(effect)
    size = max(float(effect.max()), 1e-9)
    shape = np.where(np.abs(effect) < NEGLIGIBLE * size, 0.0, np.maximum(effect / size, -1))
    return Template(kind, shape, place, first, last, size=size)


def _others(family: Family, written: Ints, fingered: Ints, mode: Ints) -> list[Template]:
    # a reed weakens upper harmonics throughout: low notes, with more of them below HEARD_HZ, are the duller ones
    octaves = np.clip(np.log2(HEARD_HZ / midi_to_hz(family.to_sounding(written))), 0.0, 4.0)
    return [
        *_steps(family, fingered, mode),
        *_vents(family, written, mode),
        *_runs(written, mode),
        Template("reed", octaves / max(octaves.max(), 1e-9), None, 0, len(written) - 1),
        *_fingerings(fingered, mode),
        *(Template("note", np.eye(len(written))[i], None, i, i) for i in range(len(written))),
    ]


def _leaks(family: Family, fingered: Ints, mode: Ints, share: float) -> list[Template]:
    out = []
    for hole in family.holes:
        below = np.flatnonzero((mode == 1) & (fingered < hole.first_open_for))
        if len(below) < MIN_DULL_RUN:
            continue
        for shape in LOWEST_SHARE:
            for upper in UPPER_STRENGTH:
                curve = leak(family, hole.first_open_for, fingered, mode, shape, upper)
                out.append(Template("leak", curve, hole.first_open_for, below[0], below[-1], share))
    return out


def _steps(family: Family, fingered: Ints, mode: Ints) -> list[Template]:
    """Everything fingered at or below a note equally dull in both registers: a key out of regulation."""
    out = []
    for hole in family.holes:
        low = (mode > 0) & (fingered < hole.first_open_for)
        first_register = np.flatnonzero(low & (mode == 1))
        if len(first_register) >= MIN_DULL_RUN and (~low).sum() >= MIN_DULL_RUN:
            out.append(Template("step", low.astype(float), hole.first_open_for, first_register[0], first_register[-1]))
    return out


def _vents(family: Family, written: Ints, mode: Ints) -> list[Template]:
    groups = {vent.name: (written >= vent.low) & (written <= vent.high) for vent in family.vents}
    groups["upper register"] = mode > 1
    groups["lower register"] = mode == 1
    out: list[Template] = []
    seen: set[bytes] = set()
    for name, group in groups.items():
        index = np.flatnonzero(group)
        if MIN_DULL_RUN <= len(index) <= len(written) - MIN_DULL_RUN and group.tobytes() not in seen and family.vents:
            seen.add(group.tobytes())
            out.append(Template("vent", group.astype(float), name, index[0], index[-1]))
    return out


def _runs(written: Ints, mode: Ints) -> list[Template]:
    """Neighbouring notes of one stretch equally dull, at most half of the scale.

    ASSUME: as many begin at the lowest note or at that of the overblown register, where a tube or a mechanism that
    does not seal shows, as anywhere else.
    """
    n = len(written)
    roots = {0, *np.flatnonzero(mode > 1)[:1].tolist()}
    spans = [(i, j) for i in range(n) for j in range(i + MIN_DULL_RUN - 1, min(i + n // 2, n))]
    rooted = sum(i in roots for i, _ in spans)
    out = []
    for i, j in spans:
        shape = np.zeros(n)
        shape[i : j + 1] = 1.0
        out.append(Template("run", shape, None, i, j, 0.5 / (rooted if i in roots else len(spans) - rooted)))
    return out


def _weak_above(mode: Ints, share: float) -> list[Template]:
    """A reed or a breath that is weak from a note of the overblown register up, `share` for all such notes together: a
    fault of the mechanism would show in the first register's notes of the same fingerings."""
    overblown = np.flatnonzero(mode > 1)[:1]
    starts = np.arange(overblown[0], len(mode) - MIN_DULL_RUN + 1) if overblown.size else overblown
    return [
        Template("reed", (np.arange(len(mode)) >= i).astype(float), None, i, len(mode) - 1, share / len(starts))
        for i in starts.tolist()
    ]


def _fingerings(fingered: Ints, mode: Ints) -> list[Template]:
    """One fingering dull in both registers."""
    out = []
    for note in np.unique(fingered[mode > 1]):
        both = np.flatnonzero((fingered == note) & (mode > 0))
        if len(both) == 2:
            shape = np.zeros(len(fingered))
            shape[both] = 1.0
            out.append(Template("fingering", shape, int(note), both[0], both[1]))
    return out
