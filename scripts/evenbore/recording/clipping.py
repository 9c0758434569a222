"""How much of a signal is clipped, met block by block so that an hour costs no more memory than a second.

Conventions: samples are floats with full scale at ± 1; a clipped run is at least three consecutive samples
at full scale, or at the flat top of a signal that was clipped before it was turned down.
Three consecutive samples are common practice in recording meters; no standard says so.
"""

import numpy as np

from evenbore.facts.arrays import Floats32

MIN_CLIPPED_RUN = 3
TOP_WIDTH = 1e-3  # samples this close to the maximum (as a share of it) belong to its flat top
MIN_FLAT_RUNS = 3  # one flat peak is chance, several at one level are a limit
# A smooth wave also lingers at its crest: a sine has 2.4 times as many samples in the top band of a given
# width as in the band just below, coarse steps make that up to 3 times. A clipped wave has far more.
PILE_RATIO = 8


class ClipMeter:
    """Counts clipped samples over successive blocks of one channel.

    `step` is the size of one quantisation step (2**-15 for 16 bits; 0 for float and lossy formats).
    A run that a block boundary cuts is counted as two.
    """

    def __init__(self, step: float = 0.0):
        self.step = step
        self.full_scale = 1.0 - max(2.0**-14, step)
        self.frames = 0
        self._peak = {1: 0.0, -1: 0.0}
        self._blocks: list[tuple[int, float, int, int, int]] = []  # side, top, in runs, runs, just below

    def update(self, block: Floats32, lowest: float, highest: float) -> None:
        """Add a block (N,) of finite samples whose minimum and maximum are `lowest` and `highest`."""
        self.frames += len(block)
        for side, top in ((1, highest), (-1, -lowest)):
            width = max(TOP_WIDTH * top, 1.5 * self.step)
            if top < 32 * self.step or top <= 0 or top < min(self._peak[side] - width, self.full_scale):
                continue  # too coarse to tell, or below a level the signal is known to pass
            self._peak[side] = max(self._peak[side], top)
            edge = top - width if top < self.full_scale else self.full_scale
            near = np.flatnonzero(block > edge - width if side > 0 else block < width - edge)
            at_top = near[side * block[near] >= edge]
            if len(at_top) < MIN_CLIPPED_RUN:
                continue
            breaks = np.flatnonzero(np.diff(at_top) > 1) + 1
            lengths = np.diff(np.concatenate(([0], breaks, [len(at_top)])))
            lengths = lengths[lengths >= MIN_CLIPPED_RUN]
            if len(lengths):
                below = len(near) - len(at_top)
                self._blocks.append((side, top, int(lengths.sum()), len(lengths), below))

    def fraction(self) -> float:
        """Share (0–1) of all samples that lie in clipped runs; NaN before the first sample."""
        if self.frames == 0:
            return float("nan")
        return sum(self._clipped(side) for side in (1, -1)) / self.frames

    def _clipped(self, side: int) -> int:
        blocks = [block[1:] for block in self._blocks if block[0] == side]
        if not blocks:
            return 0
        peak = max(top for top, *_ in blocks)
        if peak >= self.full_scale:
            return sum(in_runs for top, in_runs, _, _ in blocks if top >= self.full_scale)
        floor = peak - max(TOP_WIDTH * peak, 1.5 * self.step)
        flat = [(in_runs, runs, below) for top, in_runs, runs, below in blocks if top >= floor]
        in_runs, runs, below = (sum(column) for column in zip(*flat, strict=True))
        return in_runs if runs >= MIN_FLAT_RUNS and in_runs >= PILE_RATIO * below else 0
