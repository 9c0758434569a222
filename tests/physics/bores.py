"""Random woodwinds around typical dimensions, with holes placed so that every note is in tune, and their network.

All dimensions are from memory (typical figures of handbooks and catalogues, rounded); no real instrument is meant.
Simplified: every note opens all holes from its first open one downwards (no forks, no keys that stand closed below an
open hole), the notes of one register that open no hole of the family's list get a hole of their own without a name,
curved parts are straight, and the upper register opens one vent beside the fingering of the low one.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from evenbore.trade.families import Family, load_family
from physics.tube import DENSITY, SOUND_SPEED, Matrix, cone, hole, line, reflection_impedance

FAMILIES = (
    "clarinet_b_flat",
    "clarinet_bass_low_c",
    "saxophone_alto",
    "saxophone_tenor",
    "flute",
    "oboe",
    "bassoon",
)
NEVER = 999  # written note of holes that only serve as vents
MICROPHONES = np.array([[-0.2, 0.9], [0.3, 1.1], [0.8, 0.7], [1.4, 1.0]])  # m along the bore from the player, m aside


@dataclass(frozen=True)
class Design:
    """Typical dimensions of a family, m; pairs are (top, bottom). A hole's radius is a share of the bore's radius.

    `cavity`: for a cone the share of the missing tip that the mouthpiece, or reed and staple, holds as a wider tube of
    radius `cavity_radius`; for a cylinder the length it adds. `bell`: distance from the end and radius in units of the
    radius where it starts. `seat`: length of a leak through the pad's seat. `pad`: height in hole radii, 0: no pads.
    """

    radius: float
    slope: float
    cavity: float
    cavity_radius: float
    bell: tuple[tuple[float, float], ...]
    holes: tuple[float, float]
    chimneys: tuple[float, float]
    pad: float
    vents: tuple[tuple[float, float], ...]  # radius, chimney
    seat: float
    reed_volume: float  # m³, by which the reed gives way


CLARINET_BELL = ((0.14, 1.0), (0.09, 1.35), (0.035, 2.3), (0.0, 4.0))
SAXOPHONE_BELL = ((0.10, 1.0), (0.05, 1.2), (0.0, 1.75))
DESIGNS = {
    "clarinet_b_flat": Design(
        0.0074, 0, 0.003, 0.0074, CLARINET_BELL, (0.36, 0.78), (0.0085, 0.006), 0, ((0.0016, 0.012),), 0.002, 1.3e-6
    ),
    "clarinet_bass_low_c": Design(
        0.0117, 0, 0.004, 0.0117, CLARINET_BELL, (0.36, 0.74), (0.009, 0.006), 0.8,
        ((0.0019, 0.012), (0.0015, 0.012)), 0.003, 4e-6,
    ),
    "saxophone_alto": Design(
        0.0062, 0.0310, 1.05, 0.0062, SAXOPHONE_BELL, (0.56, 0.66), (0.004, 0.006), 0.55,
        ((0.0008, 0.006), (0.0007, 0.005)), 0.0025, 0.0,
    ),
    "saxophone_tenor": Design(
        0.0063, 0.0275, 1.05, 0.0064, SAXOPHONE_BELL, (0.56, 0.66), (0.004, 0.007), 0.55,
        ((0.0009, 0.006), (0.0008, 0.005)), 0.003, 0.0,
    ),
    "flute": Design(
        0.0095, 0, 0.017, 0.0087, (), (0.68, 0.80), (0.003, 0.003), 0.5, (), 0.002, 0.0
    ),
    "oboe": Design(
        0.0013, 0.0128, 0.97, 0.0020, ((0.10, 1.0), (0.03, 1.3), (0.0, 1.9)), (0.42, 0.52), (0.006, 0.005), 0.7,
        ((0.0006, 0.005), (0.0005, 0.006), (0.0004, 0.006)), 0.0015, 0.0,
    ),
    "bassoon": Design(
        0.0021, 0.0072, 0.97, 0.0033, (), (0.36, 0.44), (0.026, 0.010), 0.8,
        ((0.0011, 0.015), (0.0012, 0.012)), 0.0025, 0.0,
    ),
}  # fmt: skip

# Each maker's dimensions lie on one side of the typical ones: two disjoint ranges of design. Share of the dimension.
SPREAD = {"radius": 0.02, "slope": 0.02, "holes": 0.07, "chimneys": 0.12, "pad": 0.15, "vent": 0.08, "bell": 0.05}
MAKERS = {"learning": 1, "testing": -1}
HOLE_SCATTER = 0.03  # of single radii and chimneys
JITTER_CENTS = 4.0


@dataclass(frozen=True)
class Bore:
    """One instrument. Holes run from top to bottom, m; `listed`: place in the family's list or −1, `opens_for`: NEVER
    for a vent alone; `vent_low`, `vent_high`: the written overblown notes for which it stands open (0, 0: none)."""

    key: str
    design: Design
    length: float
    x: np.ndarray
    radius: np.ndarray
    chimney: np.ndarray
    height: np.ndarray
    listed: np.ndarray
    opens_for: np.ndarray
    vent_low: np.ndarray
    vent_high: np.ndarray

    @cached_property
    def family(self) -> Family:
        return load_family(self.key)

    @property
    def is_flute(self) -> bool:
        return self.family.bore == "cylinder_open"

    @property
    def is_cone(self) -> bool:
        return self.design.slope > 0

    def profile(self) -> tuple[np.ndarray, np.ndarray]:
        """Points of the main bore, m from its upper end, and its radii; straight lines between."""
        design = self.design
        if self.is_flute:  # the head narrows towards the mouth hole
            return np.array([0.0, 0.13, self.length]), np.array([0.0087, 1, 1]) * np.array([1, *2 * [design.radius]])
        bell = np.array(design.bell or ((0.0, 1.0),))
        start = self.length - bell[0, 0]
        widths = (design.radius + design.slope * start) * bell[:, 1]
        return np.concatenate([[0.0], self.length - bell[:, 0]]), np.concatenate([[design.radius], widths])

    def radius_at(self, x: np.ndarray | float) -> np.ndarray:
        return np.interp(x, *self.profile())

    def input_impedance(self) -> float:
        """Characteristic impedance that makes the reed's equations free of units."""
        return DENSITY * SOUND_SPEED / (np.pi * self.design.radius**2)


@dataclass(frozen=True)
class Fingerings:
    """The notes of the first register and the overblown ones above: written, fingered as, and what stands open."""

    written: np.ndarray  # (N,)
    fingered: np.ndarray  # (N,)
    overblown: np.ndarray  # (N,) bool
    opened: np.ndarray  # (N, holes of the bore) bool
    sounding_hz: np.ndarray  # (N,)


def fingerings(bore: Bore) -> Fingerings:
    family = bore.family
    spans = [r for r in family.registers if r.overblown]
    first = list(range(family.low, spans[0].low))
    upper = [n for r in spans for n in range(r.low, min(r.high, family.high) + 1)]
    written = np.array(first + upper)
    overblown = np.arange(written.size) >= len(first)
    fingered = written - family.overblow * overblown
    note = written[:, None]
    vented = overblown[:, None] & (bore.vent_low <= note) & (note <= bore.vent_high)
    opened = (bore.opens_for <= fingered[:, None]) | vented
    return Fingerings(written, fingered, overblown, opened, hertz(family.to_sounding(written)))


def hertz(midi: np.ndarray) -> np.ndarray:
    return 440 * 2 ** ((np.asarray(midi) - 69) / 12)


def chain(left: Matrix, right: Matrix) -> Matrix:
    a, b, c, d = left
    e, f, g, h = right
    return a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h


def shunted(admittance: np.ndarray) -> Matrix:
    one = np.ones_like(admittance)
    return one, 0 * one, admittance, one


def in_series(impedance: np.ndarray) -> Matrix:
    one = np.ones_like(impedance)
    return one, impedance, 0 * one, one


def mouth(bore: Bore, frequency: np.ndarray) -> Matrix:
    """What lies above the main bore: the mouthpiece with its reed, or the flute's mouth hole and cork."""
    design = bore.design
    omega = 2 * np.pi * frequency
    if bore.is_flute:
        gamma, impedance = line(frequency, 0.0087)
        cork = np.tanh(gamma * design.cavity) / impedance
        area = mouth_area(bore)
        chimney = 0.0049 + 1.3 * np.sqrt(area / np.pi)  # riser, inner end, and outer end half under the lip
        loss = reflection_impedance(frequency, np.sqrt(area / np.pi), 0.5).real
        return chain(in_series(1j * omega * DENSITY * chimney / area + loss), shunted(cork))
    cavity = cone(frequency, design.cavity_radius, design.cavity_radius, cavity_length(bore))
    compliance = design.reed_volume / (DENSITY * SOUND_SPEED**2)
    return chain(shunted(1j * omega * compliance), cavity)


def mouth_area(bore: Bore) -> float:
    """The flute's open mouth hole, about a third of it under the lip, m²."""
    return 0.65 * np.pi * 0.0056**2 * (bore.design.radius / 0.0095) ** 2


def cavity_length(bore: Bore) -> float:
    design = bore.design
    if not bore.is_cone:
        return design.cavity
    tip = np.pi * design.radius**3 / (3 * design.slope)
    return design.cavity * tip / (np.pi * design.cavity_radius**2)


@dataclass(frozen=True)
class Network:
    """States at the frequencies asked for, in units in which the flow out of the bell is 1.

    `pressure`, `flow`: at the input (N, ...). For each hole of the bore, first axis: `at` the pressure there, `up_p`,
    `up_u` what a flow drawn there adds to the input's pressure and flow, and `out` the flow that leaves it (0: closed).
    """

    pressure: np.ndarray
    flow: np.ndarray
    at: np.ndarray
    up_p: np.ndarray
    up_u: np.ndarray
    out: np.ndarray


def network(bore: Bore, opened: np.ndarray, frequency: np.ndarray) -> Network:
    """The bore's states for each note; `opened` (N, holes), `frequency` (N, ...) Hz."""
    points, radii = bore.profile()
    # The ends of the bore's straight parts and the middles of its holes, from top to bottom.
    places = sorted([(x, -1) for x in points[1:]] + [(x, i) for i, x in enumerate(bore.x)])
    shape = (-1, *[1] * (frequency.ndim - 1))
    matrix = mouth(bore, frequency)
    here, parts = 0.0, []
    for x, i in places:
        if x > here + 1e-9:
            steps = np.linspace(here, x, 1 + int(np.ceil((x - here) / 0.08)) if here >= points[-2] else 2)
            for near, far in pairwise(steps):
                part = cone(frequency, *np.interp([near, far], points, radii), far - near)
                matrix = chain(matrix, part)
                parts.append((-1, part))
        here = x
        if i >= 0:
            half, shunt, leaves = hole(
                frequency, bore.radius_at(x), bore.radius[i], bore.chimney[i], bore.height[i],
                opened[:, i].reshape(shape),
            )  # fmt: skip
            matrix = chain(matrix, in_series(half))
            parts.append((i, (half, shunt, leaves, matrix[1], matrix[3])))
            matrix = chain(chain(matrix, shunted(1 / shunt)), in_series(half))

    flow = np.ones_like(matrix[0])
    pressure = reflection_impedance(frequency, radii[-1], 0.0) * flow
    at, up_p, up_u, out = (np.zeros((bore.x.size, *frequency.shape), complex) for _ in range(4))
    for i, part in reversed(parts):
        if i < 0:
            pressure, flow = part[0] * pressure + part[1] * flow, part[2] * pressure + part[3] * flow
            continue
        half, shunt, leaves, up_p[i], up_u[i] = part
        at[i] = pressure + half * flow
        out[i] = at[i] / shunt * leaves
        flow = flow + at[i] / shunt
        pressure = at[i] + half * flow
    a, b, c, d = mouth(bore, frequency)
    return Network(a * pressure + b * flow, c * pressure + d * flow, at, up_p, up_u, out)


def sharpness(bore: Bore, state: Network) -> np.ndarray:
    """How strongly a frequency is favoured: the input's impedance, or admittance for a flute (SI)."""
    ratio = np.abs(state.pressure / state.flow)
    return 1 / ratio if bore.is_flute else ratio


def resonances(bore: Bore, opened: np.ndarray, guess: np.ndarray, semitones: float) -> np.ndarray:
    """Frequency (N,) of the highest peak within ± `semitones` of each guess, by a parabola through three points."""
    steps = np.linspace(-semitones, semitones, 41) / 12
    grid = guess[:, None] * 2**steps
    height = np.log(sharpness(bore, network(bore, opened, grid)))
    middle = np.clip(np.argmax(height, axis=1), 1, steps.size - 2)
    left, top, right = (np.take_along_axis(height, (middle + k)[:, None], 1)[:, 0] for k in (-1, 0, 1))
    shift = 0.5 * (left - right) / (left - 2 * top + right)
    return guess * 2 ** (steps[middle] + np.clip(shift, -1, 1) * (steps[1] - steps[0]))


def draw(key: str, rng: np.random.Generator, maker: str) -> Bore:
    """A random instrument of a family, in tune but for a few cents; `maker` chooses one of two disjoint designs."""
    side = MAKERS[maker]
    change = {name: 1 + side * spread * rng.uniform(0.15, 1) for name, spread in SPREAD.items()}
    base = DESIGNS[key]
    design = replace(
        base,
        radius=base.radius * change["radius"],
        slope=base.slope / change["slope"],
        holes=tuple(share * change["holes"] for share in base.holes),
        chimneys=tuple(t / change["chimneys"] for t in base.chimneys),
        pad=base.pad * change["pad"],
        vents=tuple((r * change["vent"], t / change["chimneys"]) for r, t in base.vents),
        bell=tuple((d, w ** change["bell"]) for d, w in base.bell),
    )
    bore = _untuned(key, design, rng)
    return _tuned(bore, rng.normal(0, JITTER_CENTS, np.unique(fingerings(bore).fingered).size))


def _quarter(bore_is_flute: bool, is_cone: bool, hz: np.ndarray) -> np.ndarray:
    """Length of the plain air column that sounds a note in its first register."""
    return SOUND_SPEED / hz / (2 if bore_is_flute or is_cone else 4)


def _untuned(key: str, design: Design, rng: np.random.Generator) -> Bore:
    family = load_family(key)
    spans = [r for r in family.registers if r.overblown]
    notes = np.arange(family.holes[0].first_open_for, family.low, -1)
    places = {h.first_open_for: place for place, h in enumerate(family.holes)}
    is_flute, is_cone = family.bore == "cylinder_open", design.slope > 0
    above = 0.045 if is_flute else design.radius / design.slope if is_cone else design.cavity + 0.01
    column = _quarter(is_flute, is_cone, hertz(family.to_sounding(notes)))
    length = _quarter(is_flute, is_cone, hertz(family.to_sounding(np.array(family.low)))) - above
    x = column - above - 0.015
    share = (x - x[0]) / (length - x[0])
    scatter = 1 + HOLE_SCATTER * rng.uniform(-1, 1, (2, notes.size))
    local = design.radius + design.slope * x
    radius = local * np.interp(share, [0, 1], design.holes) * scatter[0]
    chimney = np.interp(share, [0, 1], design.chimneys) * scatter[1]
    height = radius * design.pad if design.pad else np.full(notes.size, np.inf)
    low, high = np.zeros(notes.size, int), np.zeros(notes.size, int)
    vents = list(zip(family.vents, design.vents, strict=False))
    if is_cylinder_closed := not (is_flute or is_cone):  # the clarinets' (lower) vent is their uppermost hole
        (vent, (radius[0], chimney[0])), *vents = vents
        low[0], high[0], height[0] = vent.low, vent.high, np.inf
    columns = [x, radius, chimney, height, [places.get(n, -1) for n in notes], notes, low, high]
    for vent, (r, t) in vents:  # at the pressure node of the overblown mode, for the middle of the notes it serves
        middle = hertz(family.to_sounding((vent.low + min(vent.high, spans[-1].high)) / 2))
        node = SOUND_SPEED / middle / (4 if is_cylinder_closed else 2) - above
        columns = [
            np.append(c, v) for c, v in zip(columns, [node, r, t, np.inf, -1, NEVER, vent.low, vent.high], strict=True)
        ]
    order = np.argsort(columns[0], kind="stable")
    x, radius, chimney, height, *whole = (np.asarray(c)[order] for c in columns)
    return Bore(key, design, float(length), x, radius, chimney, height, *(w.astype(int) for w in whole))


def _tuned(bore: Bore, cents: np.ndarray) -> Bore:
    """Hole positions and length moved until the first resonance of each fingering is `cents` from its note.

    A note moves the hole above which its air column ends (all notes at once), as its column would have to change.
    """
    fingers, family = fingerings(bore), bore.family
    notes = np.unique(np.append(fingers.fingered, bore.opens_for[bore.opens_for != NEVER]))
    upper = (notes >= fingers.written[fingers.overblown][0])[:, None]  # fingerings that are only played overblown
    played = notes[:, None] + upper * family.overblow
    target = hertz(family.to_sounding(played[:, 0])) * 2 ** (np.resize(cents, notes.size) / 1200)
    found = target
    for step in range(12):
        ends = np.array([-1, *(np.flatnonzero(bore.opens_for == n)[0] for n in notes[1:])])
        tone = bore.opens_for != NEVER
        vented = upper & (bore.vent_low <= played) & (played <= bore.vent_high)
        opened = (bore.opens_for <= notes[:, None]) | vented
        found = resonances(bore, opened, target if step < 3 else found, 5.0 if step < 3 else 0.6)
        error = np.log2(found / target)
        move = np.clip(_quarter(bore.is_flute, bore.is_cone, hertz(family.to_sounding(notes))) * error, -0.2, 0.2)
        x, length = bore.x.copy(), bore.length + move[0]
        x[ends[1:]] += move[1:]
        for above, below in pairwise(np.flatnonzero(tone)):  # the order of the holes is kept
            x[below] = max(x[below], x[above] + 0.001)
        bore = _in_order(replace(bore, x=x, length=length))
    return bore


def _in_order(bore: Bore) -> Bore:
    """Vents and tone holes sorted from top to bottom."""
    order = np.argsort(bore.x, kind="stable")
    names = ("x", "radius", "chimney", "height", "listed", "opens_for", "vent_low", "vent_high")
    return replace(bore, **{name: getattr(bore, name)[order] for name in names})
