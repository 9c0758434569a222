"""Weightings and bands that acoustics standards define.

Conventions: frequencies in Hz, weights in dB; arrays of any shape unless stated.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from evenbore.facts.arrays import Floats

# IEC 61672-1:2013, annex E: pole frequencies of the A-weighting.
A_POLES = (20.598997, 107.65265, 737.86223, 12194.217)

# ITU-R BS.1770-4, annex 1, tables 1 and 2: the two filters of the K-weighting, numerators and denominators
# at 48 kHz. Other rates are to have the same response, so it is taken from these whatever the rate.
K_RATE = 48_000
K_FILTERS = (
    ((1.53512485958697, -2.69169619938640, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585)),
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)),
)

# ISO 266:1997: nominal mid-band frequencies of one decade of one-third octaves, the exact one being
# 10**(n / 10) for n = 0 … 9.
NOMINAL_DECADE = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


@dataclass(frozen=True)
class Bands:
    """One-third octaves, arrays (B,) in Hz: nominal and exact mid-band frequency, lower and upper edge."""

    nominal: Floats
    centre: Floats
    lower: Floats
    upper: Floats


@cache
def third_octave_bands(lowest_hz: float = 20.0, highest_hz: float = 20_000.0) -> Bands:
    """The bands whose nominal mid-band frequency lies from `lowest_hz` to `highest_hz`, both included.

    Base ten: centre 1000·G^(x/3), edges centre·G^(± 1/6), G = 10^(3/10) (IEC 61260-1:2014, 5.2–5.5).

    >>> band = third_octave_bands(1000.0, 1000.0)  # its edges: 10^2.95 and 10^3.05
    >>> print(band.lower.round(1), band.centre, band.upper.round(1))
    [891.3] [1000.] [1122.]
    """
    number = np.arange(-10, 61)  # 0.1 Hz to 1 MHz, as powers 10**(number / 10)
    decade, place = np.divmod(number, 10)
    nominal = np.round(np.array(NOMINAL_DECADE)[place] * 10.0**decade, 6)
    wanted = (nominal >= lowest_hz) & (nominal <= highest_hz)
    centre = 10.0 ** (number[wanted] / 10)
    half = 10.0**0.05
    return Bands(nominal[wanted], centre, centre / half, centre * half)


def a_weight_db(frequency_hz: Floats | float) -> Floats:
    """A-weighting in dB, 0 dB at 1 kHz (IEC 61672-1:2013, annex E, formula E.6); -inf at 0 Hz.

    >>> a_weight_db(np.array([100.0, 1000.0, 10_000.0])).round(1)  # IEC 61672-1, table 3
    array([-19.1,   0. ,  -2.5])
    """
    return _a_gain_db(frequency_hz) - _a_gain_db(1000.0)


def _a_gain_db(frequency_hz: Floats | float) -> Floats:
    f2 = np.square(np.asarray(frequency_hz, float))
    p1, p2, p3, p4 = (pole**2 for pole in A_POLES)
    with np.errstate(divide="ignore"):
        gain: Floats = 20 * np.log10(f2**2 * p4 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4)))
    return gain


def k_weight_power(frequency_hz: Floats) -> Floats:
    """Power response (not in dB) of the K-weighting (ITU-R BS.1770-4), constant above 24 kHz.

    >>> print(f"{10 * np.log10(k_weight_power(np.array([997.0]))[0]):.2f} dB")  # what the −0.691 of the loudness undoes
    0.69 dB
    """
    from_0_hz = 2 * np.sin(np.pi * np.minimum(frequency_hz, K_RATE / 2) / K_RATE) ** 2  # 1 - cos w
    power = np.ones(from_0_hz.shape)
    for b, a in K_FILTERS:
        power *= _power(b, from_0_hz) / _power(a, from_0_hz)
    return power


def _power(taps: Sequence[float], from_0_hz: Floats) -> Floats:
    """|c0 + c1 z + c2 z²|² of three taps on the unit circle, by 1 - cos w."""
    c0, c1, c2 = taps
    return (c0 + c1 + c2) ** 2 - from_0_hz * (2 * c1 * (c0 + c2) + 8 * c0 * c2 - 4 * c0 * c2 * from_0_hz)
