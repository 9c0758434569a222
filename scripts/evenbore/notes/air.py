"""The noise of the player's air: what sounds midway between a note's harmonics and is not the room's.

Three noises are heard there. The background of room and microphone is known from where nobody plays, and is taken off.
The room's echo fills the gaps too. Of the notes before it holds the harmonics, which lie elsewhere than this note's:
what they take of a gap is left out, and a gap that they take whole counts as what lies between its neighbours. The echo
of how the note itself began dies away while the note lasts: what falls as a room's decay does, exp(−13.8 t / T60), is
the room's. What stays is the air; what comes and goes within a note, as the crack of a lost sample or of a key does, is
not. T60 is the recording's reverberation time or less, both alike: what fits best is no guide, for an echo's lines fade
and swell as they die. A note whose noise hangs on which it is, or follows neither, is the less sure for it.

Powers are in units of a full-scale sine, as in `spectrum`. Noise that cannot be told from background and echo is NaN.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.notes.background import Background
from evenbore.notes.spectrum import BANDWIDTH, Harmonics, analyse
from evenbore.recording.audio import Signal

# ASSUME: tuned by trial on additive tones in simulated rooms; no source.
_PERIODS = 25.0  # of a window: the side bands of a vibrato stay clear of the middle between two harmonics
_LEAST_PERIODS = 2 * 4.0  # from here on there is something between the main lobes of two harmonics, 4 bins to a side
_MIDDLE = 0.2  # share of a gap, to either side of its middle, that is looked at
_SWING = 3.0  # standard deviations by which the pitch goes up and down
_LOBE_BINS = 4.0  # half of the window's main lobe
_ECHO_DB, _ECHO_S = 50.0, 1.0  # so far an earlier note's lines are left out; where the reverberation is not known
_LEAST_BINS, _LEAST_GAPS = 3, 0.25  # so many bins of a gap, and such a share of the gaps, must be free of them
_DECAYS = np.array([0.7, 1.0])  # times the reverberation time, which the player's own release lengthens
_UNKNOWN_S = np.geomspace(0.1, 3.2, 6)  # where that is not known
_DECAY = np.log(1e6)  # of power in one T60
_BACKGROUND_SD = 0.05  # share of its power by which the background may have changed
_ECHO_SD = 0.3  # share of the echo's power by which its decay may differ from the one law
_FADING = (
    0.36  # variance, of its square, of a line's power where the room is 6 dB weaker than the player (a Rice channel's)
)
_SURE = 2.0  # standard deviations that a noise must stand out by,
_CLEAR = 3.0  # and by which it is right within 3 dB
_BURST = 6.0  # times the least power before and after it: what comes and goes
_WINDOW_FRAMES = 3  # a window of four hops sees a moment for so many more
_STEADY = 0.5  # share of a note's frames that are left without
_TURNS = 3


@dataclass(frozen=True)
class _Course:
    """Noise of a note in a part of the spectrum, frame by frame: time since the onset, power, and that of the
    background, all (F,); the variances of a frame's power and of the background as shares of their squares, and that of
    what earlier notes hide; and that of what stays, as a share of its square, for the room's own level of each line.
    """

    time_s: Floats
    power: Floats
    background: Floats
    spread: float
    background_spread: float
    unseen: float
    fading: float


def note_noise(
    signal: Signal,
    parts_s: Sequence[tuple[float, float, float, float]],
    spectra: Sequence[Harmonics],
    split_hz: float,
    quiet: Background,
    reverb_s: float = float("nan"),
) -> tuple[Floats, Bools]:
    """(N, 3) power of the noise around the harmonics up to `split_hz`, around those above, and of both; and whether it
    may be wrong by more than 3 dB.

    `parts_s`: onset of each note, start and end of its steady part. `reverb_s`: the recording's reverberation time, NaN
    where it is not known. NaN where the power cannot be told.
    """
    courses: list[_Course | None] = []
    lines = [
        one.frequency_hz * np.array([[1.0], [2 ** (_SWING * sd / 1200) - 1]])
        for one, (*_, sd) in zip(spectra, parts_s, strict=True)
    ]
    fades = not np.isnan(reverb_s)
    heard_s, oldest = _ECHO_DB / 60 * (_ECHO_S if np.isnan(reverb_s) else reverb_s), 0
    for k, (onset, start, stop, cents_sd) in enumerate(parts_s):
        while oldest < k and start - parts_s[oldest][2] >= heard_s:
            oldest += 1
        echoes = np.concatenate([np.empty((2, 0)), *lines[oldest:k]], axis=1)
        courses += _courses(signal, onset, start, stop, spectra[k], cents_sd, split_hz, quiet, echoes, fades)
    decays_s = _UNKNOWN_S if np.isnan(reverb_s) else reverb_s * _DECAYS
    level, variance = (value.reshape(-1, 2) for value in _staying(courses, decays_s))
    there = np.array([[hz[0] <= split_hz, hz[-1] > split_hz] for hz in (one.frequency_hz for one in spectra)])
    level = np.column_stack([level, np.sum(level, axis=1, where=there)])
    variance = np.column_stack([variance, np.sum(variance, axis=1, where=there)])
    with np.errstate(invalid="ignore"):
        sds = level / np.sqrt(variance)
    return np.where(sds > _SURE, level, np.nan), ~(sds > _CLEAR)


def _courses(
    signal: Signal,
    onset_s: float,
    start_s: float,
    stop_s: float,
    spectrum: Harmonics,
    cents_sd: float,
    split_hz: float,
    quiet: Background,
    echoes: Floats,
    fades: bool,
) -> list[_Course | None]:
    """Of a note's noise around the harmonics up to `split_hz` and around those above; None where there is none.

    `echoes` (2, E): frequencies (Hz) of what earlier notes may still sound of, and how far each goes up and down.
    """
    f0_hz, count = float(spectrum.frequency_hz[0]), len(spectrum.number)
    first, last = round(start_s * signal.rate), round(stop_s * signal.rate)
    frames = analyse(signal.slice(first, last), signal.rate, f0_hz, _PERIODS, (count + 2) * f0_hz)
    if frames is None or quiet.power is None or frames.size * f0_hz / signal.rate < _LEAST_PERIODS:
        return [None, None]
    spacing = f0_hz / frames.bin_hz
    power = np.square(frames.values.real)
    power += np.square(frames.values.imag)
    gap = np.arange(count + 1)
    clear = spacing * (0.5 - _SWING * (gap + 1) * (2 ** (cents_sd / 1200) - 1)) - _LOBE_BINS
    half = np.maximum(np.minimum(clear, _MIDDLE * spacing), 0).astype(int)
    middle = np.minimum(np.rint((gap + 0.5) * spacing).astype(int), len(power[0]) - 2 - half)
    below, above = middle - half, middle + half + 1
    ends = np.ravel([below, above], order="F")
    # noise in proportion to the tone, which may swell
    tone = power[:, int(0.5 * spacing) :].sum(axis=1)
    free = _free(echoes / frames.bin_hz, len(power[0]))
    power *= free
    bins = np.add.reduceat(free, ends, dtype=int)[::2]
    kept = np.flatnonzero(bins >= np.minimum(_LEAST_BINS, above - below))
    if len(kept) == 0:
        return [None, None]
    gaps = np.add.reduceat(power, ends, axis=1)[:, ::2][:, kept] * (spacing / BANDWIDTH / bins[kept])
    mean_gap = gaps.mean(axis=0)
    overlap = frames.size / (2 * frames.hop)
    uneven = np.zeros(len(kept))
    if fades:  # a room has its own level for every line: noise that is a few lines is known no better
        uneven = np.add.reduceat(np.square(power.mean(axis=0)), ends)[::2][kept] * (spacing / bins[kept]) ** 2
        uneven *= _FADING / BANDWIDTH / (1 + overlap / len(power))  # less what noise itself scatters
    # a gap that is hidden counts as what lies between its neighbours (`np.interp`): what each of the kept ones counts
    after = np.searchsorted(kept, gap)
    before, after = np.maximum(after - 1, 0), np.minimum(after, len(kept) - 1)
    past = np.maximum(np.minimum((gap - kept[before]) / np.maximum(kept[after] - kept[before], 1), 1), 0)
    width_hz = (above - below) * frames.bin_hz
    room = 10 ** (quiet.level_db((below - 0.5) * frames.bin_hz, (above - 0.5) * frames.bin_hz) / 10) * f0_hz / width_hz
    steady = tone.mean() / tone
    time = first / signal.rate - onset_s + (frames.size / 2 + frames.hop * np.arange(len(power))) / signal.rate
    cells = np.maximum(1.0, bins[kept] / BANDWIDTH)
    quiet_cells = quiet.frames * np.maximum(1.0, width_hz / (BANDWIDTH * quiet.bin_hz))
    low = min(int(split_hz / f0_hz), count)
    courses: list[_Course | None] = []
    for begin, end in ((0, low), (low, count)):
        weight = np.zeros(count + 1)
        weight[begin:end] = 0.5
        weight[begin + 1 : end + 1] += 0.5
        if weight[kept].sum() <= _LEAST_GAPS * weight.sum():
            courses.append(None)
            continue
        spread = np.bincount(before, weight * (1 - past), len(kept)) + np.bincount(after, weight * past, len(kept))
        course = steady * (gaps @ spread)
        lasting = _lasting(course)
        power_of = mean_gap if lasting.all() else gaps[lasting].mean(axis=0)
        mean = spread * power_of
        hiss = weight * room
        courses.append(
            _Course(
                time[lasting],
                course[lasting],
                steady[lasting] * hiss.sum(),
                float(overlap * (mean**2 @ (1 / cells)) / mean.sum() ** 2),
                float(hiss**2 @ (1 / quiet_cells) / hiss.sum() ** 2 + _BACKGROUND_SD**2),
                _hidden(weight, kept, power_of),
                float(spread**2 @ uneven / mean.sum() ** 2),
            )
        )
    return courses


def _free(echoes: Floats, count: int) -> Bools:
    """Which bins (count,) hold no line of an earlier note: `echoes` (2, E), in bins."""
    if not echoes.size:
        return np.ones(count, bool)
    ends = np.clip(echoes[0] + (echoes[1] + _LOBE_BINS) * np.array([[-1], [1]]) + 1, 0, count).astype(int)
    begun, ended = (np.bincount(end, minlength=count + 1)[:count] for end in ends)
    free: Bools = np.cumsum(begun - ended) == 0
    return free


def _hidden(weight: Floats, kept: Ints, power: Floats) -> float:
    """Variance of what is hidden of gaps that count by their weights (G,): all but those `kept` (K,), of `power` (K,).

    Each differs from what lies between its neighbours as those do that are seen.
    """
    lost = np.delete(np.arange(len(weight)), kept)
    if not lost.size:
        return 0.0
    likely = 0.5 * (power[:-2] + power[2:])
    unlike = np.mean((power[1:-1] / likely - 1) ** 2) if likely.size else 1.0
    return float(np.sum((weight[lost] * np.interp(lost, kept, power)) ** 2) * unlike)


def _lasting(course: Floats) -> Bools:
    """Which frames of a course (F,) are no part of a burst; all where it has more bursts than anything else."""
    if course.max() <= _BURST * course.min():
        return np.ones(len(course), bool)
    before, after = np.minimum.accumulate(course), np.minimum.accumulate(course[::-1])[::-1]
    after[-_WINDOW_FRAMES:] = 0  # a burst at the very end has nothing after it
    kept: Bools = course <= _BURST * np.maximum(before, after)
    return kept if kept.mean() >= _STEADY else np.ones(len(course), bool)


def _staying(courses: Sequence[_Course | None], decays_s: Floats) -> tuple[Floats, Floats]:
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
    with np.errstate(divide="ignore", invalid="ignore"):
        fits = [_fit(power, room, known, spread, np.exp(-_DECAY * time / decay)) for decay in decays_s]
    levels, variances, misfits = (np.array([fit[k] for fit in fits]) for k in range(3))
    mean = levels.mean(axis=0)
    excess = np.maximum(1.0, np.min(misfits, axis=0) / np.maximum(known.sum(axis=1) - 2.0, 1.0))
    within = np.mean(excess * variances + (levels - mean) ** 2, axis=0)
    quiet = np.array([course.background_spread for _, course in there]) * room[:, 0] ** 2
    where = [k for k, _ in there]
    unseen = np.array([course.unseen for _, course in there])
    fading = np.array([course.fading for _, course in there]) * mean**2
    level[where], variance[where] = mean, within + quiet + unseen + fading
    return level, variance


def _fit(power: Floats, room: Floats, known: Bools, spread: Floats, echo: Floats) -> tuple[Floats, Floats, Floats]:
    """Of power = air + room + share · echo, (N, F) where `known`: the air, its variance and the misfit of each note."""
    # a frame's standard deviation goes with the mean, which is fitted: by turns
    model = (np.sum(known * power, axis=1) / known.sum(axis=1))[:, None]
    rest, least = power - room, 1e-3 * power.max(axis=1, keepdims=True)
    for _ in range(_TURNS):
        weight = known / (spread[:, None] * model**2)
        echoed = weight * echo
        w, we, wee = weight.sum(axis=1), echoed.sum(axis=1), (echoed * echo).sum(axis=1)
        wr, wer = (weight * rest).sum(axis=1), (echoed * rest).sum(axis=1)
        determinant = w * wee - we**2
        share = np.where(determinant > 1e-9 * w * wee, (w * wer - we * wr) / determinant, 0.0)
        share = np.maximum(share, 0.0)
        air = (wr - share * we) / w
        variance = np.where(share > 0, wee / determinant, 1 / w) + (_ECHO_SD * share * we / w) ** 2
        model = np.maximum(air[:, None] + room + share[:, None] * echo, least)
    misfit = np.sum(known * (power - model) ** 2 / (spread[:, None] * model**2), axis=1)
    return air, variance, misfit
