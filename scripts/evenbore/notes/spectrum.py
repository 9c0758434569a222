"""Spectra of one note: its harmonics, the noise between them, one-third-octave bands.

Conventions: x is float32 mono at `rate` Hz. Powers are in units of a full-scale sine (amplitude 1 is
power 1, 0 dB). Spectra use the four-term Blackman-Harris window (Harris 1978, Proc. IEEE 66, 51), whose
side lobes lie 92 dB down, so that what is seen between two harmonics is noise and not their leakage.
"""

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy import fft

from evenbore.facts.acoustics import third_octave_bands
from evenbore.facts.arrays import Floats, Floats32, Ints, Spectra

TOP_HZ = 10_000.0  # harmonics and noise are measured up to here (or 0.45 of the sample rate)
ABOVE_NOISE_DB = 6.0  # ASSUME: a harmonic less than this above the noise is missing, not a number
# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_SOLE_DB = 28.0  # a note sounds higher where every second or third harmonic stands so far over all others,
_FIRST_DB, _SECOND_DB = 14.0, 9.0  # or the strongest two of them so far
_SWING = 3.0  # standard deviations by which the pitch goes up and down
_SPREAD_BINS = 1.0  # from here on a harmonic's power is spread over more than its own lobe
_TERMS = (0.35875, -0.48829, 0.14128, -0.01168)  # of the window, cosines of 0 to 3 periods
BANDWIDTH = 1 + sum((term / _TERMS[0]) ** 2 for term in _TERMS[1:]) / 2  # its noise bandwidth in bins
_LOBE_BINS = 4  # half of the window's main lobe
_PERIODS = 10.0  # window length in periods: neighbouring harmonics stay clear of each other
_BLOCK_SAMPLES = 1 << 17
_ALIGNED = 16  # numbers: what begins at a multiple of so many is written in half the time
# products of small primes
_FAST_SIZES: list[int] = sorted(
    16 * 2**a * 3**b * 5**c * 7**d for a in range(16) for b in range(5) for c in range(4) for d in range(3)
)
_SHORTEST_S = 0.040  # of ten periods; a shorter window has a proportionally shorter least length


@dataclass(frozen=True)
class Frames:
    """Complex spectra of a note's steady part: values (F, K), every `hop` samples, window of `size`."""

    values: Spectra
    size: int
    hop: int
    rate: int

    @cached_property
    def bin_hz(self) -> float:
        """Spacing of the spectrum's bins in Hz."""
        return self.rate / self.size

    @cached_property
    def hop_s(self) -> float:
        """Seconds from frame to frame."""
        return self.hop / self.rate

    @cached_property
    def power(self) -> Floats32:
        """Mean power over the frames, (K,)."""
        parts = self.values.view(np.float32)
        squares = np.einsum("fk,fk->k", parts, parts)
        power: Floats32 = (squares[::2] + squares[1::2]) / len(parts)
        return power


@dataclass(frozen=True)
class Harmonics:
    """Harmonics of a note, all arrays (H,): number, frequency, level, level over the noise around them.

    A harmonic under the noise has level NaN; `limit_db` is the level it would need to count. `noise_db` is the
    noise power in the band from half a harmonic below to half a harmonic above.
    """

    number: Ints
    frequency_hz: Floats
    level_db: Floats
    above_noise_db: Floats
    limit_db: Floats
    noise_db: Floats


@lru_cache(maxsize=128)
def window(size: int) -> Floats32:
    """The window, scaled so that a sine of amplitude 1 peaks at 1."""
    # a cosine of so many periods is a Chebyshev polynomial of that of one
    powers = np.polynomial.chebyshev.cheb2poly(_TERMS)[::-1] * (2 / (size * _TERMS[0]))
    return np.polyval(powers, np.cos(2 * np.pi / size * np.arange(size))).astype(np.float32)


@lru_cache(maxsize=128)
def _main_lobe(size: int) -> Floats:
    """Amplitude seen at the nearest bin for a sine 0, 0.01 … 0.5 bins away from it.

    Each cosine of the window is two exponentials, and their sums over the window are geometric series.
    """
    terms = np.arange(1 - len(_TERMS), len(_TERMS))
    weights = np.array(_TERMS)[np.abs(terms)] / np.where(terms == 0, 1, 2)
    turns = 2j * np.pi * (np.arange(51)[:, None] / 100 + terms)
    with np.errstate(invalid="ignore"):
        series = np.where(turns == 0, 1, np.expm1(turns) / (size * np.expm1(turns / size)))
    lobe: Floats = np.abs(series @ weights) / _TERMS[0]
    return lobe


def fast_size(samples: float) -> int:
    """The next window length up, a few per cent at most, whose transform is fast."""
    return _FAST_SIZES[bisect_left(_FAST_SIZES, samples)]


def overlapping(x: Floats32, size: int, hop: int) -> Floats32:
    """Frames (F, size) of samples x (N,) that lie side by side in memory, one every `hop`: a view."""
    count = max(0, 1 + (len(x) - size) // hop)
    return np.ndarray((count, size), np.float32, x, strides=(hop * x.itemsize, x.itemsize))


def transform(frames: Floats32, shape: Floats32, kept: int | None = None) -> Spectra:
    """The first `kept` bins of the complex spectra (F, K) of frames (F, size) under a window (size,), all in float32.

    scipy transforms several frames at a time.
    """
    spectra = np.empty((len(frames), len(shape) // 2 + 1 if kept is None else kept), np.complex64)
    for rows, block in _blocks(frames, shape):
        if len(block) == len(frames):
            return block[:, : spectra.shape[1]]
        spectra[rows] = block[:, : spectra.shape[1]]
    return spectra


def magnitudes(frames: Floats32, shape: Floats32, most: int) -> Floats32:
    """The first bins, `most` if there are so many, of the magnitude spectra (F, K) of frames (F, size) under a window
    (size,).
    """
    kept = min(most, len(shape) // 2 + 1)
    spectra = np.empty((len(frames), kept), np.float32)
    for rows, block in _blocks(frames, shape):
        np.abs(block[:, :kept], out=spectra[rows])
    return spectra


def _blocks(frames: Floats32, shape: Floats32) -> Iterator[tuple[slice, Spectra]]:
    """Some frames at a time, few enough to stay in the processor's cache, and their spectra."""
    step = max(8, _BLOCK_SAMPLES // len(shape) // 8 * 8)
    most = min(step, len(frames) + 2)
    windowed = _scratch(1 << (most * len(shape) - 1).bit_length())[: most * len(shape)].reshape(most, len(shape))
    for first in range(0, len(frames), step):
        rows = slice(first, min(first + step, len(frames)))
        count = rows.stop - first
        # scipy takes four frames together in the time of two by themselves
        padded = -count % 4 if count % 4 > 1 else 0
        np.multiply(frames[rows], shape, out=windowed[:count])
        windowed[count : count + padded] = 0
        yield rows, fft.rfft(windowed[: count + padded], axis=1)[:count]


@lru_cache(maxsize=4)
def _scratch(count: int) -> Floats32:
    """Room for so many numbers, used again and again."""
    room = np.empty(count + _ALIGNED, np.float32)
    return room[-room.ctypes.data // room.itemsize % _ALIGNED :]


def analyse(
    x: Floats32, rate: int, f0_hz: float, periods: float = _PERIODS, top_hz: float = float("inf")
) -> Frames | None:
    """Spectra up to `top_hz` over the whole of x (a steady part), windows of so many periods (fewer when x is short).

    None when x is too short for three frames of five periods.
    """
    longest = max(periods / f0_hz, _SHORTEST_S * periods / _PERIODS) * rate
    size = fast_size(min(longest, max(len(x) / 1.7, 5 / f0_hz * rate)))
    hop = size // 4
    if len(x) < size + 2 * hop:
        return None
    frames = overlapping(x, size, hop)
    kept = int(min(top_hz / rate, 0.5) * size) + 1
    return Frames(transform(frames, window(size), kept), size, hop, rate)


def noise_between(power: Floats | Floats32, bin_hz: float, f0_hz: float, count: int) -> Floats:
    """(count + 1,) noise power per bin half-way below the first, between any two, and above the last of the harmonics.

    The mean of three bins of the mean power spectrum (K,).
    """
    middle = np.rint((np.arange(count + 1) + 0.5) * f0_hz / bin_hz).astype(int)
    middle = np.minimum(np.maximum(middle, 1), len(power) - 2)
    noise: Floats = (power[middle - 1] + power[middle] + power[middle + 1]) / 3 + 1e-20
    return noise


def harmonics(frames: Frames, f0_hz: float, cents_sd: float = 0.0) -> Harmonics:
    """Levels of all harmonics up to TOP_HZ, noise taken off, from the mean power over the frames.

    A pitch that goes up and down, with this standard deviation, spreads a harmonic over the spectrum, the higher the
    further: its power is then the sum over where it goes, up to half-way to the next one, and the noise between two
    such is no more than between the last two that leave it room.
    """
    power = frames.power.astype(float)
    top = min(TOP_HZ, 0.45 * frames.rate)
    number = np.arange(1, max(1, int(top / f0_hz)) + 1)
    position = number * f0_hz / frames.bin_hz
    nearest = np.rint(position).astype(int)
    lobe = np.interp(np.abs(position - nearest), np.arange(51) / 100, _main_lobe(frames.size))
    floor = noise_between(power, frames.bin_hz, f0_hz, len(number))
    reach = position * (2 ** (_SWING * cents_sd / 1200) - 1)
    spread = reach >= _SPREAD_BINS
    if spread.any():
        filled = int(np.argmax(spread))
        floor[filled:] = np.minimum(floor[filled:], floor[max(filled - 1, 0)])
    noise_bin = np.minimum(floor[:-1], floor[1:])  # the lower of both sides resists a stray partial
    peak = np.maximum(power[nearest] - noise_bin, 1e-20) / lobe**2
    if spread.any():
        half = np.minimum(np.ceil(reach[spread]) + _LOBE_BINS, f0_hz / frames.bin_hz / 2).astype(int)
        first, last = nearest[spread] - half, np.minimum(nearest[spread] + half, len(power) - 1)
        running = np.cumsum(power)
        ends = 0.5 * (power[first] - power[last])  # they are its neighbours' too
        total = running[last] - running[first] + ends
        total -= 0.5 * (floor[:-1] + floor[1:])[spread] * (last - first)
        peak[spread] = np.maximum(total / BANDWIDTH, 1e-20)
    above = 10 * np.log10(peak * lobe**2 / noise_bin)
    level = np.where(above >= ABOVE_NOISE_DB, 10 * np.log10(peak), np.nan)
    limit = 10 * np.log10(noise_bin / lobe**2) + ABOVE_NOISE_DB
    noise = 0.5 * (floor[:-1] + floor[1:]) / BANDWIDTH * f0_hz / frames.bin_hz
    return Harmonics(number, f0_hz * number.astype(float), level, above, limit, 10 * np.log10(noise))


def sounds_higher(spectrum: Harmonics) -> bool:
    """Whether the note truly sounds an octave or a twelfth higher: only every second or third harmonic is strong.

    What overblows leaves traces between its harmonics. Of a harmonic under the noise its limit counts.
    """
    level = spectrum.level_db
    most = np.where(np.isnan(level), spectrum.limit_db, level)
    for multiple in (2, 3):
        own = spectrum.number % multiple > 0
        strongest = np.sort(level[~own & ~np.isnan(level)])[:-3:-1] - most[own].max()
        first, second = (*strongest, np.nan, np.nan)[:2]
        if first >= _SOLE_DB or (first >= _FIRST_DB and second >= _SECOND_DB):
            return True
    return False


def note_bands(frames: Frames, spectrum: Harmonics) -> Floats:
    """One-third-octave levels (B,) of a note in dB; NaN below half the fundamental.

    The harmonics in the band and the noise between them. A window of ten periods smears a harmonic over more than a
    narrow band, but its frequency is known, so it counts where it belongs. Bands beyond the highest harmonic are
    wide: they come from the spectrum itself.
    """
    bands = third_octave_bands()
    f0 = spectrum.frequency_hz[0]
    edges = (np.arange(len(spectrum.number) + 1) + 0.5) * f0
    running = np.concatenate([[0.0], np.cumsum(10 ** (spectrum.noise_db / 10))])
    total = np.interp(bands.upper, edges, running) - np.interp(bands.lower, edges, running)
    present = ~np.isnan(spectrum.level_db)
    place = np.searchsorted(bands.upper, spectrum.frequency_hz[present])
    power = 10 ** (spectrum.level_db[present] / 10)
    total += np.bincount(place, power, len(total) + 1)[: len(total)]
    beyond = band_levels(frames.power, frames.bin_hz)
    level = np.where(bands.upper <= edges[-1], 10 * np.log10(np.maximum(total, 1e-20)), beyond)
    return np.where(bands.lower >= edges[0], level, np.nan)


def band_levels(power: Floats | Floats32, bin_hz: float) -> Floats:
    """One-third-octave levels in dB of a mean power spectrum (K,); NaN where a band is narrower than two bins.

    Band edges after IEC 61260-1:2014 (base ten). Bins that straddle an edge count by their share.
    """
    bands = third_octave_bands()
    low, high = bands.lower, bands.upper
    edges = (np.arange(len(power) + 1) - 0.5) * bin_hz
    running = np.concatenate([[0.0], np.cumsum(power, dtype=float)]) / BANDWIDTH
    total = np.interp(high, edges, running) - np.interp(low, edges, running)
    usable = (high - low >= 2 * bin_hz) & (high <= edges[-1])
    return np.where(usable, 10 * np.log10(np.maximum(total, 1e-20)), np.nan)
