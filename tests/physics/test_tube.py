"""The bore's parts against closed forms and published figures."""

from dataclasses import replace

import numpy as np
import pytest

from physics.bores import chain, draw, fingerings, network
from physics.tube import (
    DENSITY,
    SOUND_SPEED,
    VISCOSITY,
    cone,
    hole,
    line,
    narrow_tube,
    pad_length,
    reflection_impedance,
)


def input_of(matrix, load):
    a, b, c, d = matrix
    return (a * load + b) / (c * load + d)


def peak(hz, height):
    return hz[np.argmax(height)]


def test_a_closed_cylinder_resonates_at_odd_quarters_of_its_length_with_the_unflanged_end_correction():
    # Levine & Schwinger 1948: an open end adds 0.6133 radii. Fletcher & Rossing, eq. 8.15: losses slow the
    # wave by 1.65e-3 / (a √f).
    radius, length = 0.0075, 0.5
    for odd in (1, 3, 5):
        expected = odd * SOUND_SPEED / 4 / (length + 0.6133 * radius)
        hz = np.linspace(0.97, 1.01, 4001) * expected
        z = input_of(cone(hz, radius, radius, length), reflection_impedance(hz, radius, 0))
        slowed = 1 - 1.65e-3 / (radius * np.sqrt(expected))
        assert peak(hz, np.abs(z)) / expected == pytest.approx(slowed, abs=8e-4)


def test_the_ends_radiate_as_levine_and_schwinger_and_a_baffle_say():
    hz = np.array([50.0])
    ka = 2 * np.pi * hz * 0.01 / SOUND_SPEED
    z = reflection_impedance(hz, 0.01, 0) * np.pi * 0.01**2 / (DENSITY * SOUND_SPEED)
    assert z.imag / ka == pytest.approx(0.6133, rel=2e-3)
    assert z.real / ka**2 == pytest.approx(0.25, rel=0.01)
    z = reflection_impedance(hz, 0.01, 1) * np.pi * 0.01**2 / (DENSITY * SOUND_SPEED)
    assert z.imag / ka == pytest.approx(0.8216, rel=2e-2)
    assert z.real / ka**2 == pytest.approx(0.5, rel=0.02)


def test_losses_follow_the_square_root_of_frequency_over_radius():
    # Fletcher & Rossing: attenuation of about 3e-5 √f / a for wide tubes, per metre.
    for hz, radius in ((200.0, 0.0075), (1000.0, 0.0075), (300.0, 0.02)):
        gamma, _ = line(np.array([hz]), radius)
        assert gamma.real[0] == pytest.approx(3e-5 * np.sqrt(hz) / radius, rel=0.06)


def test_a_whole_cone_has_a_complete_harmonic_series():
    near, slope, length = 0.0005, 0.03, 1.0
    far = near + slope * length
    hz = np.arange(100.0, 900, 0.1)
    z = np.abs(input_of(cone(hz, near, far, length), 0.0 * hz))
    tops = hz[1:-1][(z[1:-1] > z[:-2]) & (z[1:-1] > z[2:])][:4]
    # Fletcher & Rossing, eq. 8.54: sin k(L + x) = −… a truncation much shorter than the wave leaves n c / 2(L + x).
    assert tops / np.arange(1, 5) == pytest.approx(SOUND_SPEED / 2 / (length + near / slope), rel=0.012)


def test_a_cone_cut_in_pieces_is_the_same_cone_where_losses_are_small():
    hz = np.linspace(100, 3000, 50)
    whole = cone(hz, 0.01, 0.02, 0.3)
    halves = chain(cone(hz, 0.01, 0.015, 0.15), cone(hz, 0.015, 0.02, 0.15))
    for one, other in zip(whole, halves, strict=True):
        assert np.abs(one - other).max() < 0.01 * np.abs(one).max()


def test_an_open_hole_cuts_the_tube_with_the_published_length_correction():
    # Nederveen: at low frequency the hole's and the lower tube's inertances side by side; the hole's length is its
    # chimney, 0.7 radii outside (between 0.61 and 0.82), and inside t_i and t_m of Nederveen et al. 1998.
    bore, radius, chimney, below = 0.0075, 0.0045, 0.006, 0.1
    inner = radius * (0.82 - 0.193 * 0.6 - 1.09 * 0.36 + 1.27 * 0.216 - 0.71 * 0.1296 + 0.6 / 8 * (1 + 0.207 * 0.216))
    hole_length = chimney + inner + 0.7 * radius
    expected = 1 / (0.6**2 / hole_length + 1 / (below + 0.61 * bore))
    hz = np.linspace(120, 180, 6001)
    half, shunt, _ = hole(hz, bore, radius, chimney, np.inf, np.array(True))
    lower = input_of(cone(hz, bore, bore, below), reflection_impedance(hz, bore, 0))
    load = half + 1 / (1 / shunt + 1 / (lower + half))
    top = peak(hz, np.abs(input_of(cone(hz, bore, bore, 0.5), load)))
    gamma, _ = line(np.array([top]), bore)
    assert np.pi / 2 / gamma.imag[0] - 0.5 == pytest.approx(expected, abs=0.0015)  # of 25 mm


def test_a_closed_hole_adds_its_volume():
    hz = np.array([100.0])
    _, shunt, _ = hole(hz, 0.0075, 0.004, 0.006, np.inf, np.array(False))
    volume = np.pi * 0.004**2 * (0.006 + 0.004 * 0.5333 / 8 * (1 + 0.207 * 0.5333**3))
    # Walls that hold the temperature make the air there a few per cent softer.
    assert (1 / shunt).imag[0] == pytest.approx(2 * np.pi * 100 * volume / (DENSITY * SOUND_SPEED**2), rel=0.06)


def test_a_pad_nearer_to_its_hole_adds_more_length():
    lengths = [pad_length(0.008, h) for h in (np.inf, 0.02, 0.008, 0.004, 0.001)]
    assert lengths[0] == 0 and np.all(np.diff(lengths) > 0)


def test_a_leak_is_poiseuilles_tube_at_low_frequency_and_inert_air_at_high():
    radius, length = 0.0003, 0.002
    low = narrow_tube(np.array([0.5]), np.array([radius]), np.array(length))[0]
    assert low.real == pytest.approx(8 * VISCOSITY * length / (np.pi * radius**4), rel=1e-3)
    high = narrow_tube(np.array([5e4]), np.array([radius]), np.array(length))[0]
    mass = DENSITY * (length + 1.6 * radius) / (np.pi * radius**2)
    assert high.imag / (2 * np.pi * 5e4) == pytest.approx(mass, rel=0.12)


@pytest.mark.parametrize("key", ["clarinet_b_flat", "oboe", "flute"])
def test_a_drawn_bore_is_reciprocal_and_a_drawn_flow_acts_as_an_opened_hole(key):
    bore = draw(key, np.random.default_rng(2), "testing")
    opened = fingerings(bore).opened[:1].copy()
    hz = np.linspace(200, 2000, 40)[None]
    shut = network(bore, opened, hz)
    node = 2
    assert shut.at[node] == pytest.approx(shut.pressure * shut.up_u[node] - shut.flow * shut.up_p[node], rel=1e-6)
    small = bore.radius.copy()
    small[node] = 0.0004  # so small that its series length does not count
    bore = replace(bore, radius=small)
    shut = network(bore, opened, hz)
    admittance = [
        1 / hole(hz, bore.radius_at(bore.x[node]), 0.0004, bore.chimney[node], bore.height[node], np.array(is_open))[1]
        for is_open in (False, True)
    ]
    flow = (admittance[1] - admittance[0]) * shut.at[node]
    opened[0, node] = True
    truly = network(bore, opened, hz)
    assert (shut.pressure + flow * shut.up_p[node]) / (shut.flow + flow * shut.up_u[node]) == pytest.approx(
        truly.pressure / truly.flow, rel=2e-3
    )
