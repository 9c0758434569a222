"""Linear acoustics of a bore with side holes: transmission matrices, vectorised over frequency.

SI units throughout; a state is (pressure Pa, volume flow m³/s), time goes as exp(+jωt); a matrix takes the state at
its far end to the one at its near end (towards the player).

Sources: losses: Zwikker & Kosten 1949 (exact low-Mach tube) with the asymptotic series of its Bessel ratio; cones:
spherical waves (Chaigne & Kergomard, Acoustics of Musical Instruments, ch. 7); tone holes: T-section of Keefe 1982/1990
with the lengths of Nederveen et al. 1998 (t_i, t_m) and Dubos et al. 1999 (t_a), as Dalmont et al. 2002 use them;
radiation: fits of Dalmont, Nederveen & Joly 2001 to Levine & Schwinger and to Norris & Sheng, their disc above a hole.
All written down from memory and held to an independent library by the tests.
"""

import numpy as np
from scipy.special import jv

# Dry air at 25 °C (Chaigne & Kergomard, ch. 5).
SOUND_SPEED = 346.28  # m/s
DENSITY = 1.1845  # kg/m³
VISCOSITY = 1.832e-5  # Pa s
PRANDTL = 0.704
HEAT_RATIO = 1.402
HOLE_FLANGE = 0.5  # the wall around an open hole: halfway between none and an infinite baffle

Matrix = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def bessel_ratio(z: np.ndarray) -> np.ndarray:
    """J1/J0 of z = √(−j)·Stokes number: exact below |z| = 4, asymptotic above (its error there is below 1e-3)."""
    series = -1j + 1 / (2 * z) - 1j / (8 * z**2) - 1 / (8 * z**3)
    small = np.abs(z) < 4
    if np.any(small):
        series[small] = jv(1, z[small]) / jv(0, z[small])
    return series


def line(frequency: np.ndarray, radius: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
    """Propagation constant (1/m) and characteristic impedance of a tube with viscous and thermal losses."""
    omega = 2 * np.pi * frequency
    area = np.pi * np.square(radius)
    z = np.sqrt(-1j) * radius * np.sqrt(omega * DENSITY / VISCOSITY)
    viscous = 2 * bessel_ratio(z) / z
    thermal = 2 * bessel_ratio(z * np.sqrt(PRANDTL)) / (z * np.sqrt(PRANDTL))
    series = 1j * omega * DENSITY / area / (1 - viscous)
    shunt = 1j * omega * area / (DENSITY * SOUND_SPEED**2) * (1 + (HEAT_RATIO - 1) * thermal)
    return np.sqrt(series * shunt), np.sqrt(series / shunt)


def cone(frequency: np.ndarray, near: float, far: float, length: float) -> Matrix:
    """Matrix of a cone (a cylinder where the radii are equal); the losses are those of its mean radius."""
    gamma, impedance = line(frequency, (near + far) / 2)
    impedance = impedance * ((near + far) / 2) ** 2 / (near * far)
    slope = (far - near) / length
    cosine, sine = np.cosh(gamma * length), np.sinh(gamma * length)
    a = far / near * cosine - sine * slope / (gamma * near)
    b = impedance * sine
    d = near / far * cosine + sine * slope / (gamma * far)
    return a, b, (a * d - 1) / b, d


def reflection_impedance(frequency: np.ndarray, radius: float, flange: float) -> np.ndarray:
    """Radiation impedance of an open end; `flange` 0: unflanged, 1: in an infinite baffle, between: interpolated."""
    ka = np.minimum(2 * np.pi * frequency * radius / SOUND_SPEED, 3.8)  # the fits end there
    bare = (1 + 0.2 * ka - 0.084 * ka**2) / (1 + 0.2 * ka + 0.416 * ka**2)
    baffled = (1 + 0.323 * ka - 0.077 * ka**2) / (1 + 0.323 * ka + 0.923 * ka**2)
    bare_length = 0.6133 * (1 + 0.044 * ka**2) / (1 + 0.19 * ka**2) - 0.02 * np.sin(2 * ka) ** 2
    baffled_length = 0.8216 / (1 + (0.77 * ka) ** 2 / (1 + 0.77 * ka))
    size = bare + flange * (baffled - bare)
    reflected = -size * np.exp(-2j * ka * (bare_length + flange * (baffled_length - bare_length)))
    return DENSITY * SOUND_SPEED / (np.pi * radius**2) * (1 + reflected) / (1 - reflected)


def pad_length(radius: float, height: float, wall: float = 0.0015) -> float:
    """Further end correction (m) by a pad of 1.3 hole radii `height` above an open hole (inf: no pad)."""
    if not np.isfinite(height):
        return 0.0
    h = height / radius
    near = 3.5 * h**0.8 * (h + 3 * wall / radius) ** -0.4
    return radius / (near + 30 * (h / 1.3) ** 2.6)


def matching_length(bore: float, radius: float) -> float:
    """Length of a hole by which its cylinder meets the curved wall (t_m)."""
    delta = radius / bore
    return radius * delta / 8 * (1 + 0.207 * delta**3)


def hole(
    frequency: np.ndarray, bore: float, radius: float, chimney: float, height: float, is_open: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Half of the series impedance, the shunt impedance, and the flow that leaves per flow that enters (0: closed).

    `is_open` broadcasts against `frequency`; `bore` is the bore's radius at the hole.
    """
    delta = radius / bore
    omega = 2 * np.pi * frequency
    area = np.pi * radius**2
    inner = radius * (0.82 - 0.193 * delta - 1.09 * delta**2 + 1.27 * delta**3 - 0.71 * delta**4)
    polynomial = 0.94 + 0.54 * delta + 0.285 * delta**2
    steep = np.tanh(1.84 * chimney / radius)
    series_length = np.where(is_open, 1.78 * steep, 1.78 / steep) + polynomial
    half_series = -0.5j * omega * DENSITY / (np.pi * bore**2) * radius * delta**2 / series_length

    length = chimney + matching_length(bore, radius)
    gamma, impedance = line(frequency, radius)
    cosine, sine = np.cosh(gamma * length), np.sinh(gamma * length)
    end = (
        reflection_impedance(frequency, radius, HOLE_FLANGE) + 1j * omega * DENSITY * pad_length(radius, height) / area
    )
    leaves = 1 / (sine / impedance * end + cosine)
    opened = (cosine * end + impedance * sine) * leaves
    shunt = np.where(is_open, opened, impedance * cosine / sine) + 1j * omega * DENSITY * inner / area
    return half_series, shunt, np.where(is_open, leaves, 0)


def narrow_tube(frequency: np.ndarray, radius: np.ndarray, length: np.ndarray) -> np.ndarray:
    """Series impedance of a short narrow tube, Poiseuille's at low frequency, with the inertance of its two ends."""
    z = np.sqrt(-1j) * radius * np.sqrt(2 * np.pi * frequency * DENSITY / VISCOSITY)
    area = np.pi * radius**2
    inertance = 2j * np.pi * frequency * DENSITY / area
    return inertance * (length / (1 - 2 * bessel_ratio(z) / z) + 1.6 * radius)
