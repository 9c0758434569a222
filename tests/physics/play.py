"""Self-sustained tones by harmonic balance, all cases at once.

Unknown are the tone's harmonics at the input and its frequency; a case is a note, a blowing and its leaks. Reed: flow
by Bernoulli through an opening that follows the pressure with one damped resonance and beats (Chaigne & Kergomard
ch. 9; smoothed corners, as Colinot et al. 2020), its spectrum must be what the bore's input asks for. Flute: a jet
deflected after a delay, saturating as tanh, against the losses of vortex shedding at the mouth (Verge, Fabre, Auvray;
Chaigne & Kergomard ch. 10). Written down from memory. Leak: `tube.narrow_tube` as a shunt with a jet loss
½ρ(U/(0.6 S))², as the resistance that takes the same power from a sine of the flow's rms value.

Free of units: reed: pressure by closing pressure, flow by closing pressure over `Bore.input_impedance`. Flute:
mouth flow by area and jet speed, pressure by ρ times jet speed². A harmonic X is half its amplitude:
x(t) = 2 Re Σ X e^jkωt.
"""

from copy import copy
from dataclasses import dataclass, replace

import numpy as np

from physics.bores import MICROPHONES, Bore, Fingerings, fingerings, mouth_area, network, resonances
from physics.tube import DENSITY, SOUND_SPEED, narrow_tube

HARMONICS = 16
SAMPLES = 80  # of a period: twice the harmonics' highest product and more
SMOOTH = 0.02  # of the corners where the reed closes and where the flow turns, in units of the closing pressure
REACH = 0.06  # largest relative distance of a tone from its table's centre
GRID = REACH * np.cos(np.pi * (np.arange(10) + 0.5) / 10)
CONTRACTION = 0.6
DYNAMICS = ("p", "mf", "f")


@dataclass(frozen=True)
class Reed:
    """A reed with its mouthpiece, or a flutist's lips, relative to what is typical of the family.

    `stiffness`: closing pressure (flute: jet speed); `opening`: area at rest (flute: jet thickness); `resonance` of the
    reed, `damping` (1/quality, not relative); `volume` of mouthpiece or staple; `blowing`: mouth pressure over closing
    pressure at p, mf, f (a flute makes of it a share of the usual jet speed, in `effects`).
    """

    stiffness: float = 1.0
    opening: float = 1.0
    resonance: float = 1.0
    damping: float = 0.4
    volume: float = 1.0
    blowing: tuple[float, float, float] = (0.45, 0.52, 0.64)


LEARNING = Reed()
TESTING = Reed(stiffness=1.25, opening=1.1, resonance=1.2, damping=0.6, volume=1.06, blowing=(0.44, 0.52, 0.66))

# Closing pressure (Pa), opening at rest (m²), resonance (Hz), from memory.
# ASSUME: the openings were tuned by trial until the whole range of the drawn bores spoke.
REEDS = {
    "clarinet_b_flat": (5000.0, 7.5e-6, 2200.0),
    "clarinet_bass_low_c": (4000.0, 1.6e-5, 1500.0),
    "saxophone_alto": (4000.0, 9.0e-6, 1800.0),
    "saxophone_tenor": (3500.0, 1.0e-5, 1500.0),
    "oboe": (9000.0, 1.3e-6, 3000.0),
    "bassoon": (5000.0, 4.0e-6, 2000.0),
}
# Flute, from memory: distance from lips to edge and jet thickness (m), part of a period that the jet takes.
# ASSUME: the thickness and the jet's offset in `Player.drive` were tuned by trial, for a strong second harmonic.
LIPS = (0.007, 0.0014, 0.27)

Leaks = tuple[np.ndarray, np.ndarray]  # pressures and flows


@dataclass(frozen=True)
class Table:
    """A bore's notes at their harmonics, on a grid of frequencies around each note's `centre` (N,) Hz.

    (N, Q, H): `num`/`den`: the input's admittance (flute: impedance), free of units but for a case's `scale`;
    `far`: pressure at the microphones (M, N, Q, H) by the flows out of open holes and bell. First axis the bore's
    holes: `at`, the pressure there, and what a flow drawn there adds to `num` and `den`.
    """

    bore: Bore
    reed: Reed
    fingers: Fingerings
    centre: np.ndarray
    num: np.ndarray
    den: np.ndarray
    at: np.ndarray
    up_num: np.ndarray
    up_den: np.ndarray
    far: np.ndarray


@dataclass(frozen=True)
class Cases:
    """What is played: `note` (C,) row of the table, `blowing` (C,), `hole` (C, L) −1: no leak, `radius` (C, L) m."""

    note: np.ndarray
    blowing: np.ndarray
    hole: np.ndarray
    radius: np.ndarray

    def __getitem__(self, keep: np.ndarray) -> "Cases":
        return Cases(self.note[keep], self.blowing[keep], self.hole[keep], self.radius[keep])


@dataclass(frozen=True)
class Tone:
    """Harmonics (C, H), relative frequency to the table's centre (C,), the leaks' jet resistance (C, L), converged."""

    x: np.ndarray
    shift: np.ndarray
    resistance: np.ndarray
    found: np.ndarray

    def __getitem__(self, keep: np.ndarray) -> "Tone":
        return Tone(self.x[keep], self.shift[keep], self.resistance[keep], self.found[keep])


def table(bore: Bore, reed: Reed, centre: np.ndarray | None = None) -> Table:
    """The table of a bore with a mouthpiece, around its resonances or around the frequencies given."""
    design = bore.design
    cavity = design.cavity * reed.volume + (0 if bore.is_cone or bore.is_flute else 0.065 * (reed.volume - 1))
    bore = replace(bore, design=replace(design, cavity=cavity))
    fingers = fingerings(bore)
    if centre is None:
        centre = resonances(bore, fingers.opened, fingers.sounding_hz, 1.5)
    order = np.arange(1, HARMONICS + 1)
    hz = centre[:, None, None] * (1 + GRID)[:, None] * order
    state = network(bore, fingers.opened, hz)
    one = mouth_area(bore) / DENSITY if bore.is_flute else bore.input_impedance()
    num, den = (state.pressure, state.flow) if bore.is_flute else (state.flow, state.pressure)
    up_num, up_den = (state.up_p, state.up_u) if bore.is_flute else (state.up_u, state.up_p)
    far = monopole(hz, bore.length)
    for x, out in zip(bore.x, state.out, strict=True):
        if np.any(out):
            far = far + monopole(hz, x) * out
    return Table(bore, reed, fingers, centre, num * one, den, state.at, up_num * one, up_den, far)


def monopole(hz: np.ndarray, x: np.ndarray | float) -> np.ndarray:
    """Pressure at each microphone (M, ...) by a unit flow at a place of the bore, which broadcasts against `hz`."""
    along, aside = MICROPHONES.T.reshape(2, -1, *[1] * hz.ndim)
    distance = np.hypot(along - x, aside)
    return 1j * hz * DENSITY / 2 / distance * np.exp(-2j * np.pi * hz / SOUND_SPEED * distance)


def _weights(shift: np.ndarray) -> np.ndarray:
    """Lagrange weights (C, Q) of the grid at relative frequencies, which may be complex."""
    gaps = shift[:, None] - GRID
    others = ~np.eye(GRID.size, dtype=bool)
    above = np.where(others, gaps[:, None, :], 1).prod(axis=2)
    return above / np.where(others, GRID[:, None] - GRID, 1).prod(axis=1)


class Player:
    """A set of cases with everything that does not change while they are solved."""

    def __init__(self, tab: Table, cases: Cases) -> None:
        self.tab, self.cases = tab, cases
        self.order = np.arange(1, HARMONICS + 1)
        note, hole = cases.note, np.maximum(cases.hole, 0)
        self.num, self.den = tab.num[note], tab.den[note]
        self.leaks = [
            (tab.at[h, note], tab.up_num[h, note], tab.up_den[h, note], cases.hole[:, i] >= 0)
            for i, h in enumerate(hole.T)
        ]
        hz = tab.centre[note][:, None, None] * self.order
        radius = np.where(cases.hole >= 0, cases.radius, 1e-3)[:, :, None]
        self.narrow = narrow_tube(hz, radius, np.array(tab.bore.design.seat))  # (C, L, H)
        self.jet = 1.2 * DENSITY / 2 / (CONTRACTION * np.pi * radius[:, :, 0] ** 2) ** 2  # Pa s²/m⁶ times rms flow
        self.is_flute = tab.bore.is_flute
        if self.is_flute:
            width, thickness, part = LIPS
            thickness = thickness * tab.reed.opening
            written = tab.fingers.sounding_hz[note]
            speed = width * written / (0.4 * part) * cases.blowing * tab.reed.stiffness
            self.delay = width / (0.4 * speed)
            self.gain = 2.5 * np.exp(0.25 * width / thickness)
            reach = 4 / np.pi * np.sqrt(2 * thickness * width)
            self.push = reach * 0.4 * thickness / (width * speed)
            self.scale = 1 / speed
            self.unit = mouth_area(tab.bore) * speed  # m³/s of the mouth's flow
        else:
            closing, opening, resonance = REEDS[tab.bore.key]
            closing = closing * tab.reed.stiffness
            self.zeta = tab.bore.input_impedance() * opening * tab.reed.opening * np.sqrt(2 / (DENSITY * closing))
            self.resonance = resonance * tab.reed.resonance
            self.scale = np.ones(note.size)
            self.unit = np.full(note.size, closing)

    def __getitem__(self, keep: np.ndarray) -> "Player":
        """Some of the cases."""
        part, count = copy(self), self.cases.note.size
        part.cases = self.cases[keep]
        part.leaks = [tuple(array[keep] for array in leak) for leak in self.leaks]
        for name, value in vars(self).items():
            if name != "order" and isinstance(value, np.ndarray) and value.shape[:1] == (count,):
                setattr(part, name, value[keep])
        return part

    def only(self, order: int) -> "Player":
        """The same cases with one harmonic instead of all."""
        part, at = copy(self), slice(order - 1, order)
        part.order = self.order[at]
        part.num, part.den, part.narrow = self.num[..., at], self.den[..., at], self.narrow[..., at]
        part.leaks = [(*(array[..., at] for array in leak[:3]), leak[3]) for leak in self.leaks]
        return part

    def linear(self, shift: np.ndarray, resistance: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[Leaks]]:
        """`num`, `den` (C, H) with the leaks, and each leak's pressure and flow (C, H) in the state's scale.

        `shift` may be complex: a frequency at which a small oscillation grows or dies away.
        """
        weights = _weights(shift)
        num, den = ((weights[:, None, :] @ array)[:, 0] for array in (self.num, self.den))
        drawn: list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]] = []
        for i in reversed(range(len(self.leaks))):  # from the lowest leak to the highest
            at, up_num, up_den, there = self.leaks[i]
            at, up_num, up_den = ((weights[:, None, :] @ array)[:, 0] for array in (at, up_num, up_den))
            for _, flow, num_below, den_below in drawn:
                one = (mouth_area(self.tab.bore) / DENSITY) if self.is_flute else self.tab.bore.input_impedance()
                sign = 1 if self.is_flute else -1
                at = at + flow * sign * (num_below * up_den - den_below * up_num) / one
            flow = np.where(there[:, None], at / (self.narrow[:, i] + resistance[:, i, None]), 0)
            num, den = num + flow * up_num, den + flow * up_den
            drawn.append((at, flow, up_num, up_den))
        return num * self.scale[:, None], den, [(at, flow) for at, flow, *_ in reversed(drawn)]

    def jets(self, tone_x: np.ndarray, shift: np.ndarray, resistance: np.ndarray) -> np.ndarray:
        """The leaks' jet resistance, one step towards what the pressure there makes it."""
        _, den, leaks = self.linear(shift, resistance)
        scale = tone_x / den * self.unit[:, None]
        new = resistance.copy()
        for i, (at, _) in enumerate(leaks):
            for _ in range(3):
                flow = np.abs(scale * at / (self.narrow[:, i] + new[:, i, None]))
                rms = np.sqrt(2 * np.sum(flow**2, axis=1))
                new[:, i] = np.sqrt(np.maximum(new[:, i], 1) * (self.jet[:, i] * rms + 1))
        return new

    def heard(self, tone: Tone) -> np.ndarray:
        """Level (C, H) of the tone's harmonics, dB re 20 µPa, power-averaged over the microphones."""
        note = self.cases.note
        _, den, leaks = self.linear(tone.shift, tone.resistance)
        far = (_weights(tone.shift)[None, :, None] @ self.tab.far[:, note])[:, :, 0]
        hz = (self.tab.centre[note] * (1 + tone.shift))[:, None] * self.order
        for i, (_, flow) in enumerate(leaks):
            far = far + monopole(hz, self.tab.bore.x[self.cases.hole[:, i], None]) * flow
        if self.is_flute:
            far = far - monopole(hz, -0.045) * den
        size = np.abs(tone.x / den * self.unit[:, None])
        return 10 * np.log10(2 * np.mean(np.abs(far) ** 2, axis=0) * size**2 / 4e-10 + 1e-30)

    def growth(self, tone: Tone, loudness: float, order: int = 1) -> np.ndarray:
        """Rate (C,) 1/s at which a small oscillation grows from rest in the bore's mode at `order` times the note.

        The leaks' jet resistance is that of a sine of `loudness` times the tone's first harmonic; the reed's or
        jet's slope is that at rest.
        """
        mode = self.only(order)
        resistance, shift = tone.resistance, tone.shift.astype(complex)
        for _ in range(4):
            resistance = mode.jets(loudness * np.abs(tone.x[:, :1]), tone.shift, resistance)
        rest = np.zeros((shift.size, 1))
        _, _, slope_a, slope_b = mode.drive(rest, rest)

        def mismatch(shift: np.ndarray) -> np.ndarray:
            num, den, _ = mode.linear(shift, resistance)
            one, two, result = mode.filters(shift)
            return (num / den - result * slope_a * one - slope_b * two)[:, 0]

        for _ in range(6):
            here = mismatch(shift)
            step = here * 1e-5 / (mismatch(shift + 1e-5) - here)
            step = step * np.minimum(1, 0.01 / (np.abs(step) + 1e-12))
            shift = np.clip((shift - step).real, -REACH, REACH) + 1j * np.clip((shift - step).imag, -REACH, REACH)
        return -2 * np.pi * self.tab.centre[self.cases.note] * order * shift.imag

    def filters(self, shift: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Factors (C, H) of the two arguments of the drive, and of its first result."""
        hz = (self.tab.centre[self.cases.note] * (1 + shift))[:, None] * self.order
        if self.is_flute:
            delay = np.exp(-2j * np.pi * hz * self.delay[:, None])
            return delay, np.ones_like(delay), 2j * np.pi * hz * self.push[:, None]
        ratio = hz / self.resonance
        follow = 1 / (1 - ratio**2 + 1j * self.tab.reed.damping * ratio)
        return np.ones_like(follow), follow, np.ones_like(follow)

    def drive(self, first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, ...]:
        """The drive (C, T) in its two parts, and the slope of each to its argument."""
        if self.is_flute:
            gain = np.asarray(self.gain)
            bent = np.tanh(gain * first - 0.5)
            loss = 0.5 / 0.6**2
            size = np.sqrt(second**2 + 1e-6)
            return bent, -loss * second * size, gain * (1 - bent**2), -loss * (size + second**2 / size)
        blowing = self.cases.blowing[:, None]
        drop, gap = blowing - first, 1 - blowing + second
        root = np.sqrt(gap**2 + SMOOTH**2)
        wide = (gap + root) / 2
        soft = drop**2 + SMOOTH**2
        quarter = 1 / np.sqrt(np.sqrt(soft))
        speed = drop * quarter
        slope = -self.zeta * wide * quarter * (1 - 0.5 * drop**2 / soft)
        return self.zeta * wide * speed, np.zeros_like(drop), slope, self.zeta * (1 + gap / root) / 2 * speed

    def residual(
        self, x: np.ndarray, shift: np.ndarray, resistance: np.ndarray, upper: np.ndarray, slopes: bool
    ) -> tuple[np.ndarray, np.ndarray]:
        """What is missing to a balance (C, H), and with `slopes` its Jacobian (C, 2H, 2H); `upper` (H,) weighs Z."""
        num, den, _ = self.linear(shift, resistance)
        size = np.sqrt(np.abs(num) ** 2 + np.abs(den) ** 2)
        num, den = num / size, upper * den / size
        one, two, result = self.filters(shift)
        wave = np.exp(2j * np.pi * np.outer(self.order, np.arange(SAMPLES)) / SAMPLES)
        first, second = (2 * ((x * f) @ wave).real for f in (one, two))
        a, b, slope_a, slope_b = self.drive(first, second)
        transform = wave.conj().T / SAMPLES
        drive = result * (a @ transform) + b @ transform
        left = x * num - drive * den
        if not slopes:
            return left, np.zeros(0)
        spectra = np.fft.rfft(np.stack([slope_a, slope_b]), axis=2) / SAMPLES
        k = self.order
        minus = k[:, None] - k
        rows = -den[:, :, None] * np.stack([result, np.ones_like(result)])[..., None]
        columns = np.stack([one, two])[:, :, None]
        near = spectra[..., np.abs(minus)]
        near.imag *= np.sign(minus)
        near = (rows * near * columns).sum(axis=0)  # by each harmonic
        far = (rows * spectra[..., k[:, None] + k] * columns.conj()).sum(axis=0)  # by its conjugate
        near[:, k - 1, k - 1] += num
        by_real, by_imag = near + far, 1j * (near - far)
        step = 1e-6
        by_imag[:, :, 0] = (self.residual(x, shift + step, resistance, upper, False)[0] - left) / step
        rows_real = np.concatenate([by_real.real, by_imag.real], axis=2)
        return left, np.concatenate([rows_real, np.concatenate([by_real.imag, by_imag.imag], axis=2)], axis=1)


def balance(player: Player, start: Tone, upper: np.ndarray, rounds: int = 25, least: float = 0.0) -> Tone:
    """Newton's method from `start` (its first harmonic real); the unknown frequency takes that one's phase.

    A case is given up when its first harmonic falls below `least` times that of `start`.
    """
    x, shift, resistance = start.x.copy(), start.shift.copy(), start.resistance.copy()
    found = np.zeros(shift.size, bool)
    active = np.arange(shift.size)
    for _ in range(rounds):
        part = player if active.size == shift.size else player[active]
        now_x, now_shift = x[active], shift[active]
        jets = part.jets(now_x, now_shift, resistance[active])
        moved = np.abs(np.log(np.maximum(jets, 1) / np.maximum(resistance[active], 1))).max(axis=1, initial=0)
        resistance[active] = jets
        left, slopes = part.residual(now_x, now_shift, jets, upper, True)
        right = np.concatenate([left.real, left.imag], axis=1)
        try:
            step = -np.linalg.solve(slopes, right[:, :, None])[:, :, 0]
        except np.linalg.LinAlgError:
            step = -np.linalg.solve(slopes + 1e-9 * np.eye(slopes.shape[1]), right[:, :, None])[:, :, 0]
        dx = step[:, :HARMONICS] + 1j * step[:, HARMONICS:]
        dshift = dx[:, 0].imag.copy()
        dx[:, 0] = dx[:, 0].real
        size = np.linalg.norm(now_x, axis=1)
        short = np.minimum(
            1, np.minimum(0.4 * size / (np.linalg.norm(dx, axis=1) + 1e-12), 0.008 / (np.abs(dshift) + 1e-12))
        )
        x[active] = now_x + short[:, None] * dx
        shift[active] = np.clip(now_shift + short * dshift, -REACH, REACH)
        done = (np.linalg.norm(dx, axis=1) < 1e-5 * size) & (np.abs(dshift) < 1e-6) & (moved < 1e-3)
        found[active[done]] = True
        active = active[~done & (np.abs(x[active, 0]) >= least * np.abs(start.x[active, 0]))]
        if not active.size:
            break
    found &= (np.abs(shift) < REACH) & (np.abs(x[:, 0]) > np.maximum(0.01, least * np.abs(start.x[:, 0])))
    return Tone(x, shift, resistance, found)


def tight_tones(tab: Table, blowing: np.ndarray) -> tuple[Cases, Tone]:
    """The tight bore's tones for blowings (D,), cases ordered (D, N): the loudest of several ways to each.

    First from sines and dips; then from the tones of the same note at the other blowings, and of its neighbours.
    """
    notes, levels = tab.centre.size, blowing.size
    note = np.tile(np.arange(notes), levels)
    none = np.zeros((note.size, 0))
    cases = Cases(note, np.repeat(blowing, notes), none.astype(int), none)
    player = Player(tab, cases)
    whole = np.ones(HARMONICS)
    best = silence(cases)
    for amplitude in (0.03, 0.1) if tab.bore.is_flute else (0.15, 0.35):
        tone = silence(cases)
        tone.x[:, 0] = amplitude
        best = _louder(best, from_sine(player, tone))
    if tab.bore.is_cone:  # whose pressure is steady but for a short dip
        tone, order = silence(cases), np.arange(1, HARMONICS + 1)
        tone.x[:] = -1.5 * (-1.0) ** order * np.sin(0.2 * np.pi * order) / np.pi / order / (1 + order / 6)
        best = _louder(best, balance(player, tone, whole))
    for step in (0, 1, -1) * 4:
        here = np.arange(levels)[:, None], (np.arange(notes) + step).clip(0, notes - 1)
        size = np.abs(best.x[:, 0]).reshape(levels, notes)[here]
        source = (np.argmax(size, axis=0) if step == 0 else here[0]) * notes + here[1]
        source = np.broadcast_to(source, (levels, notes)).ravel()
        # Worth a try where nothing was found, or something much softer.
        weak = np.flatnonzero(np.abs(best.x[:, 0]) < 0.7 * np.abs(best.x[source, 0]))
        if not weak.size:
            continue
        put(best, weak, _louder(best[weak], balance(player[weak], best[source[weak]], whole)))
    return cases, best


def from_sine(player: Player, start: Tone) -> Tone:
    """The tone that grows out of the first harmonic of `start` while the bore's upper harmonics are let in."""
    x = start.x.copy()
    x[:, 1:] = 0
    tone = replace(start, x=x)
    for share in (0.0, 0.1, 0.25, 0.5, 0.75):
        tone = balance(player, tone, np.where(np.arange(HARMONICS) == 0, 1, share), 12)
    return balance(player, tone, np.ones(HARMONICS))


def silence(cases: Cases) -> Tone:
    count = cases.note.size
    return Tone(
        np.zeros((count, HARMONICS), complex), np.zeros(count), np.zeros(cases.hole.shape), np.zeros(count, bool)
    )


def put(tone: Tone, where: np.ndarray, part: Tone) -> None:
    """Writes some cases' tones into those of all."""
    for name in ("x", "shift", "resistance", "found"):
        getattr(tone, name)[where] = getattr(part, name)


def _louder(old: Tone, new: Tone) -> Tone:
    better = new.found & (new.x[:, 0].real > np.abs(old.x[:, 0]) * (1 + 1e-6) * old.found)
    return Tone(
        *(
            np.where(better.reshape(-1, *[1] * (a.ndim - 1)), b, a)
            for a, b in zip(
                (old.x, old.shift, old.resistance, old.found),
                (new.x, new.shift, new.resistance, new.found),
                strict=True,
            )
        )
    )
