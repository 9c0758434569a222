"""How good a recording is as a recording: noise, hum, loudness, room; and what the player can do about it.

Conventions: `signal` is an `audio.Signal`; `spans` are the notes found, pairs (onset_s, offset_s) in order.
Levels are in dB relative to full scale (a full-scale sine has -3.01 dB). NaN means not measurable, for
example because no quiet part exists between the notes. numpy only.
"""

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from evenbore.acoustics import k_weight_power

NAN = float("nan")

# ASSUME: a note has died away and the next one's breath has not begun; common practice, no source.
AFTER_NOTE_S, BEFORE_NOTE_S = 0.4, 0.1
LEVEL_FRAME_S = 0.05
FRAMES_AT_ONCE = 200  # bounds the memory that a long quiet part takes
QUIET_PERCENTILE = 25  # of the frames between the notes: keeps key clicks and breaths out

HUM_WINDOW_S = 0.5
HUM_HARMONICS = 8
HUM_HALF_WIDTH_HZ = 4.0  # holds the main lobe of the window
HUM_NEIGHBOUR_HZ = 16.0

LOUDNESS_STEP_S, LOUDNESS_STEPS = 0.1, 4  # 400 ms blocks overlapping by 75 %
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0

DECAY_GAP_S = 0.25
DECAY_FRAME_S, DECAY_HOP_S = 0.02, 0.005
DECAY_START_DB, DECAY_RANGE_DB = 5.0, 20.0  # the range of T20 in ISO 3382-2
MIN_DECAY_RANGE_DB = 10.0
MAX_DECAY_SCATTER_DB = 2.0
MIN_DECAYS = 2


def quiet_parts(signal, spans: Sequence[tuple[float, float]]) -> list[tuple[int, int]]:
    """Sample ranges (start, stop) before, between and after the notes, with room left for their ends.

    Without notes nothing is known to be quiet: an empty list.
    """
    if not spans:
        return []
    edges = [(0.0, 0.0), *spans, (signal.frames / signal.rate, NAN)]
    parts = []
    for number, ((_, end), (start, _)) in enumerate(pairwise(edges)):
        first = end + (AFTER_NOTE_S if number else 0.0)
        last = start - (BEFORE_NOTE_S if number < len(spans) else 0.0)
        if last - first >= LEVEL_FRAME_S:
            parts.append((round(first * signal.rate), round(last * signal.rate)))
    return parts


def noise_db(signal, spans: Sequence[tuple[float, float]]) -> float:
    """Level of the noise floor in dBFS: the lower quartile of the 50 ms levels in the quiet parts."""
    powers = [_frame_powers(signal, *part) for part in quiet_parts(signal, spans)]
    return _db(np.percentile(np.concatenate(powers), QUIET_PERCENTILE)) if powers else NAN


def snr_db(signal, spans: Sequence[tuple[float, float]]) -> float:
    """Median level of the notes, the noise's power taken off, over the noise floor, in dB.

    NaN without notes, without a quiet part, or when the quiet parts are digitally silent.
    """
    noise = noise_db(signal, spans)
    if not math.isfinite(noise):
        return NAN
    powers = [
        float(np.mean(frames))
        for onset, offset in spans
        if len(frames := _frame_powers(signal, round(onset * signal.rate), round(offset * signal.rate)))
    ]
    floor = 10 ** (noise / 10)
    return _db(max(np.median(powers) / floor - 1, 0.0)) if powers else NAN


def hum_db(signal, spans: Sequence[tuple[float, float]]) -> float:
    """Mains hum in the quiet parts: the lines of 50 or 60 Hz and their harmonics over the noise beside them.

    Power within ± 4 Hz of the first eight harmonics, over the power the neighbourhood (± 4 to ± 16 Hz) has
    in the same width, in dB; the stronger of the two mains frequencies. Near 0 without hum. NaN when no
    quiet part is half a second long or the parts are digitally silent.
    """
    rate = signal.rate
    size = round(HUM_WINDOW_S * rate)
    window = np.hanning(size + 1)[:-1]
    total, n_spectra = np.zeros(size // 2 + 1), 0
    for start, stop in quiet_parts(signal, spans):
        for first in range(start, stop - size + 1, size // 2):
            samples = signal.slice(first, first + size)
            total += np.abs(np.fft.rfft((samples - samples.mean()) * window)) ** 2
            n_spectra += 1
    if n_spectra == 0:
        return NAN
    power = total / n_spectra
    frequency = np.fft.rfftfreq(size, 1 / rate)
    ratios = []
    for mains in (50.0, 60.0):
        lines = floor = 0.0
        for line in mains * np.arange(1, HUM_HARMONICS + 1):
            away = np.abs(frequency - line)
            inside = away <= HUM_HALF_WIDTH_HZ
            beside = (away > HUM_HALF_WIDTH_HZ) & (away <= HUM_NEIGHBOUR_HZ)
            lines += power[inside].sum()
            floor += _noise_mean(power[beside], n_spectra) * np.count_nonzero(inside)
        ratios.append(lines / floor if floor > 0 else NAN)
    return _db(max(ratios))


def _noise_mean(powers: np.ndarray, n_averaged: int) -> float:
    """Mean of noise powers from their median, which keeps other lines out.

    An average of n spectra of noise is chi-squared with 2n degrees of freedom; its median over its mean by
    Wilson and Hilferty (1931).
    """
    return float(np.median(powers)) / (1 - 1 / (9 * n_averaged)) ** 3


def lufs(signal) -> float:
    """Integrated loudness in LUFS of the one channel (ITU-R BS.1770-4, gated). NaN below the absolute gate.

    The K-weighting is applied to the spectra of successive 100 ms pieces, four of which make a 400 ms block.
    """
    step = round(LOUDNESS_STEP_S * signal.rate)
    weight = k_weight_power(np.fft.rfftfreq(step, 1 / signal.rate)) * 2 / step**2
    weight[0] /= 2
    if step % 2 == 0:
        weight[-1] /= 2
    weight = np.repeat(weight, 2).astype(np.float32)  # real and imaginary parts lie side by side
    pieces = []
    for block in signal.blocks(step * 10):
        whole = block[: len(block) // step * step].reshape(-1, step)
        spectrum = np.fft.rfft(whole, axis=1).view(np.float32)
        pieces.append(np.square(spectrum, out=spectrum) @ weight)
    power = np.concatenate(pieces) if pieces else np.empty(0)
    if len(power) < LOUDNESS_STEPS:
        return NAN
    power = np.convolve(power, np.full(LOUDNESS_STEPS, 1 / LOUDNESS_STEPS), "valid")
    loudness = -0.691 + 10 * np.log10(np.maximum(power, 1e-20))
    kept = power[loudness > ABSOLUTE_GATE_LUFS]
    if len(kept) == 0:
        return NAN
    gate = -0.691 + _db(kept.mean()) + RELATIVE_GATE_LU
    return -0.691 + _db(power[loudness > max(gate, ABSOLUTE_GATE_LUFS)].mean())


def reverb_s(signal, spans: Sequence[tuple[float, float]]) -> float:
    """Rough reverberation time (60 dB) in s, from how the sound dies after notes followed by a gap.

    A straight line through the level from 5 to at most 25 dB below its maximum near the note's end, kept
    10 dB over the quietest part of the gap; the median over the gaps. The player's own release lengthens it:
    an upper estimate. NaN with fewer than two clean decays.
    """
    times = []
    for (onset, offset), (gap_end, _) in pairwise([*spans, (signal.frames / signal.rate, NAN)]):
        if gap_end - offset >= DECAY_GAP_S:
            times.append(_decay_time(signal, max(onset, offset - 0.1), gap_end - 0.02))
    times = [time for time in times if math.isfinite(time)]
    return float(np.median(times)) if len(times) >= MIN_DECAYS else NAN


def _decay_time(signal, start_s: float, stop_s: float) -> float:
    """RT60 of the decay inside the given part; NaN when it is too short, too noisy or not straight."""
    size, hop = round(DECAY_FRAME_S * signal.rate), round(DECAY_HOP_S * signal.rate)
    samples = signal.slice(round(start_s * signal.rate), round(min(stop_s, start_s + 3.0) * signal.rate))
    energy = np.concatenate(([0.0], np.cumsum(samples.astype(float) ** 2)))
    first = np.arange(0, len(samples) - size, hop)
    if len(first) < 10:
        return NAN
    power = (energy[first + size] - energy[first]) / size
    level = 10 * np.log10(np.maximum(power, 1e-20))
    top = int(np.argmax(level[: max(1, round(0.2 / DECAY_HOP_S))]))
    below = np.flatnonzero(level[top:] <= level[top] - DECAY_START_DB)
    if len(below) == 0:
        return NAN
    begin = top + int(below[0])
    bottom = max(level[top] - DECAY_START_DB - DECAY_RANGE_DB, np.percentile(level, 5) + 10.0)
    under = np.flatnonzero(level[begin:] < bottom)
    end = begin + int(under[0]) if len(under) else len(level)
    if end - begin < 5 or level[begin] - bottom < MIN_DECAY_RANGE_DB:
        return NAN
    time = np.arange(end - begin) * DECAY_HOP_S
    slope, height = np.polyfit(time, level[begin:end], 1)
    scatter = np.std(level[begin:end] - height - slope * time)
    return -60.0 / slope if slope < 0 and scatter <= MAX_DECAY_SCATTER_DB else NAN


def _frame_powers(signal, start: int, stop: int) -> np.ndarray:
    """Mean squares (N,) of whole 50 ms frames in start ≤ i < stop, each without its mean."""
    size = round(LEVEL_FRAME_S * signal.rate)
    stop = start + max(stop - start, 0) // size * size
    powers = [
        signal.slice(first, min(first + FRAMES_AT_ONCE * size, stop)).reshape(-1, size).var(axis=1)
        for first in range(start, stop, FRAMES_AT_ONCE * size)
    ]
    return np.concatenate(powers) if powers else np.empty(0)


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else (-math.inf if power == 0 else NAN)


# When to speak up, in the unit of each number; common practice, no source.
CLIPPED_WORDS_ABOVE = 0.0
LOW_SNR_DB, LOW_PEAK_DBFS, HIGH_HUM_DB, LONG_REVERB_S, SHORT_LEAD_IN_S, LOW_RATE_HZ = 30, -30, 6, 0.8, 1.0, 32_000


def advice(numbers: Mapping[str, float]) -> list[str]:
    """What the player can do better, most important first; missing or NaN numbers say nothing.

    Understands clipped_fraction, snr_db, hum_db, reverb_s, peak_dbfs, lead_in_s and sample_rate_hz.
    """

    def known(name: str, wrong) -> bool:
        value = numbers.get(name)
        return value is not None and math.isfinite(value) and wrong(value)

    lines = []
    if known("clipped_fraction", lambda v: v > CLIPPED_WORDS_ABOVE):
        lines.append(
            f"clipped ({100 * numbers['clipped_fraction']:.2g} % of the samples): turn the gain down until the "
            "loudest note peaks between -20 and -6 dB, and record again"
        )
    if known("snr_db", lambda v: v < LOW_SNR_DB):
        lines.append(
            f"notes only {numbers['snr_db']:.0f} dB above the noise: find a quieter room (fans and heating off), "
            "or set the microphone closer for all instruments alike"
        )
    if known("peak_dbfs", lambda v: v < LOW_PEAK_DBFS):
        lines.append(f"recorded very low (peak {numbers['peak_dbfs']:.0f} dB): turn the gain up for all instruments")
    if known("hum_db", lambda v: v > HIGH_HUM_DB):
        lines.append(
            f"mains hum {numbers['hum_db']:.0f} dB above the noise: move cables away from power supplies, "
            "try the recorder on batteries"
        )
    if known("reverb_s", lambda v: v > LONG_REVERB_S):
        lines.append(
            f"the room rings for about {numbers['reverb_s']:.1f} s: use a room with carpet and curtains, "
            "or stop a little between the notes"
        )
    if known("lead_in_s", lambda v: v < SHORT_LEAD_IN_S):
        lines.append("hardly any silence before the first note: wait two seconds after starting the recorder")
    if known("sample_rate_hz", lambda v: v < LOW_RATE_HZ):
        lines.append(
            f"recorded at {numbers['sample_rate_hz']:.0f} samples a second: the top of the sound is missing; "
            "set the recorder to 44100 or 48000"
        )
    return lines
