"""What a planted fault takes from the sound of a note: loss in dB over frequency.

Every function here makes a `Loss`: (WRITTEN note, its fundamental in Hz, frequencies (F,) in Hz, dynamic) -> dB (F,),
positive = weaker. Sources: run, as a sharp edge is commonly drawn (own definition); leak, the figures of a
tube-and-reed model of a B flat clarinet with a leak of 1.1 mm, which are not measurements of instruments.
"""

from collections.abc import Callable

import numpy as np

from evenbore.trade.families import Family
from synth.instrument import column, leak_loss_db

Loss = Callable[[int, float, np.ndarray, str], np.ndarray]

# The model at mezzo-forte: semitones below the leak -> change of level and of the energy above 2 kHz, dB, for a leak
# high on the tube, in its middle and low (the last figure of the middle and low rows is held).
BELOW = (0, 1, 2, 4, 8, 14)
TABLE = {
    "high": ((0, -1.1, -1.6, -2.8, -2.5, -3.2), (0, -4.8, -5.0, -7.7, -7.9, -10.6)),
    "middle": ((0, -1.1, -2.1, -2.0, -3.3, -3.3), (0, -4.3, -6.9, -7.4, -12.6, -12.6)),
    "low": ((0, -1.2, -2.1, -2.4, -2.4, -2.4), (0, -4.7, -6.5, -10.6, -10.6, -10.6)),
}
# Softer playing opens the leak's jet less, so that more of its effect is left; the model's own figures are for
# mezzo-forte, those for piano an assumption.
SHARE = {"pp": 1.8, "p": 1.6, "mp": 1.3, "mf": 1.0, "f": 0.3, "ff": 0.1}


def run(low: int, high: int, depth: float = 1.0) -> Loss:
    """4 dB and two first-order low-passes, at 1.2 and 2.5 kHz, on the notes from low to high; all of it times depth."""

    def loss(written, f0_hz, hz, dynamic):
        lost = 4 + 10 * np.log10(1 + (hz / 1200) ** 2) + 10 * np.log10(1 + (hz / 2500) ** 2)
        return depth * lost * (low <= written <= high)

    return loss


def tabled_leak(family: Family, hole: int, size: float = 1.0) -> Loss:
    """A leak at the hole that first opens for `hole`, by the model's table; second register by sin²(3 pi d / 2)."""
    places = [h.first_open_for for h in family.holes]
    third = (max(places) - min(places)) / 3
    where = "low" if hole < min(places) + third else "high" if hole > max(places) - third else "middle"

    def loss(written, f0_hz, hz, dynamic):
        note, mode = column(family, written)
        if note >= hole or mode > 3:
            return np.zeros(len(hz))
        level, top = (np.interp(hole - note, BELOW, row) for row in TABLE[where])
        if mode > 1:
            level, top = (
                row[4] * np.sin(mode * np.pi / 2 * (1 - 2 ** (-(hole - note) / 12))) ** 2 for row in TABLE[where]
            )
        upper = hz**4 / (hz**4 + 2000.0**4)
        return size * SHARE[dynamic] * (-level + (level - top) * upper)

    return loss


def modal_leak(family: Family, hole: int, size: float = 1.0) -> Loss:
    """A leak as the project's own synthesiser makes it, mode by mode; for conical bores too."""

    def loss(written, f0_hz, hz, dynamic):
        note, mode = column(family, written)
        each = leak_loss_db(hole, note, mode, family.bore)
        return size * SHARE[dynamic] * np.interp(hz / f0_hz, np.arange(1, len(each) + 1), each)

    return loss


def tilted(db_per_octave: float, notes: range | tuple[int, ...] | None = None) -> Loss:
    """Upper harmonics weaker by so much per octave above the first: a dull reed; on some notes only, a linkage."""

    def loss(written, f0_hz, hz, dynamic):
        octaves = np.clip(np.log2(np.maximum(hz / f0_hz, 1e-9)), 0, 4)
        return db_per_octave * octaves * (notes is None or written in notes)

    return loss


def softer(db: float) -> Loss:
    """Blown softer throughout: weaker, and duller by 0.2 dB per octave for every dB."""
    duller = tilted(0.2 * db)
    return lambda written, f0_hz, hz, dynamic: db + duller(written, f0_hz, hz, dynamic)


def both(*losses: Loss) -> Loss:
    return lambda *note: sum(loss(*note) for loss in losses)
