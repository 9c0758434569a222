"""What leaks, and what is taken for them, change of a woodwind's tones, all against the same bore and reed in order.

Sizes are diameters in mm of a leak on a B flat clarinet; elsewhere they grow with the bore's radius at the hole over
7.4 mm, which keeps a leak's share of the local flow about the same (so 1.1 mm is 1.7 mm on a bass clarinet).

`attack_ms`: time from 15 % of the tone's fundamental to all of it at the rate of linear growth, the leak's jet
resistance taken at 15, 39 and 100 % on the way; empty where a small oscillation does not grow, as in soft tones of
conical bores that a tongue has to kick. `speaks`: a tone of the right register is found, and a low note's own mode
grows or the overblown one does not either. If not, the tone has jumped, beats or died: which one is not told.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from physics.bores import NEVER, Bore
from physics.play import DYNAMICS, HARMONICS, Cases, Player, Reed, Table, Tone, balance, table, tight_tones

CLARINET_RADIUS = 0.0074
# Share of the final pressure that the first step of breath makes when the tongue lets go: ζ(1 − γ)√γ against about 0.6.
START = 0.15
# ASSUME: tuned by trial. Change of a flute's relative jet speed per change of a reed's `blowing`.
FLUTE_SHARE = 1.2


@dataclass(frozen=True)
class Tight:
    """An instrument in order: tones for D dynamics of N written notes; levels dB, `f0` Hz, `attack_ms`, `speaks`."""

    table: Table
    blowing: np.ndarray
    cases: Cases
    tone: Tone
    levels: np.ndarray  # (D, N, H)
    f0: np.ndarray  # (D, N)
    attack_ms: np.ndarray  # (D, N)
    speaks: np.ndarray  # (D, N)


@dataclass(frozen=True)
class Effects:
    """Changes against the tight bore: level dB (K, S, D, N, H), `cents`, `attack_ms`, `speaks` (K, S, D, N).

    K faults, S sizes, D dynamics, N notes, H harmonics. `holes` (K,): place in the family's list of holes, −1: none.
    NaN where either tone does not speak; 0 where the fault does not act on the fingering.
    """

    notes: np.ndarray
    holes: np.ndarray
    level: np.ndarray
    cents: np.ndarray
    attack_ms: np.ndarray
    speaks: np.ndarray
    tight: Tight


@dataclass(frozen=True)
class Leak:
    """Leaking holes, counted in the bore from the top; `below`: only fingered notes below this written note."""

    holes: tuple[int, ...]
    listed: int = -1
    below: int = NEVER
    larger: float = 1.0


def tight(bore: Bore, reed: Reed, dynamics: Sequence[str] = DYNAMICS) -> Tight:
    """The instrument in order, its table laid around the notes it plays."""
    blowing = _blowing(bore, reed, dynamics)
    first = table(bore, reed)
    cases, tone = tight_tones(first, blowing)
    shape = blowing.size, first.centre.size
    shifts = np.where(tone.found, tone.shift, np.nan).reshape(shape)
    middle = np.where(np.isfinite(shifts).any(axis=0), np.nanmean(np.nan_to_num(shifts), axis=0), 0)
    tab = table(bore, reed, first.centre * (1 + middle))
    player = Player(tab, cases)
    moved = replace(tone, shift=(1 + tone.shift) / (1 + np.tile(middle, shape[0])) - 1)
    tone = balance(player, moved, np.ones(HARMONICS))
    tone = replace(tone, found=tone.found & moved.found)
    attack, speaks = _start(player, tone)
    levels = np.where(speaks[:, None], player.heard(tone), np.nan)
    f0 = np.where(speaks, tab.centre[cases.note] * (1 + tone.shift), np.nan)
    attack = np.where(speaks, attack, np.nan)
    return Tight(
        tab, blowing, cases, tone,
        levels.reshape(*shape, -1), f0.reshape(shape), attack.reshape(shape), speaks.reshape(shape),
    )  # fmt: skip


def _start(player: Player, tone: Tone) -> tuple[np.ndarray, np.ndarray]:
    """Attack in ms (C,) and whether the tone speaks."""
    rates = np.array([player.growth(tone, loudness) for loudness in (START, START**0.5, 1.0)])
    slow = np.where(rates > 0, 1 / np.maximum(rates, 1e-3), np.nan).mean(axis=0)
    fingers = player.tab.fingers
    overblown = player.growth(tone, START, 3 if player.tab.bore.family.overblow == 19 else 2)
    jumps = ~fingers.overblown[player.cases.note] & (rates[0] < 0) & (overblown > 0)
    return 1000 * np.log(1 / START) * slow, tone.found & ~jumps


def effects(bore: Bore, reed: Reed, sizes_mm: Sequence[float], dynamics: Sequence[str] = DYNAMICS) -> Effects:
    """A leak at each of the family's holes, one at a time."""
    faults = [Leak((node,), int(bore.listed[node])) for node in np.flatnonzero(bore.listed >= 0)]
    return leaking(tight(bore, reed, dynamics), faults, sizes_mm)


def leaking(whole: Tight, faults: Sequence[Leak], sizes_mm: Sequence[float]) -> Effects:
    """Leaks, several of them, leaking vents (`vent_leaks`) and steps (`step`) at any holes of the bore."""
    tab, bore = whole.table, whole.table.bore
    levels, notes = whole.f0.shape
    shape = len(faults), len(sizes_mm), levels, notes
    slots = max(len(fault.holes) for fault in faults)
    index = np.indices(shape).reshape(4, -1)
    holes = np.full((len(faults), slots), -1)
    for i, fault in enumerate(faults):
        holes[i, : len(fault.holes)] = fault.holes
    hole = holes[index[0]]
    closed = ~tab.fingers.opened[index[3][:, None], np.maximum(hole, 0)] & (hole >= 0)
    below = np.array([fault.below for fault in faults])[index[0]]
    closed &= (tab.fingers.fingered[index[3]] < below)[:, None]
    larger = np.array([fault.larger for fault in faults])[index[0]]
    local = bore.radius_at(bore.x[np.maximum(hole, 0)]) / CLARINET_RADIUS
    radius = np.asarray(sizes_mm)[index[1]][:, None] / 2000 * local * larger[:, None]
    acts = closed.any(axis=1) & whole.speaks[index[2], index[3]]
    index, hole, radius = index[:, acts], np.where(closed, hole, -1)[acts], radius[acts]
    row = index[2] * notes + index[3]
    player = Player(tab, Cases(index[3], whole.blowing[index[2]], hole, radius))
    start = whole.tone[row]
    start = replace(start, resistance=np.full(hole.shape, 1e6))
    for _ in range(4):
        start = replace(start, resistance=player.jets(start.x, start.shift, start.resistance))
    tone = balance(player, start, np.ones(HARMONICS), least=0.1)
    attack, speaks = _start(player, tone)

    out = _unchanged(whole, [fault.listed for fault in faults], len(sizes_mm))
    place = tuple(index)
    blank = np.where(speaks, 0.0, np.nan)
    out.level[place] = player.heard(tone) - whole.levels[place[2:]] + blank[:, None]
    f0 = tab.centre[index[3]] * (1 + tone.shift)
    out.cents[place] = 1200 * np.log2(f0 / whole.f0[place[2:]]) + blank
    out.attack_ms[place] = attack - whole.attack_ms[place[2:]] + blank
    out.speaks[place] = speaks
    return out


def _unchanged(whole: Tight, holes: Sequence[int], sizes: int) -> Effects:
    shape = len(holes), sizes, *whole.f0.shape
    zero = np.where(whole.speaks, 0.0, np.nan)
    return Effects(
        whole.table.fingers.written,
        np.array(holes),
        np.broadcast_to(zero[..., None], (*shape, HARMONICS)).copy(),
        np.broadcast_to(zero, shape).copy(),
        np.broadcast_to(zero, shape).copy(),
        np.broadcast_to(whole.speaks, shape).copy(),
        whole,
    )


def vent_leaks(bore: Bore) -> list[Leak]:
    """Each register or octave vent closed imperfectly: it leaks wherever it should be shut."""
    return [Leak((int(node),)) for node in np.flatnonzero(bore.vent_low > 0)]


def step(bore: Bore, hole: int, joint: int, larger: float = 1.5) -> Leak:
    """A pad that the key of a lower hole brings down with its own and leaves ajar: fine down to that hole's note.

    Both are places in the family's list of holes.
    """
    node = int(np.flatnonzero(bore.listed == hole)[0])
    return Leak((node,), hole, below=bore.family.holes[joint].first_open_for, larger=larger)


def otherwise(whole: Tight, others: Sequence[tuple[Bore, Reed]], dynamics: Sequence[str] = DYNAMICS) -> Effects:
    """The same notes on other bores (`low_pad`, `small_hole`) or with other reeds (`dull`, `soft`): K, one size."""
    out = _unchanged(whole, [-1] * len(others), 1)
    shape = whole.f0.shape
    for i, (bore, reed) in enumerate(others):
        tab = table(bore, reed, whole.table.centre)
        player = Player(tab, replace(whole.cases, blowing=np.repeat(_blowing(bore, reed, dynamics), shape[1])))
        tone = balance(player, whole.tone, np.ones(HARMONICS), least=0.1)
        attack, speaks = _start(player, tone)
        blank = np.where(speaks, 0.0, np.nan).reshape(shape)
        f0 = (tab.centre[player.cases.note] * (1 + tone.shift)).reshape(shape)
        out.level[i, 0] = player.heard(tone).reshape(*shape, -1) - whole.levels + blank[..., None]
        out.cents[i, 0] = 1200 * np.log2(f0 / whole.f0) + blank
        out.attack_ms[i, 0] = attack.reshape(shape) - whole.attack_ms + blank
        out.speaks[i, 0] = speaks.reshape(shape) & whole.speaks
    return out


def _blowing(bore: Bore, reed: Reed, dynamics: Sequence[str]) -> np.ndarray:
    """What is blown at each dynamic (D,); a flute's jet speed changes by a fifth of that of a reed's pressure."""
    blowing = np.array([reed.blowing[DYNAMICS.index(d)] for d in dynamics])
    return 1 + FLUTE_SHARE * (blowing - 0.5) if bore.is_flute else blowing


def dull(reed: Reed, stiffness: float = 0.85, opening: float = 0.8) -> Reed:
    """A tired reed: softer and less open, blown with the same pressure in pascals."""
    return replace(
        reed,
        stiffness=reed.stiffness * stiffness,
        opening=reed.opening * opening,
        damping=reed.damping * 1.4,
        blowing=tuple(b / stiffness for b in reed.blowing),
    )


def soft(reed: Reed, share: float = 0.9) -> Reed:
    """Everything blown more softly."""
    return replace(reed, blowing=tuple(b * share for b in reed.blowing))


def small_hole(bore: Bore, hole: int, share: float = 0.8) -> Bore:
    """One of the family's holes (place in its list) too narrow, by that share of its radius."""
    return replace(bore, radius=np.where(bore.listed == hole, bore.radius * share, bore.radius))


def low_pad(bore: Bore, hole: int, height: float = 0.2) -> Bore:
    """One of the family's pads standing too low over its open hole, in hole radii."""
    return replace(bore, height=np.where(bore.listed == hole, bore.radius * height, bore.height))
