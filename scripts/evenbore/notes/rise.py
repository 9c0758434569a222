"""How long a note takes to rise where the room's echoes overlay its beginning.

In a room the level before a note is the echo of the one before, and the level after it goes on changing while the
note's own echoes arrive: ten and ninety per cent of the level say little. But what a room adds to a harmonic, z times
its direct sound, has a random phase, and the mean of ln |1 + z| over all phases is zero while |z| < 1 (the mean value
property of harmonic functions). So the mean over many harmonics of the logarithm of their amplitude rises as the
source does, out of the echo of the note before.

That mean is compared with rises of many lengths, beginnings and echoes before, in changes from frame to frame,
because the echoes make the level wander, and steps of such a wander are nearly independent.

ASSUME: a rise is one smooth step, a raised cosine. That, (1 − cos πx) / 2, is at a tenth for
x = arccos(0.8) / π = 0.2048 and at nine tenths for x = 0.7952:

>>> round(TO_TENTH, 4), round(TEN_TO_NINETY, 4)
(0.2048, 0.5903)
"""

from functools import lru_cache

import numpy as np

from evenbore.facts.arrays import Floats, Floats32, Ints, quantile
from evenbore.notes.spectrum import Harmonics, overlapping
from evenbore.recording.audio import Signal

TEN_TO_NINETY = float(1 - 4 / np.pi * np.arcsin(np.sqrt(0.1)))  # share of a raised cosine's length
TO_TENTH = float(2 / np.pi * np.arcsin(np.sqrt(0.1)))
# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_LEAST_WINDOW_S = 0.006
_CLEAR_DB, _RANGE_DB, _TOP_HZ, _MOST_HARMONICS = 20.0, 40.0, 8000.0, 20
_FLOOR = 0.15  # of a harmonic's steady amplitude: what lies below is not told apart from nothing
_BEFORE_S = 0.045
_FRAMES, _BEFORE = 90, 15  # of a note, and how many of them before its onset at most
_LENGTHS = np.geomspace(1.5, 120, 24)  # of a rise, in hops
_ECHOES = (0.02, 0.1, 0.2, 0.35, 0.6)  # before the note, of its steady amplitude
_UNSURE, _UNSURE_MS = 0.4, 20.0  # standard deviation of ln length, and of the rise
_STILL_MOVING = 0.15  # ln amplitude, 1.3 dB: the rise that was found is not all of it
_FAST_MS, _EXPLAINED = 16.0, 0.4  # a faster rise that explains less of all changes is a beat of the echoes


def rise_ms(signal: Signal, onset_s: float, offset_s: float, spectrum: Harmonics) -> float:
    """Time in ms in which the note's harmonics rise from 10 % to 90 % of their steady amplitude, as a raised cosine.

    NaN where the length of the rise stays uncertain by more than a factor of about 1.5 or 20 ms (one standard
    deviation), where a fast rise is no more than the echoes' beats are, where the level goes on rising or falling after
    it, and where fewer than three harmonics stand clear of the noise.
    """
    hop_s, curve, before = _log_amplitude(signal, onset_s, offset_s, spectrum)
    if len(curve) < 2 * before or before == 0:
        return np.nan
    changes, squares, length, start = _rises()
    first, last = _BEFORE - before, _BEFORE - before + len(curve) - 1
    near = int(np.searchsorted(np.abs(start), _BEFORE_S / hop_s, "right"))
    step = np.diff(curve).astype(np.float32)
    misfit = squares[:near, last] - squares[:near, first] - 2 * (changes[:near, first:last] @ step) + np.sum(step**2)
    best = int(np.argmin(misfit))
    weight = np.exp(-(misfit - misfit[best]) * (len(step) - 4) / (2 * max(float(misfit[best]), 1e-9)))
    weight /= weight.sum()
    log_length = np.log(length[:near])
    mean = weight @ log_length
    end = round(before + start[best] + (1 - TO_TENTH) * length[best])
    settled = curve[end : end + 4]
    if len(settled) < 4 or abs(settled.mean()) > _STILL_MOVING:
        return np.nan
    rise = float(1000 * hop_s * TEN_TO_NINETY * np.exp(mean))
    unsure = float(np.sqrt(weight @ (log_length - mean) ** 2))
    beat = rise < _FAST_MS and misfit[best] > (1 - _EXPLAINED) * np.sum(step**2)
    return rise if unsure <= min(_UNSURE, _UNSURE_MS / rise) and not beat else np.nan


def _log_amplitude(signal: Signal, onset_s: float, offset_s: float, spectrum: Harmonics) -> tuple[float, Floats, int]:
    """Seconds from frame to frame, mean over the harmonics of ln (amplitude / steady amplitude), frames before onset.

    Windows of whole periods, two and 6 ms at least: in one that is steady no harmonic shows in another's place.
    """
    f0_hz = float(spectrum.frequency_hz[0])
    periods = max(2, int(np.ceil(_LEAST_WINDOW_S * f0_hz)))
    size = 2 * round(periods / f0_hz * signal.rate / 2)
    hop = size // 2
    hop_s = hop / signal.rate
    before = min(_BEFORE, round(_BEFORE_S / hop_s))
    count = min(_FRAMES - _BEFORE + before, before + int(0.75 * (offset_s - onset_s) / hop_s))
    level = np.where(spectrum.above_noise_db >= _CLEAR_DB, spectrum.level_db, np.nan)
    use = level >= np.nanmax(level, initial=-np.inf) - _RANGE_DB
    use &= (spectrum.frequency_hz <= _TOP_HZ) & (spectrum.number <= _MOST_HARMONICS)
    if count < 2 * before or use.sum() < 3:
        return hop_s, np.empty(0), before
    first = round(onset_s * signal.rate) - before * hop - size // 2
    x = signal.slice(first, first + (count - 1) * hop + size)
    # some bins only, of a length that has no fast transform
    turn = np.exp(-2j * np.pi / size * np.arange(size)).astype(np.complex64)
    place = np.outer(np.arange(size), periods * spectrum.number[use])
    place -= place // size * size  # faster than the remainder
    wheels = turn[place] * _window(size)[:, None]
    amplitude = np.abs((overlapping(x, size, hop) @ wheels.view(np.float32)).view(np.complex64))
    amplitude /= quantile(amplitude[count // 2 :], 0.5)
    return hop_s, 0.5 * np.mean(np.log(amplitude**2 + _FLOOR**2), axis=1), before


@lru_cache(maxsize=64)
def _window(size: int) -> Floats32:
    return np.hanning(size + 1)[:-1].astype(np.float32)


@lru_cache(maxsize=1)
def _rises() -> tuple[Floats32, Floats32, Floats, Ints]:
    """All rises to compare with, in hops: changes of ln amplitude (C, _FRAMES - 1), the running sum of their squares
    (C, _FRAMES), length (C,), and how much later than the onset the rise reaches a tenth (C,), the least ones first.
    """
    grids = np.meshgrid(np.arange(-_BEFORE, _BEFORE + 1), _LENGTHS, np.arange(len(_ECHOES)), indexing="ij")
    later, length, echo = grids[0].ravel(), grids[1].ravel(), grids[2].ravel()
    order = np.argsort(np.abs(later), kind="stable")
    later, length, echo = later[order], length[order], echo[order]
    time = np.arange(_FRAMES) - _BEFORE - later[:, None]
    # the window is two hops long: its blur of a rise is that of three looks 0.4 hops apart, nearly
    looks = [np.clip((time + shift) / length[:, None] + TO_TENTH, 0, 1) for shift in (-0.44, 0.0, 0.44)]
    amplitude = np.sum([0.5 - 0.5 * np.cos(np.pi * look) for look in looks], axis=0) / 3
    curve = np.empty_like(amplitude)
    for number, share in enumerate(_ECHOES):
        curve[echo == number] = np.interp(amplitude[echo == number], *_over_echo(share))
    changes = np.diff(curve, axis=1).astype(np.float32)
    squares = np.concatenate([np.zeros((len(changes), 1), np.float32), np.cumsum(changes**2, axis=1)], axis=1)
    return changes, squares, length, later


def _over_echo(share: float) -> tuple[Floats, Floats]:
    """Amplitude 0 … 1 of the note, and the mean ln amplitude of what is heard over an echo (complex Gaussian, that
    root mean square), each with the floor: means over the quantiles of its size and over all phases.
    """
    size = share * np.sqrt(-np.log(1 - (np.arange(12) + 0.5) / 12))
    echo = size[:, None] * np.exp(2j * np.pi * (np.arange(16) + 0.5) / 16)
    amplitude = np.linspace(0, 1, 257)
    heard = np.abs(amplitude[:, None] + echo.ravel()) ** 2
    return amplitude, 0.5 * np.mean(np.log(heard + _FLOOR**2), axis=1)
