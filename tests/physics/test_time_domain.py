"""The harmonic balance against the same reed, bore and leak stepped through time: no harmonics, no Newton on a period.

The bore is what its two ports (reed, leak) return of what is sent in: inverse transforms of its scattering matrix.
"""

from dataclasses import replace

import numpy as np
from numba import njit

from physics.bores import Bore, draw, fingerings, network
from physics.effects import Tight, tight
from physics.play import CONTRACTION, HARMONICS, LEARNING, SMOOTH, Cases, Player, balance
from physics.tube import DENSITY, SOUND_SPEED, narrow_tube

RATE = 88_200
GRID = 4096  # frequencies up to half the rate
LENGTH = 2500  # samples of the bore's answers that are kept, 28 ms


def ports(bore: Bore, opened: np.ndarray, node: int) -> tuple[np.ndarray, np.ndarray]:
    """Impulse answers (2, 2, T) of the waves returned at reed and leak, and the two reference impedances."""
    hz = np.arange(GRID + 1) * RATE / 2 / GRID
    hz[0] = 0.5
    bare = replace(bore, design=replace(bore.design, reed_volume=0.0))  # the reed's giving way is stepped beside it
    state = network(bare, opened[None], hz[None])
    p, u, at = state.pressure[0], state.flow[0], state.at[node, 0]
    up_p, up_u = state.up_p[node, 0], state.up_u[node, 0]
    z = np.array([[p / u, p * up_u / u - up_p], [at / u, at * up_u / u]]).transpose(2, 0, 1)
    reference = np.array([bore.input_impedance(), bore.input_impedance() / 2])
    scale = np.diag(reference)
    scattered = (z - scale) @ np.linalg.inv(z + scale)
    fade = np.clip((20_000 - hz) / 8000, 0, 1)
    scattered *= (np.sin(np.pi / 2 * fade) ** 2)[:, None, None]
    scattered[0] = scattered[0].real
    return np.fft.irfft(scattered, axis=0).transpose(1, 2, 0)[:, :, :LENGTH], reference


@njit(cache=True)
def stepped(answers, reference, zeta, blowing, unit, volume, resonance, damping, smooth, leak, hummed, steps):
    """Mouthpiece pressure over time, in units of the closing pressure; `leak`: resistance, inertance, jet (0: none)."""
    length = answers.shape[2]
    late = answers[:, :, :0:-1].copy()
    sent = np.zeros((2, steps + length))
    out = np.zeros(steps)
    place = speed = flow_before = pressure = before = 0.0
    two = reference[1]
    near = answers[0, 0, 0]
    near_two = answers[1, 1, 0]
    dt = 1.0 / RATE
    omega = 2 * np.pi * resonance
    for n in range(steps):
        blown = blowing * min(1.0, n / (0.005 * RATE))
        first, second = sent[0, n : n + length - 1], sent[1, n : n + length - 1]  # oldest first
        back = np.array([np.dot(late[i, 0], first) + np.dot(late[i, 1], second) for i in range(2)])
        # The reed follows the pressure, a step behind.
        speed = (speed + dt * omega * omega * (pressure - place)) / (1 + dt * damping * omega)
        place += dt * speed
        gap = 1 - blown + place
        wide = 0.5 * (gap + np.sqrt(gap * gap + smooth * smooth))
        # The player hums the note until it stands: the overblown register would not start by itself.
        history = back[0] / (1 - near) / unit + 0.3 * np.sin(2 * np.pi * hummed * n * dt) * (n < 0.06 * RATE)
        facing = (1 + near) / (1 - near)
        for _ in range(30):
            drop = blown - pressure
            soft = drop * drop + smooth * smooth
            quarter = soft**-0.25
            wrong = pressure - facing * (zeta * wide * drop * quarter - volume * (pressure - before) / dt) - history
            slope = 1 + facing * (zeta * wide * quarter * (1 - 0.5 * drop * drop / soft) + volume / dt)
            pressure -= wrong / slope
        drop = blown - pressure
        flow = zeta * wide * drop * (drop * drop + smooth * smooth) ** -0.25 - volume * (pressure - before) / dt
        before = pressure
        sent[0, n + length - 1] = unit * (pressure + flow)
        if leak[2] > 0:
            history_two = back[1] / (1 - near_two)
            total = leak[0] + leak[1] / dt + two * (1 + near_two) / (1 - near_two)
            push = history_two + leak[1] / dt * flow_before
            size = (-total + np.sqrt(total * total + 4 * leak[2] * abs(push))) / (2 * leak[2])
            flow_before = size if push > 0 else -size
            at = history_two - two * (1 + near_two) / (1 - near_two) * flow_before
            sent[1, n + length - 1] = at - two * flow_before
        else:
            sent[1, n + length - 1] = back[1] / (1 - near_two)
        out[n] = pressure
    return out


def harmonics(sound: np.ndarray, hz: float) -> tuple[np.ndarray, float]:
    """Levels in dB of the first eight harmonics at the end of a sound, and its frequency near `hz`."""
    span = int(12 / hz * RATE)
    window = np.hanning(span)

    def projected(start: int, order: int, hz: float) -> complex:
        t = np.arange(start, start + span) / RATE
        return complex(np.sum(window * sound[start : start + span] * np.exp(-2j * np.pi * order * hz * t)))

    end = sound.size - span
    for _ in range(3):
        turned = np.angle(projected(end, 1, hz) / projected(end - int(2 / hz * RATE), 1, hz))
        hz += turned / (2 * np.pi) / (int(2 / hz * RATE) / RATE)
    return 20 * np.log10(np.abs([projected(end, k, hz) for k in range(1, 9)])), hz


def test_harmonic_balance_agrees_with_steps_through_time():
    bore = draw("clarinet_b_flat", np.random.default_rng(5), "learning")
    whole = tight(bore, LEARNING, ("mf",))
    for note, hole in ((0, 6), (8, 3), (24, 12)):  # low register and clarion, a 1.1 mm leak
        bank = ports(bore, fingerings(bore).opened[note], the_leak(whole, hole)[0])
        tones = [
            (stepped_tone(whole, note, hole, leaks, *bank), balanced_tone(whole, note, hole, leaks)) for leaks in (0, 1)
        ]
        (steps, steps_hz), (found, found_hz) = tones[0]
        strong = found - found[0] > -40
        assert strong.sum() >= 3
        assert abs(1200 * np.log2(steps_hz / found_hz)) < 2  # found: at most 0.6
        assert np.abs((steps - steps[0]) - (found - found[0]))[strong].max() < 1  # found: at most 0.4
        change_steps, change_found = (tones[1][i][0] - tones[0][i][0] for i in (0, 1))
        assert np.abs(change_steps - change_found)[strong].max() < 2  # found: at most 1.2
        sharper_steps, sharper_found = (1200 * np.log2(tones[1][i][1] / tones[0][i][1]) for i in (0, 1))
        assert abs(sharper_steps - sharper_found) < 2  # found: at most 1.2


def the_leak(whole: Tight, hole: int) -> tuple[int, float]:
    """The hole's place in the bore, and the radius of a leak of 1.1 mm there."""
    bore = whole.table.bore
    node = int(np.flatnonzero(bore.listed == hole)[0])
    return node, 0.55e-3 * float(bore.radius_at(bore.x[node])) / 0.0074


def stepped_tone(
    whole: Tight, note: int, hole: int, leaks: int, answers: np.ndarray, reference: np.ndarray
) -> tuple[np.ndarray, float]:
    bore, (_, radius) = whole.table.bore, the_leak(whole, hole)
    hz = whole.f0[0, note]
    narrow = narrow_tube(np.array([hz]), np.array([radius]), np.array(bore.design.seat))[0]
    jet = DENSITY / 2 / (CONTRACTION * np.pi * radius**2) ** 2
    leak = np.array([narrow.real, narrow.imag / (2 * np.pi * hz), jet]) * leaks
    player = Player(whole.table, whole.cases)
    volume = bore.design.reed_volume / (DENSITY * SOUND_SPEED**2) * bore.input_impedance()
    sound = stepped(
        answers, reference, player.zeta, whole.blowing[0], player.unit[0], volume, player.resonance,
        LEARNING.damping, SMOOTH, leak, hz, int(0.35 * RATE),
    )  # fmt: skip
    return harmonics(sound, hz)


def balanced_tone(whole: Tight, note: int, hole: int, leaks: int) -> tuple[np.ndarray, float]:
    node, radius = the_leak(whole, hole)
    cases = Cases(np.array([note]), whole.blowing, np.array([[node if leaks else -1]]), np.array([[radius]]))
    start = replace(whole.tone[np.array([note])], resistance=np.full((1, 1), 1e7))
    tone = balance(Player(whole.table, cases), start, np.ones(HARMONICS))
    assert tone.found[0]
    return 20 * np.log10(np.abs(tone.x[0, :8])), whole.table.centre[note] * (1 + tone.shift[0])
