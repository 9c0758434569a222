"""Offsets of whole takes, so that a take which lacks notes does not bend the others' means.

A player starts one take a few cents sharper than the next. Where all takes hold all notes that cancels in every note's
mean. Where one take stops early its offset would show as a step in the scale.
"""

import numpy as np

from evenbore.facts.arrays import Floats


def take_offsets(values: Floats) -> Floats:
    """Offset (T,) of every take by least squares of `values` (T, N) = note + take; NaN where a take lacks a note.

    Offsets average zero over takes joined by shared notes; a take that shares none has 0.
    """
    present = np.isfinite(values)
    known = np.where(present, values, 0.0)
    takes_of_note = np.maximum(present.sum(axis=0), 1)
    shared = present / takes_of_note
    # normal equations with the notes eliminated
    normal = np.diag(present.sum(axis=1).astype(float)) - shared @ present.T
    right = known.sum(axis=1) - shared @ known.sum(axis=0)
    offsets: Floats = np.linalg.pinv(normal, rcond=1e-9, hermitian=True) @ right
    return offsets
