"""The noise of room and microphone: what is heard where nobody plays."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenbore.facts.acoustics import third_octave_bands
from evenbore.facts.arrays import Floats, quantile
from evenbore.notes.spectrum import BANDWIDTH, band_levels, overlapping, window
from evenbore.recording.audio import Signal

# ASSUME: own choice, no source.
_CLEAR_S = 0.25  # background noise is taken this far away from the end of any note
_BEFORE_S = 0.05  # and this far from the next one's onset
_LONGEST_S = 5.0  # of any quiet part
_WINDOW_S = 0.08
_NOTHING = 1e-20


@dataclass(frozen=True)
class Background:
    """Mean power per bin of the quiet parts, (K,), over so many frames; None when the recording has none."""

    power: Floats | None
    bin_hz: float
    frames: int

    def bands_db(self) -> Floats:
        """One-third-octave levels (B,) in dB, NaN where not measurable."""
        if self.power is None:
            return np.full(len(third_octave_bands().centre), np.nan)
        return band_levels(self.power, self.bin_hz)

    def level_db(self, low_hz: Floats, high_hz: Floats) -> Floats:
        """Levels (N,) in dB between these frequencies; NaN where the recording has no quiet part."""
        if self.power is None:
            return np.full(np.shape(low_hz), np.nan)
        return 10 * np.log10(np.interp(high_hz, *self._running) - np.interp(low_hz, *self._running) + _NOTHING)

    def is_nothing(self, signal: Signal) -> bool:
        """Whether nothing but rounding is heard of the recording where nobody plays."""
        level = self.level_db(np.array([0.0]), np.array([0.45 * signal.rate]))[0]
        return bool(level < 20 * np.log10(max(signal.step, 1e-9)))

    @cached_property
    def _running(self) -> tuple[Floats, Floats]:
        """(K + 1,) edges of the bins in Hz, and the power up to each."""
        power = np.zeros(0) if self.power is None else self.power
        running = np.concatenate([[0.0], np.cumsum(power, dtype=float)]) / BANDWIDTH
        return self.bin_hz * (np.arange(len(running), dtype=float) - 0.5), running


def background(signal: Signal, onset_s: Floats, offset_s: Floats) -> Background:
    """The quietest tenth of what lies clear of all notes, and its like.

    Speech, false starts and breaths are clear of the notes too, but louder.
    """
    size = 1 << int(np.ceil(np.log2(_WINDOW_S * signal.rate)))
    shape = window(size)
    starts = np.concatenate([[0.0], offset_s + _CLEAR_S])
    stops = np.append(onset_s - _BEFORE_S, signal.frames / signal.rate)
    powers = []
    for start, stop in zip(starts, stops, strict=True):
        x = signal.slice(round(start * signal.rate), round(min(stop, start + _LONGEST_S) * signal.rate))
        if len(x) >= size:
            frames = overlapping(x, size, size // 2)
            powers.append(np.abs(np.fft.rfft(frames * shape, axis=1)) ** 2)
    if not powers:
        return Background(None, signal.rate / size, 0)
    power = np.concatenate(powers)
    level = power.sum(axis=1)
    quiet = level <= 2 * quantile(level, 0.1)
    return Background(power[quiet].mean(axis=0), signal.rate / size, int(quiet.sum()))
