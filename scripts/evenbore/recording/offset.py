"""A constant or slowly wandering offset of the samples (DC), met block by block: it is no sound, and is taken out.

Conventions: samples are floats with full scale at ± 1. The offset is known every 50 ms and straight in between; what
moves faster than about twice a second is left alone. So is an offset that is too small to harm, and what comes and goes
with the notes: of a recorder's offset beside that only the standing part is known, from where nobody plays.
"""

import numpy as np

from evenbore.facts.arrays import Floats, Floats32

# ASSUME: tuned by trial on sampled and simulated instruments; no source
_HARMLESS = 4e-3  # of the signal's swing
_SMOOTH_TO = 0.06  # its frames lie this close to its course (RMS, as a share of its largest value)
_STILL, _NOTHING = 4.0, 1e-5  # times the least power, and of the swing: frames in which nobody plays,
_FEW, _QUIET = 6, 1e-3  # so many at least, and so little of the greatest power,
_SOME = 8  # by every eighth sample
_FRAME_S, _SMOOTH_FRAMES = 0.05, 20  # triangles of two frames, then a Hann window of a second: 29 Hz leaves -70 dB


class Offset:
    """Values (K,) of the offset at samples `at` (K,), counted at the rate of the signal."""

    def __init__(self, at: Floats, values: Floats):
        self._at, self._values = at, values.astype(np.float32)

    @property
    def largest(self) -> float:
        """Largest absolute value."""
        return float(np.abs(self._values).max())

    def take_out(self, samples: Floats32, first: int) -> None:
        """Subtract it in place from samples (N,), the first of which is number `first` of the signal."""
        samples -= self.course(first, len(samples))

    def course(self, first: int, count: int) -> Floats32:
        """Its values (count,) from sample number `first` on."""
        return np.interp(np.arange(first, first + count), self._at, self._values).astype(np.float32)


class OffsetMeter:
    """Weighs successive blocks of one channel at `rate` with overlapping triangles."""

    def __init__(self, rate: int):
        self._rate = rate
        hop = round(rate * _FRAME_S)
        rising = (np.arange(hop) + 0.5) / hop
        self._weights = (np.stack([1 - rising, rising], axis=1) / hop).astype(np.float32)
        self._halves: list[Floats32] = []
        self._powers: list[Floats32] = []
        self._rest = np.empty(0, np.float32)

    def update(self, block: Floats32) -> None:
        """Add a block (N,) of finite samples."""
        hop = len(self._weights)
        samples = np.concatenate([self._rest, block]) if len(self._rest) else block
        whole = len(samples) // hop * hop
        if whole:
            frames = samples[:whole].reshape(-1, hop)
            self._halves.append(frames @ self._weights)
            self._powers.append(frames[:, ::_SOME].var(axis=1))
        self._rest = samples[whole:].copy()

    def offset(self, swing: float, rate: int) -> Offset | None:
        """What to take out of samples given out at `rate`; None where there is none to speak of beside its `swing`."""
        halves = np.concatenate(self._halves) if self._halves else np.empty((0, 2))
        if len(halves) < 2:
            return None
        values = halves[:-1, 1] + halves[1:, 0]
        window = np.hanning(_SMOOTH_FRAMES + 2)[1:-1]
        smooth = np.convolve(values, window)[_SMOOTH_FRAMES // 2 :][: len(values)]
        smooth /= np.convolve(np.ones(len(values)), window)[_SMOOTH_FRAMES // 2 :][: len(values)]
        rough = np.sqrt(np.mean((values - smooth) ** 2))
        at = np.arange(1, len(values) + 1) * len(self._weights) * rate / self._rate
        power = np.concatenate(self._powers)
        power = np.maximum(power[:-1], power[1:])
        still = values[power <= _STILL * power.min() + (_NOTHING * swing) ** 2]
        courses = [(smooth, rough)]
        if len(still) >= _FEW and power.min() <= _QUIET * power.max():
            courses.append((np.full(len(values), still.mean()), float(still.std())))
        for course, moves in courses:
            offset = Offset(at, course)
            if offset.largest > _HARMLESS * swing and moves <= _SMOOTH_TO * offset.largest:
                return offset
        return None
