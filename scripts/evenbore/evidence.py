"""How well each pitch explains each moment of a recording.

One pass over the audio: short-time spectra, their peaks, and for a grid of pitches the share of the
peaks that the pitch's harmonics explain. Note finding works on this evidence alone, so that memory
grows by a few hundred bytes a frame, not by the spectrum.

Conventions: frames are centred; frame t is centred at t * hop / rate seconds. Levels are linear
amplitudes of a sine (1 = full scale).
"""

from dataclasses import dataclass

import numpy as np

GRID_CENTS = 20.0  # spacing of the pitch grid
MARGIN_SEMITONES = 20.0  # the grid reaches this far beyond the expected notes (a squeak to the twelfth)
_HARMONICS = 12  # harmonics that a pitch may claim
_TOLERANCE_CENTS = 45.0  # half-width of a harmonic's slot
_COMPRESSION = 0.5  # peaks count with their amplitude to this power: weak partials speak too
_TOP_HZ = 7000.0
_RANGE_DB = 40.0  # peaks further below the strongest of the frame are ignored
_BLOCK_FRAMES = 64
_FLOOR_BINS = 32  # the noise floor is judged over so many bins at a time
_OVER_FLOOR = 4.5  # a tone's peak stands this far (amplitude) over the lower quartile of its surroundings
_NOISE_WEIGHT = 0.04  # what other peaks count: enough that noise alone looks like no pitch


@dataclass(frozen=True)
class Evidence:
    """Evidence of a recording.

    score: (T, C) float32, 0 (nothing explained) to 1 (all peaks are this pitch's harmonics).
    level_db: (T,) level of the frame, dB re full-scale sine. grid_midi: (C,) sounding pitches of the
    grid, fractional MIDI numbers at A4 = 440 Hz. hop_s: seconds between frames.
    """

    score: np.ndarray
    level_db: np.ndarray
    grid_midi: np.ndarray
    hop_s: float


def frame_size(rate: int, lowest_hz: float) -> int:
    """Samples of the analysis window: a power of two that separates the lowest note's harmonics."""
    return 1 << int(np.ceil(np.log2(max(0.080, 4.5 / lowest_hz) * rate) - 0.25))


def _cells(hz: np.ndarray, lowest_hz: float) -> np.ndarray:
    return np.log2(hz / lowest_hz) * (1200.0 / GRID_CENTS)


def _templates(n_cells: int, n_pitches: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Slots (n_cells, n_pitches) of all, odd, and not-multiple-of-3 harmonics, and each pitch's highest cell."""
    cell = np.arange(n_cells)[:, None]
    pitch_cell = np.arange(n_pitches)[None, :]
    every, odd, not3 = (np.zeros((n_cells, n_pitches), np.float32) for _ in range(3))
    width = _TOLERANCE_CENTS / GRID_CENTS
    for harmonic in range(1, _HARMONICS + 1):
        centre = pitch_cell + 1200.0 * np.log2(harmonic) / GRID_CENTS
        slot = np.clip(1.5 * (1.0 - np.abs(cell - centre) / width), 0.0, 1.0).astype(np.float32)
        np.maximum(every, slot, out=every)
        if harmonic % 2:
            np.maximum(odd, slot, out=odd)
        if harmonic % 3:
            np.maximum(not3, slot, out=not3)
    top = np.floor(pitch_cell[0] + 1200.0 * np.log2(_HARMONICS + 0.5) / GRID_CENTS).astype(int)
    return every, odd, not3, np.minimum(top, n_cells - 1)


def gather(signal, lowest_midi: float, highest_midi: float) -> Evidence:
    """Evidence for pitches around a range of sounding notes (MIDI numbers at A4 = 440 Hz)."""
    rate = signal.rate
    low = lowest_midi - MARGIN_SEMITONES
    n_pitches = round((highest_midi - lowest_midi + 2 * MARGIN_SEMITONES) * 100 / GRID_CENTS) + 1
    grid_midi = low + np.arange(n_pitches) * GRID_CENTS / 100
    bottom_hz = 440.0 * 2 ** ((low - 69) / 12)
    size = frame_size(rate, 440.0 * 2 ** ((lowest_midi - 1 - 69) / 12))
    hop = size // 4
    top_hz = min(_TOP_HZ, 0.45 * rate)
    n_bins = int(top_hz * size / rate)
    n_cells = int(_cells(np.array(top_hz), bottom_hz)) + 2
    every, odd, not3, top_cell = _templates(n_cells, n_pitches)
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    window /= window.sum() / 2
    n_frames = signal.frames // hop + 1
    score = np.empty((n_frames, n_pitches), np.float32)
    level = np.empty(n_frames, np.float32)
    for first in range(0, n_frames, _BLOCK_FRAMES):
        count = min(_BLOCK_FRAMES, n_frames - first)
        samples = signal.slice(first * hop - size // 2, (first + count - 1) * hop + size // 2)
        frames = np.lib.stride_tricks.sliding_window_view(samples, size)[::hop]
        magnitude = np.abs(np.fft.rfft(frames * window, axis=1)[:, : n_bins + 2])
        level[first : first + count] = 10 * np.log10(np.sum(magnitude[:, 1:] ** 2, axis=1) / 1.5 + 1e-14)
        histogram = _peak_histogram(magnitude, rate / size, bottom_hz, n_cells)
        score[first : first + count] = _explained(histogram, every, odd, not3, top_cell)
    return Evidence(score, level, grid_midi, hop / rate)


def _peak_histogram(magnitude: np.ndarray, bin_hz: float, bottom_hz: float, n_cells: int) -> np.ndarray:
    """Compressed peak amplitudes on a log-frequency axis, (frames, n_cells)."""
    inner = magnitude[:, 1:-1]
    least = inner.max(axis=1, keepdims=True) * 10 ** (-_RANGE_DB / 20)
    frame, index = np.nonzero((inner > magnitude[:, :-2]) & (inner >= magnitude[:, 2:]) & (inner > least))
    index += 1
    before, here, after = (np.log(magnitude[frame, index + k] + 1e-12) for k in (-1, 0, 1))
    shift = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-9)
    # a peak counts by how far it stands out of the noise around it, not by how loud that noise is
    floor = _noise_floor(magnitude)[frame, index // _FLOOR_BINS]
    tonal = magnitude[frame, index] > _OVER_FLOOR * floor
    weight = np.exp(_COMPRESSION * (here - np.log(np.maximum(floor, least[frame, 0]) + 1e-12)))
    weight *= np.where(tonal, 1.0, _NOISE_WEIGHT)
    cell = _cells((index + shift) * bin_hz, bottom_hz)
    inside = (cell >= 0) & (cell < n_cells - 1)
    frame, cell, weight = frame[inside], cell[inside], weight[inside]
    low = cell.astype(int)
    part = (cell - low) * weight
    flat = frame * n_cells + low
    total = len(magnitude) * n_cells
    histogram = np.bincount(flat, weight - part, total) + np.bincount(flat + 1, part, total)
    return histogram.reshape(len(magnitude), n_cells).astype(np.float32)


def _noise_floor(magnitude: np.ndarray) -> np.ndarray:
    """(frames, n) lower quartile of every _FLOOR_BINS bins; the last of them may hold a few bins more."""
    n = max(1, magnitude.shape[1] // _FLOOR_BINS)
    parts = magnitude[:, : n * _FLOOR_BINS].reshape(len(magnitude), n, -1)
    quarter = parts.shape[2] // 4
    floor = np.partition(parts, quarter, axis=2)[:, :, quarter]
    return np.concatenate([floor, floor[:, -1:]], axis=1)


def _explained(histogram, every, odd, not3, top_cell) -> np.ndarray:
    """Share of the peaks up to each pitch's last harmonic that its slots hold; halved pitches are refused.

    A pitch an octave or a twelfth too low explains everything too, but only with its even harmonics or
    its multiples of three: it must show some of the others to count.
    """
    total = np.cumsum(histogram, axis=1)
    scale = total[:, -1:] + 1e-9
    explained = histogram @ every
    share = explained / (total[:, top_cell] + 0.02 * scale)
    # a high pitch sees only the peaks in its own range: what lies below it is unexplained as well
    share *= np.sqrt(np.clip(explained / scale / 0.5, 0, 1))
    own = np.minimum(histogram @ odd, histogram @ not3) / (explained + 1e-9)
    return share * np.clip(own / 0.22, 0, 1)
