"""How well each pitch explains each moment of a recording.

One pass over the audio: short-time spectra, their peaks, and for a grid of pitches the share of the
peaks that the pitch's harmonics explain. Note finding works on this evidence alone, so that memory
grows by a few hundred bytes a frame, not by the spectrum.

Conventions: frames are centred; frame t is centred at t * hop / rate seconds. Levels are linear
amplitudes of a sine (1 = full scale).
"""

from dataclasses import dataclass

import numpy as np

from evenbore.facts.arrays import Floats, Floats32
from evenbore.notes.spectrum import magnitudes, overlapping
from evenbore.recording.audio import Signal
from evenbore.trade.pitch import midi_to_hz

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
GRID_CENTS = 20.0  # spacing of the pitch grid
MARGIN_SEMITONES = 20.0  # the grid reaches this far beyond the expected notes (a squeak to the twelfth)
_HARMONICS = 12  # harmonics that a pitch may claim
_SLOT = 0.83, 0.17  # weights of the grid points one and two away from a harmonic: its slot, 45 cents to either side
_OWN = 0.22  # share of its harmonics that no multiple of the pitch could hold as well
_COMPRESSION = 0.5  # peaks count with their amplitude to this power: weak partials speak too
_TOP_HZ = 7000.0
_RANGE_DB = 40.0  # peaks further below the strongest of the frame are ignored
_AUDIBLE_DB = 50.0  # frames further below the loudest are silent
_BLOCK_FRAMES = 96
_FLOOR_BINS = 32  # the noise floor is judged over so many bins at a time
_OVER_FLOOR = 4.5  # a tone's peak stands this far (amplitude) over the lower quartile of its surroundings
_NOISE_WEIGHT = 0.04  # what other peaks count: enough that noise alone looks like no pitch
# of free playing, tuned on the development takes of tests/passages
_FREE_HOP_S = 0.0214  # frames lie at most so far apart, for the sake of short notes
_ECHO_S, _ECHO_DB = 0.043, 5.1  # what sounded so long ago is taken to echo so many dB weaker: a live room's decay
_LEAST_LEFT = 0.1  # of a peak, as amplitude, however much of it may be echo
# cells from a pitch to its harmonics
_HARMONIC_CELLS = [round(1200 * float(np.log2(number)) / GRID_CENTS) for number in range(1, _HARMONICS + 1)]


@dataclass(frozen=True)
class Evidence:
    """Evidence of a recording.

    score: (T, C) float32, 0 (nothing explained, or silence) to 1 (all peaks are this pitch's harmonics).
    level: (T,) root mean square over one hop around the middle of the frame. grid_midi: (C,) sounding pitches of
    the grid, fractional MIDI numbers at A4 = 440 Hz. hop_s: seconds between frames.
    """

    score: Floats32
    level: Floats32
    grid_midi: Floats
    hop_s: float


def frame_size(rate: int, lowest_hz: float) -> int:
    """Samples of the analysis window: a power of two that separates the lowest note's harmonics."""
    return 1 << int(np.ceil(np.log2(max(0.080, 4.5 / lowest_hz) * rate) - 0.25))


def _cells(hz: Floats, lowest_hz: float) -> Floats:
    return np.log2(hz / lowest_hz) * (1200.0 / GRID_CENTS)


def gather(signal: Signal, lowest_midi: float, highest_midi: float, free: bool = False) -> Evidence:
    """Evidence for pitches around a range of sounding notes (MIDI numbers at A4 = 440 Hz).

    `free`: for playing in which any note may follow any other: peaks count by what they are above the echo of the sound
    before (as in Lebart, Boucher & Denbigh 2001, Acta Acustica 87, 359, with one decay for all rooms).
    """
    half = signal.halved
    rate = half.rate
    low = lowest_midi - MARGIN_SEMITONES
    n_pitches = round((highest_midi - lowest_midi + 2 * MARGIN_SEMITONES) * 100 / GRID_CENTS) + 1
    grid_midi = low + np.arange(n_pitches) * GRID_CENTS / 100
    bottom_hz = 440.0 * 2 ** ((low - 69) / 12)
    size = frame_size(rate, 440.0 * 2 ** ((lowest_midi - 1 - 69) / 12))
    hop = min(size // 4, round(_FREE_HOP_S * rate)) if free else size // 4
    back = round(_ECHO_S * rate / hop) if free else 0
    top_hz = min(_TOP_HZ, 0.45 * rate)
    n_bins = int(top_hz * size / rate)
    n_cells = int(_cells(np.array(top_hz), bottom_hz)) + 2
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    window /= window.sum() / 2
    whole_hop = hop * (signal.rate // rate)
    n_frames = signal.frames // whole_hop + 1
    score = np.empty((n_frames, n_pitches), np.float32)
    level, power_db = np.empty(n_frames, np.float32), np.empty(n_frames, np.float32)
    for first in range(0, n_frames, _BLOCK_FRAMES):
        count = min(_BLOCK_FRAMES, n_frames - first)
        samples = half.slice((first - back) * hop - size // 2, (first + count - 1) * hop + size // 2)
        heard = magnitudes(overlapping(samples, size, hop), window, n_bins + 2)
        magnitude = heard[back:]
        begin = first * whole_hop - whole_hop // 2
        middle = signal.slice(begin, begin + count * whole_hop).reshape(count, whole_hop)
        level[first : first + count] = np.sqrt(np.einsum("fk,fk->f", middle, middle) / whole_hop)
        power = np.einsum("fk,fk->f", magnitude[:, 1:], magnitude[:, 1:])
        power_db[first : first + count] = 10 * np.log10(power / 1.5 + 1e-14)
        own = _above_echo(magnitude, heard[:-back]) if back else magnitude
        histogram = _peak_histogram(magnitude, own, rate / size, bottom_hz, n_cells)
        score[first : first + count] = _explained(histogram, n_pitches).T
    score[power_db <= power_db.max() - _AUDIBLE_DB] = 0
    return Evidence(score, level, grid_midi, hop / rate)


def guess_hz(evidence: Evidence, span: tuple[int, int], midi: float) -> float:
    """First estimate of the pitch of a note that lies near `midi` (sounding, fractional), from the grid of pitches."""
    deviation = 100 * (evidence.grid_midi - midi)
    near = np.abs(deviation) <= 60
    mean = evidence.score[span[0] : span[1] + 1, near].mean(axis=0)
    weight = np.clip(mean - 0.7 * mean.max(), 0, None)
    away = np.sum(weight * deviation[near]) / np.sum(weight)
    return float(midi_to_hz(midi + away / 100))


def _above_echo(magnitude: Floats32, before: Floats32) -> Floats32:
    """What is left of magnitudes (F, B) without the echo of those _ECHO_S before; a peak may have moved by a bin."""
    echo = before.copy()
    np.maximum(echo[:, 1:], before[:, :-1], out=echo[:, 1:])
    np.maximum(echo[:, :-1], before[:, 1:], out=echo[:, :-1])
    left = magnitude**2 - np.float32(10 ** (-_ECHO_DB / 10)) * echo**2
    own: Floats32 = np.sqrt(np.maximum(left, (_LEAST_LEFT * magnitude) ** 2))
    return own


def _peak_histogram(magnitude: Floats32, own: Floats32, bin_hz: float, bottom_hz: float, n_cells: int) -> Floats32:
    """Compressed peak amplitudes on a log-frequency axis, (n_cells, frames); a peak counts by its `own` amplitude."""
    inner = magnitude[:, 1:-1]
    least = inner.max(axis=1, keepdims=True) * 10 ** (-_RANGE_DB / 20)
    peak = (inner > magnitude[:, :-2]) & (inner >= magnitude[:, 2:]) & (inner > least)
    frame, index = np.divmod(np.flatnonzero(peak), inner.shape[1])
    index += 1
    at = frame * magnitude.shape[1] + index
    before, here, after = (np.log(magnitude.take(at + k) + 1e-12) for k in (-1, 0, 1))
    shift = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-9)
    # a peak counts by how far it stands out of the noise around it, not by how loud that noise is
    floor = _noise_floor(magnitude)[frame, index // _FLOOR_BINS]
    tonal = magnitude.take(at) > _OVER_FLOOR * floor
    strength = here if own is magnitude else np.log(own.take(at) + 1e-12)
    weight = np.exp(_COMPRESSION * (strength - np.log(np.maximum(floor, least[frame, 0]) + 1e-12)))
    weight *= np.where(tonal, 1.0, _NOISE_WEIGHT)
    cell = _cells((index + shift) * bin_hz, bottom_hz)
    inside = (cell >= 0) & (cell < n_cells - 1)
    frame, cell, weight = frame[inside], cell[inside], weight[inside]
    low = cell.astype(int)
    part = (cell - low) * weight
    n_frames = len(magnitude)
    flat = low * n_frames + frame
    flat, weight = np.concatenate([flat, flat + n_frames]), np.concatenate([weight - part, part])
    histogram = np.bincount(flat, weight, n_cells * n_frames)
    return histogram.reshape(n_cells, n_frames).astype(np.float32)


def _noise_floor(magnitude: Floats32) -> Floats32:
    """(frames, n) lower quartile of every _FLOOR_BINS bins; the last of them may hold a few bins more."""
    n = max(1, magnitude.shape[1] // _FLOOR_BINS)
    parts = magnitude[:, : n * _FLOOR_BINS].reshape(len(magnitude), n, -1)
    quarter = parts.shape[2] // 4
    floor = np.sort(parts, axis=2)[:, :, quarter]  # of so few faster than a partition
    return np.concatenate([floor, floor[:, -1:]], axis=1)


def _explained(histogram: Floats32, n_pitches: int) -> Floats32:
    """(n_pitches, frames) share of the peaks up to each pitch's last harmonic that its harmonics hold.

    Half, a third, a fifth … of the true pitch explains everything too, but only with its multiples of two,
    three, five …: a pitch must show some of its other harmonics to count.
    """
    reach = round(1200 * np.log2(_HARMONICS + 0.5) / GRID_CENTS)
    width, edge = n_pitches + reach, len(_SLOT)
    padded = np.zeros((width + 2 * edge, histogram.shape[1]), np.float32)
    kept = min(len(histogram), width)
    padded[edge : edge + kept] = histogram[:kept]
    slots = padded[edge : edge + width].copy()
    for away, weight in enumerate(_SLOT, 1):
        beside = padded[edge - away :][:width] + padded[edge + away :][:width]
        beside *= weight
        slots += beside
    held = [slots[first : first + n_pitches] for first in _HARMONIC_CELLS]
    foreign = _sum(held[1::2])
    explained = _sum([foreign, *held[::2]])
    total = padded[edge + reach : edge + width].copy()
    total[0] += padded[edge : edge + reach].sum(axis=0)
    np.cumsum(total, axis=0, out=total)
    scale = total[-1] + 1e-9
    # a high pitch sees only the peaks in its own range: what lies below it is unexplained as well
    share: Floats32 = explained / (0.5 * scale)
    np.minimum(share, 1, out=share)
    np.sqrt(share, out=share)
    share *= explained
    total += 0.02 * scale
    share /= total
    np.minimum(share, 1, out=share)
    for factor in (3, 5):
        np.maximum(foreign, _sum(held[factor - 1 :: factor]), out=foreign)
    for factor in (7, 11):
        np.maximum(foreign, held[factor - 1], out=foreign)
    explained += 1e-9
    foreign /= explained
    np.subtract(1, foreign, out=foreign)
    foreign /= _OWN
    share *= np.clip(foreign, 0, 1, out=foreign)
    return share


def _sum(parts: list[Floats32]) -> Floats32:
    total = parts[0].copy()
    for part in parts[1:]:
        total += part
    return total
