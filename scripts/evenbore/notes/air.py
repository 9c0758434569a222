"""The noise of the player's air: what sounds midway between a note's harmonics and is not the room's.

Three noises are heard there. The background of room and microphone is known from where nobody plays, and is taken off.
The room's echo of how the note began, and of the note before, fills the gaps too, but dies away while the note lasts:
what falls as a room's decay does, exp(−13.8 t / T60), is the room's. What stays is the air. T60 is not known
beforehand: all of a row of them are tried on all notes of the recording, and no echo too, and averaged by Akaike
weights (Burnham & Anderson 2002, Model Selection and Multimodel Inference, from memory).

Powers are in units of a full-scale sine, as in `spectrum`. Noise that cannot be told from background and echo is NaN.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenbore.facts.arrays import Bools, Floats
from evenbore.notes.background import Background
from evenbore.notes.spectrum import Harmonics, analyse, window
from evenbore.recording.audio import Signal

# ASSUME: tuned by trial on additive tones in simulated rooms; no source.
_PERIODS = 25.0  # of a window: the side bands of a vibrato stay clear of the middle between two harmonics
_LEAST_PERIODS = 2 * 4.0  # from here on there is something between the main lobes of two harmonics, 4 bins to a side
_MIDDLE = 0.2  # share of a gap, to either side of its middle, that is looked at
_SWING = 3.0  # standard deviations by which the pitch goes up and down
_LOBE_BINS = 4.0  # half of the window's main lobe
_DECAYS_S = np.geomspace(0.1, 3.2, 16)
_DECAY = np.log(1e6)  # of power in one T60
_BACKGROUND_SD = 0.05  # share of its power by which the background may have changed
_ECHO_SD = 0.3  # share of the echo's power by which its decay may differ from the one law
_SURE = 2.0  # standard deviations that a noise must stand out by
_TURNS = 3


@dataclass(frozen=True)
class _Course:
    """Noise of a note in a part of the spectrum, frame by frame: time since the onset, power, and that of the
    background, all (F,); the variances of a frame's power and of the background as shares of their squares.
    """

    time_s: Floats
    power: Floats
    background: Floats
    spread: float
    background_spread: float


def note_noise(
    signal: Signal,
    parts_s: Sequence[tuple[float, float, float, float]],
    spectra: Sequence[Harmonics],
    split_hz: float,
    quiet: Background,
) -> Floats:
    """(N, 3) power of the noise around the harmonics up to `split_hz`, around those above, and of both.

    `parts_s`: onset of each note, start and end of its steady part. NaN where it cannot be told.
    """
    courses: list[_Course | None] = []
    for (onset, start, stop, cents_sd), spectrum in zip(parts_s, spectra, strict=True):
        courses += _courses(signal, onset, start, stop, spectrum, cents_sd, split_hz, quiet)
    level, variance = (value.reshape(-1, 2) for value in _staying(courses))
    heard = np.isfinite(level)
    level = np.column_stack([level, np.sum(level, axis=1, where=heard)])
    variance = np.column_stack([variance, np.sum(variance, axis=1, where=heard)])
    with np.errstate(invalid="ignore"):
        return np.where(level > _SURE * np.sqrt(variance), level, np.nan)


def _courses(
    signal: Signal,
    onset_s: float,
    start_s: float,
    stop_s: float,
    spectrum: Harmonics,
    cents_sd: float,
    split_hz: float,
    quiet: Background,
) -> list[_Course | None]:
    """Of a note's noise around the harmonics up to `split_hz` and around those above; None where there is none."""
    f0_hz, count = float(spectrum.frequency_hz[0]), len(spectrum.number)
    first, last = round(start_s * signal.rate), round(stop_s * signal.rate)
    frames = analyse(signal.slice(first, last), signal.rate, f0_hz, _PERIODS)
    if frames is None or quiet.power is None or frames.size * f0_hz / signal.rate < _LEAST_PERIODS:
        return [None, None]
    spacing, bandwidth = f0_hz / frames.bin_hz, window(frames.size)[1]
    power = np.square(frames.values.real)
    power += np.square(frames.values.imag)
    gap = np.arange(count + 1)
    clear = spacing * (0.5 - _SWING * (gap + 1) * (2 ** (cents_sd / 1200) - 1)) - _LOBE_BINS
    half = np.clip(clear, 0, _MIDDLE * spacing).astype(int)
    middle = np.minimum(np.rint((gap + 0.5) * spacing).astype(int), len(power[0]) - 2 - half)
    below, above = middle - half, middle + half + 1
    sums = np.add.reduceat(power, np.stack([below, above], axis=1).ravel(), axis=1)[:, ::2]
    gaps = sums / (above - below) * spacing / bandwidth
    width_hz = (above - below) * frames.bin_hz
    room = 10 ** (quiet.level_db((below - 0.5) * frames.bin_hz, (above - 0.5) * frames.bin_hz) / 10) * f0_hz / width_hz
    # noise in proportion to the tone, which may swell
    tone = power[:, int(0.5 * spacing) :].sum(axis=1)
    steady = (tone.mean() / tone)[:, None]
    time = first / signal.rate - onset_s + (frames.size / 2 + frames.hop * np.arange(len(power))) / signal.rate
    cells = np.maximum(1.0, (above - below) / bandwidth)
    overlap = frames.size / (2 * frames.hop)
    quiet_cells = quiet.frames * np.maximum(1.0, width_hz / (quiet.bandwidth * quiet.bin_hz))
    low = np.arange(1, count + 1) * f0_hz <= split_hz
    courses: list[_Course | None] = []
    for part in (low, ~low):
        weight = 0.5 * (np.append(part, False) + np.append(False, part).astype(float))
        if not part.any():
            courses.append(None)
            continue
        mean = weight * gaps.mean(axis=0)
        hiss = weight * room
        courses.append(
            _Course(
                time,
                (gaps * steady) @ weight,
                steady[:, 0] * hiss.sum(),
                float(overlap * np.sum(mean**2 / cells) / np.sum(mean) ** 2),
                float(np.sum(hiss**2 / quiet_cells) / np.sum(hiss) ** 2 + _BACKGROUND_SD**2),
            )
        )
    return courses


def _staying(courses: Sequence[_Course | None]) -> tuple[Floats, Floats]:
    """What stays of each course (N,) without background and echo, and its variance; NaN for None."""
    level, variance = np.full((2, len(courses)), np.nan)
    there = [(k, course) for k, course in enumerate(courses) if course is not None]
    if not there:
        return level, variance
    shape = len(there), max(len(course.time_s) for _, course in there)
    time, power, room = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    known = np.zeros(shape, bool)
    for row, (_, course) in enumerate(there):
        part = row, slice(len(course.time_s))
        time[part], power[part], room[part], known[part] = course.time_s, course.power, course.background, True
    spread = np.array([course.spread for _, course in there])
    fits = [_fit(power, room, known, spread, np.zeros(shape))]
    fits += [_fit(power, room, known, spread, np.exp(-_DECAY * time / decay)) for decay in _DECAYS_S]
    likelihood, misfit = np.array([fit[2:4] for fit in fits]).T
    parameters = len(there) * np.append(1.0, np.full(len(_DECAYS_S), 2.0))
    excess = max(1.0, float(np.min(misfit / (known.sum() - parameters))))
    gain = likelihood / excess - parameters
    weight = np.exp(gain - gain.max())
    levels, variances = (np.array([fit[k] for fit in fits]) for k in (0, 1))
    mean = np.average(levels, axis=0, weights=weight)
    within = np.average(excess * variances + (levels - mean) ** 2, axis=0, weights=weight)
    quiet = np.array([course.background_spread for _, course in there]) * room[:, 0] ** 2
    where = [k for k, _ in there]
    level[where], variance[where] = mean, within + quiet
    return level, variance


def _fit(
    power: Floats, room: Floats, known: Bools, spread: Floats, echo: Floats
) -> tuple[Floats, Floats, float, float]:
    """Of power = air + room + share · echo, (N, F) where `known`: the air (N,), its variance, and the log likelihood of
    all less the number of parameters.
    """
    air, share = np.zeros((2, len(power)))
    # a frame's standard deviation goes with the mean, which is fitted: by turns
    model = np.repeat(np.average(power, axis=1, weights=known)[:, None], power.shape[1], axis=1)
    for _ in range(_TURNS):
        weight = known / (spread[:, None] * model**2)
        rest = power - room
        w, we, wee = weight.sum(axis=1), (weight * echo).sum(axis=1), (weight * echo**2).sum(axis=1)
        wr, wer = (weight * rest).sum(axis=1), (weight * echo * rest).sum(axis=1)
        determinant = w * wee - we**2
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(determinant > 1e-9 * w * wee, (w * wer - we * wr) / determinant, 0.0)
        share = np.maximum(share, 0.0)
        air = (wr - share * we) / w
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = np.where(share > 0, wee / determinant, 1 / w) + (_ECHO_SD * share * we / w) ** 2
        model = np.maximum(air[:, None] + room + share[:, None] * echo, 1e-3 * power.max(axis=1, keepdims=True))
    misfit = float(np.sum(known * (power - model) ** 2 / (spread[:, None] * model**2)))
    return air, variance, -0.5 * misfit - float(np.sum(known * np.log(model))), misfit
