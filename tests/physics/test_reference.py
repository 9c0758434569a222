"""Input impedance of whole bores against openwind, an independent acoustics library (GPL, in the tests only)."""

from dataclasses import replace

import numpy as np
import openwind
import pytest

from physics import tube
from physics.bores import Bore, cavity_length, draw, fingerings, network


def by_library(bore: Bore, opened: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """Input impedance where the mouthpiece's cylinder begins (the reed gives way in neither).

    The library takes the matching length for a mass only, also in closed holes; here it is a part of the chimney.
    """
    points, radii = bore.profile()
    above = cavity_length(bore)
    line = [[-above, 0.0, bore.design.cavity_radius, bore.design.cavity_radius, "linear"]]
    spans = zip(points[:-1], points[1:], radii[:-1], radii[1:], strict=True)
    line += [[a, b, first, last, "linear"] for a, b, first, last in spans]
    holes = [["label", "position", "chimney", "radius"]]
    for i, (x, t, r) in enumerate(zip(bore.x, bore.chimney, bore.radius, strict=True)):
        holes.append([f"h{i}", x, t + tube.matching_length(bore.radius_at(x), r), r])
    chart = [["label", "one"], *([f"h{i}", "o" if is_open else "x"] for i, is_open in enumerate(opened))]
    result = openwind.ImpedanceComputation(
        hz, line, holes, chart, temperature=25, losses="bessel", note="one", compute_method="TMM", nb_sub=8,
        discontinuity_mass=False, radiation_category="unflanged", ref_phy_coef="Chaigne_Kergomard",
    )  # fmt: skip
    return result.impedance


def peaks(hz: np.ndarray, height: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies and heights of the first three peaks."""
    top = np.flatnonzero((height[1:-1] > height[:-2]) & (height[1:-1] > height[2:]))[:3] + 1
    left, middle, right = (np.log(height[top + k]) for k in (-1, 0, 1))
    shift = 0.5 * (left - right) / (left - 2 * middle + right)
    return hz[top] + shift * (hz[1] - hz[0]), np.exp(middle - 0.25 * (left - right) * shift)


@pytest.mark.filterwarnings("ignore:With Chaigne")
@pytest.mark.parametrize("key", ["clarinet_b_flat", "saxophone_alto"])
def test_peaks_of_drawn_bores_are_those_of_the_library(key, monkeypatch):
    monkeypatch.setattr(tube, "HOLE_FLANGE", 0.0)
    bore = draw(key, np.random.default_rng(7), "learning")
    # The library's series length of a hole is that of long chimneys, and it knows no pads and no reed.
    chimney = np.maximum(bore.chimney, 1.5 * bore.radius)
    design = replace(bore.design, reed_volume=0.0)
    bore = replace(bore, chimney=chimney, height=np.full_like(bore.x, np.inf), design=design)
    fingers = fingerings(bore)
    for note in (0, 12):
        hz = np.arange(0.7, 5.3 if key.startswith("clarinet") else 3.4, 0.012) * fingers.sounding_hz[note]
        state = network(bore, fingers.opened[note : note + 1], hz[None])
        ours = peaks(hz, np.abs(state.pressure / state.flow)[0])
        theirs = peaks(hz, np.abs(by_library(bore, fingers.opened[note], hz)))
        assert ours[0].size == 3
        assert np.abs(1200 * np.log2(ours[0] / theirs[0])).max() < 2  # found: 0.9
        assert np.abs(ours[1] / theirs[1] - 1).max() < 0.04  # found: 0.02
