"""Levels of a note in overlapping octaves, for judging where in the spectrum it is weak.

Own definition. A hard band would jump whenever a harmonic of a rising scale crosses its edge; these bands rise and fall
in a straight line over the octave below and above their middle. What a room or a note's colour does to one harmonic is
mostly chance, so the strongest must not speak for all: a fourth root of the energies is summed, not the energies.
"""

import numpy as np

from evenbore.facts.arrays import Floats, Floats32
from evenbore.setups.harmonics import blocks

MIDDLES_HZ = (1000.0, 2000.0, 4000.0)
ROOT = 4
OCTAVES = tuple(f"octave_{middle:.0f}_db" for middle in MIDDLES_HZ)


def octave_levels(level_db: Floats32, f0_hz: Floats32) -> dict[str, Floats]:
    """10 lg (Σ w E_h^(1/ROOT))^ROOT, w = max(0, 1 − |log2(h f0 / middle)|), of harmonics (N, H) of energy E_h, given in
    dB re full scale.

    (N,) for each of OCTAVES; NaN where no harmonic in the band stands out of the noise.

    >>> levels = octave_levels(np.array([[-6.0]]), np.array([1000 * 2**0.5]))  # w = 1/2, 1/2, 0: −6 + 40 lg 0.5
    >>> [round(float(level[0]), 2) for level in levels.values()]
    [-18.04, -18.04, nan]
    """
    numbers = np.arange(1, level_db.shape[1] + 1)
    levels = np.full((len(OCTAVES), len(level_db)), np.nan)
    for rows in blocks(len(level_db)):
        root = np.where(np.isnan(level_db[rows]), 0.0, 10 ** (np.nan_to_num(level_db[rows]) / (10 * ROOT)))
        octave = np.log2(f0_hz[rows, None] * numbers)
        for level, middle in zip(levels, MIDDLES_HZ, strict=True):
            weight = np.clip(1 - np.abs(octave - np.log2(middle)), 0, None)
            total = np.sum(np.nan_to_num(weight) * root, axis=1)
            with np.errstate(divide="ignore"):
                level[rows] = np.where(total > 0, 10 * ROOT * np.log10(total), np.nan)
    return dict(zip(OCTAVES, levels, strict=True))
