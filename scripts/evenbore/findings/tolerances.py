"""What is let pass: tolerances by grade and family, from the config or learned from shipments accepted earlier.

A grade's tolerances may be different for single families (`families`). What is said of the grade counts before what
`default` says of the family. Where a family's accepted instruments are enough to tell, the tolerance of notes is that
below which 95 % of such instruments lie with 95 % confidence: mean + k s of their worst notes, k the factor of the
one-sided tolerance limit of a normal variable (Hahn & Meeker 1991, Statistical Intervals, 4.6, from memory; the factors
are tabulated there).
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy import special

from evenbore.facts.arrays import Floats
from evenbore.facts.rows import Row

TOLERANCE_SHARE, TOLERANCE_CONFIDENCE = 0.95, 0.95
# ASSUME: own choice, no source.
FEWEST_ACCEPTED = 6  # accepted instruments that a tolerance can be learned from
LEAST_CENTS = 5.0  # no learned tolerance is narrower: less is not noticed


def tolerance(config: Mapping[str, Any], sheet: Row) -> dict[str, float]:
    """Tolerances of an instrument of the sheet: its grade's for its family, else its grade's in general, else the
    default's for its family, else the default's."""
    merged: Row = {}
    for grade in ("default", sheet.get("grade") or "default"):
        of_grade = config["tolerances"][grade]
        merged |= of_grade | of_grade.get("families", {}).get(sheet["family"], {})
    merged.pop("families", None)
    return merged


def limit_factor(n: int) -> float:
    """k of the one-sided tolerance limit for n values."""
    return float(
        special.nctdtrit(n - 1, special.ndtri(TOLERANCE_SHARE) * np.sqrt(n), TOLERANCE_CONFIDENCE) / np.sqrt(n)
    )


def learned_cents(worst_cents: Floats) -> float | None:
    """Tolerance of notes from the worst notes (cents) of accepted instruments; None with fewer than FEWEST_ACCEPTED."""
    worst = np.asarray(worst_cents, float)
    worst = worst[np.isfinite(worst)]
    if len(worst) < FEWEST_ACCEPTED:
        return None
    return max(LEAST_CENTS, float(worst.mean() + limit_factor(len(worst)) * worst.std(ddof=1)))
