"""How good a recording is as a recording: noise, hum, loudness, room; and what the player can do about it.

Conventions: `signal` is an `audio.Signal`; `spans` are the notes found, pairs (onset_s, offset_s) in order.
Levels are in dB relative to full scale (a full-scale sine has -3.01 dB). NaN means not measurable, for
example because no quiet part exists between the notes.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np

from evenbore.facts.acoustics import k_weight_power
from evenbore.facts.arrays import Floats, Floats32, quantile
from evenbore.recording.audio import LEVEL_FRAME_S, Signal

NAN = float("nan")

# ASSUME: a note has died away and the next one's breath has not begun; common practice, no source.
AFTER_NOTE_S, BEFORE_NOTE_S = 0.4, 0.1
FRAMES_AT_ONCE = 200  # bounds the memory that a long quiet part takes
QUIET_PERCENTILE = 25  # of the frames between the notes: keeps key clicks and breaths out

MAINS_HZ = (50.0, 60.0)
# ASSUME: what makes lines a hum, chosen by trial; own definition, no source
HUM_WINDOWS_S = (1.0, 0.5)  # the longest that a quiet part has room for
HUM_HARMONICS, HUM_LEAST_LINES = 8, 3
HUM_TOP_HZ = 520.0
HUM_HALF_WIDTH_HZ = 4.0  # holds the main lobe of the shortest window
HUM_NEIGHBOUR_HZ = 16.0
HUM_LINE_DB = 6.0
HUM_TOLERANCE, HUM_PEAK_ERROR = 0.002, 0.1  # of the frequency (mains and clock together); bins
HUM_QUIETEST = 4.0
MAX_HUM_DB = 60.0
DIGITAL_SILENCE = 2.0**-46 / 12  # power of the rounding to 24 bits

# ITU-R BS.1770-4, annex 1
LOUDNESS_STEP_S, LOUDNESS_STEPS = 0.1, 4  # 400 ms blocks overlapping by 75 %
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
K_OFFSET_DB = -0.691

# ASSUME: what can be read of a decay between notes, chosen by trial; no source
DECAY_GAP_S, DECAY_BEFORE_S, DECAY_AFTER_S = 0.1, 0.5, 3.0
DECAY_HOP_S, DECAY_SMOOTH = 0.005, 4
# The range is that of T20 in ISO 3382-2, which begins 5 dB down; here the direct sound ends with a step.
DECAY_START_DB, DECAY_RANGE_DB = 8.0, 20.0
MIN_DECAY_RANGE_DB, DECAY_CLEAR_DB = 12.0, 6.0
FEW_DECAY_FRAMES, DECAY_ROUNDS = 8, 5


def quiet_parts(signal: Signal, spans: Sequence[tuple[float, float]]) -> list[tuple[int, int]]:
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


def noise_db(signal: Signal, spans: Sequence[tuple[float, float]]) -> float:
    """Level of the noise floor in dBFS: the lower quartile of the 50 ms levels in the quiet parts."""
    powers = [_frame_powers(signal, *part) for part in quiet_parts(signal, spans)]
    return _db(np.percentile(np.concatenate(powers), QUIET_PERCENTILE)) if powers else NAN


def snr_db(signal: Signal, spans: Sequence[tuple[float, float]]) -> float:
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


def hum_db(signal: Signal, spans: Sequence[tuple[float, float]]) -> float:
    """Mains hum in the quietest of the quiet parts: lines of 50 or 60 Hz and its harmonics over the noise beside them.

    A line counts when it is a narrow peak within ± 0.2 % of its place, 6 dB over the noise beside it, and there all
    the time: of the spectra of the quietest seconds (up to four times the power of the quietest) the lower quartile
    is taken, so that tails of notes and speech, which come and go, leave nothing. Fewer than three lines of the first
    eight are no hum. The result is the power of the lines and of the noise in ± 4 Hz around all eight over that of the
    noise, in dB, 60 at most, of the stronger mains frequency: 0 without hum. NaN when no quiet part is half a second
    long or the noise is digital silence.
    """
    rate = signal.rate
    parts = quiet_parts(signal, spans)
    longest_s = max((stop - start for start, stop in parts), default=0) / rate
    window_s = next((window_s for window_s in HUM_WINDOWS_S if window_s <= longest_s), None)
    if window_s is None:
        return NAN
    size = round(window_s * rate)
    window = np.hanning(size + 1)[:-1]
    kept = round(HUM_TOP_HZ * window_s)
    powers, spectra = [], []
    for start, stop in parts:
        for first in range(start, stop - size + 1, size // 2):
            samples = signal.slice(first, first + size)
            samples = samples - samples.mean()
            powers.append(float(np.mean(samples**2)))
            # a sine of power p has the power p at its peak
            spectra.append(2 * np.abs(np.fft.rfft(samples * window)[:kept] / window.sum()) ** 2)
    quietest = np.array(spectra)[np.array(powers) <= HUM_QUIETEST * min(powers)]
    return min(max(_comb_db(quietest, window_s, mains) for mains in MAINS_HZ), MAX_HUM_DB)


def _comb_db(spectra: Floats, window_s: float, mains_hz: float) -> float:
    """Lines of one mains frequency over the noise, in dB; `spectra` (N, F): power in bins of 1 / window_s Hz (Hann)."""
    power = quantile(spectra, 0.25)  # of what is there all the time
    noise = spectra.mean(axis=0)
    bins = np.arange(len(power))
    lines, floors = [], []
    for line_hz in mains_hz * np.arange(1, HUM_HARMONICS + 1):
        place = line_hz * window_s
        away_hz = np.abs(bins - place) / window_s
        beside = (away_hz > HUM_HALF_WIDTH_HZ) & (away_hz <= HUM_NEIGHBOUR_HZ)
        floors.append(_noise_mean(noise[beside], len(spectra)))
        top = round(place) - 1 + int(np.argmax(power[round(place) - 1 : round(place) + 2]))
        if power[top] <= 10 ** (HUM_LINE_DB / 10) * floors[-1] or power[top] < max(power[top - 1], power[top + 1]):
            continue
        ratio = math.sqrt(max(power[top - 1], power[top + 1]) / power[top])
        shift = math.copysign((2 * ratio - 1) / (1 + ratio), power[top + 1] - power[top - 1])
        if abs(top + shift - place) <= HUM_TOLERANCE * place + HUM_PEAK_ERROR:
            lines.append(power[top] - floors[-1])
    # a bin of a Hann spectrum takes in the noise of 1.5 bins
    floor = sum(floors) / (1.5 / window_s) * 2 * HUM_HALF_WIDTH_HZ
    if floor < DIGITAL_SILENCE:
        return NAN
    return _db(1 + sum(lines) / floor) if len(lines) >= HUM_LEAST_LINES else 0.0


def _noise_mean(powers: Floats, n_averaged: int) -> float:
    """Mean of noise powers from their median, which keeps other lines out.

    An average of n spectra of noise is chi-squared with 2n degrees of freedom; its median over its mean by
    Wilson and Hilferty (1931).
    """
    return float(quantile(powers, 0.5)) / (1 - 1 / (9 * n_averaged)) ** 3


def lufs(signal: Signal) -> float:
    """Integrated loudness in LUFS of the one channel (ITU-R BS.1770-4, gated). NaN below the absolute gate.

    The K-weighting is applied to the spectra of successive 100 ms pieces, four of which make a 400 ms block.

    >>> from evenbore.recording.audio import signal_from_array
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(96_000) / 48_000)
    >>> print(f"{lufs(signal_from_array(tone, 48_000)):.1f}")  # BS.1770-4, annex 1: −3.01
    -3.0
    """
    from scipy import fft  # only here, for checking files needs none of it

    step = round(LOUDNESS_STEP_S * signal.rate)
    weight = _k_weights(step, signal.rate)
    pieces = []
    for block in signal.blocks(step * 16):
        whole = block[: len(block) // step * step].reshape(-1, step)
        spectrum = fft.rfft(whole, axis=1).view(np.float32)
        pieces.append(np.square(spectrum, out=spectrum) @ weight)
    power = np.concatenate(pieces) if pieces else np.empty(0)
    if len(power) < LOUDNESS_STEPS:
        return NAN
    power = np.convolve(power, np.full(LOUDNESS_STEPS, 1 / LOUDNESS_STEPS), "valid")
    loudness = K_OFFSET_DB + 10 * np.log10(np.maximum(power, 1e-20))
    kept = power[loudness > ABSOLUTE_GATE_LUFS]
    if len(kept) == 0:
        return NAN
    gate = _loudness(kept.mean()) + RELATIVE_GATE_LU
    return _loudness(power[loudness > max(gate, ABSOLUTE_GATE_LUFS)].mean())


def _loudness(power: float) -> float:
    """Loudness in LUFS of sound whose mean power under the K-weighting this is, without gates."""
    return K_OFFSET_DB + _db(power)


def sound_lufs(samples: Floats32, rate: int) -> float:
    """Loudness in LUFS of one short sound (N,) from its first sample to its last (ITU-R BS.1770-4 without gates).

    >>> tone = np.sin(2 * np.pi * 997 * np.arange(9600) / 48_000).astype(np.float32)
    >>> print(f"{sound_lufs(tone, 48_000):.1f}")  # BS.1770-4, annex 1: −3.01
    -3.0
    """
    from scipy import fft

    if not len(samples):
        return NAN
    size = 1 << (len(samples) - 1).bit_length()
    spectrum = fft.rfft(samples, size).view(np.float32)
    return _loudness(float(np.square(spectrum) @ _k_weights(size, rate)) * size / len(samples))


@lru_cache(maxsize=32)
def _k_weights(size: int, rate: int) -> Floats32:
    """Weights under which the squares of a spectrum's real and imaginary parts, side by side, add up to the mean power
    under the K-weighting."""
    weight = k_weight_power(np.fft.rfftfreq(size, 1 / rate).astype(float)) * 2 / size**2
    weight[0] /= 2
    if size % 2 == 0:
        weight[-1] /= 2
    return np.repeat(weight, 2).astype(np.float32)


def reverb_s(signal: Signal, spans: Sequence[tuple[float, float]]) -> float:
    """Rough reverberation time (60 dB) in s, from how the sound dies after notes followed by a gap.

    The energy still to come (Schroeder 1965, J. Acoust. Soc. Am. 37, 409; less the noise, and with what lies under it
    put back, as ISO 3382-1 does) falls along a straight line from where the level is 8 dB below the note's, for 20 dB
    or as far as it stands 6 dB over the quietest part of the gap; the median over the gaps. A slurred scale has one
    decay, after its last note: right within a factor of two. The player's own release lengthens it, so that a dry
    room has up to about 0.2 s. NaN where no decay shows.
    """
    times = []
    for (onset, offset), (gap_end, _) in pairwise([*spans, (signal.frames / signal.rate, NAN)]):
        if gap_end - offset >= DECAY_GAP_S:
            times.append(_decay_time(signal, onset, offset, gap_end - 0.02))
    times = [time for time in times if math.isfinite(time)]
    return float(np.median(times)) if times else NAN


def _decay_time(signal: Signal, onset_s: float, offset_s: float, stop_s: float) -> float:
    """RT60 of the decay of one note; NaN when it is too short or too noisy."""
    # a note's end may have been put into its tail
    begin, end = max(onset_s, offset_s - DECAY_BEFORE_S), min(stop_s, offset_s + DECAY_AFTER_S)
    samples = signal.slice(round(begin * signal.rate), round(end * signal.rate)).astype(float)
    hop = round(DECAY_HOP_S * signal.rate)
    power = np.mean(samples[: len(samples) // hop * hop].reshape(-1, hop) ** 2, axis=1)
    note = _frame_powers(signal, round(onset_s * signal.rate), round(offset_s * signal.rate))
    if len(power) < 4 * DECAY_SMOOTH or len(note) == 0:
        return NAN
    level = np.convolve(power, np.full(DECAY_SMOOTH, 1 / DECAY_SMOOTH), "same")
    noise = max(np.percentile(level[DECAY_SMOOTH:-DECAY_SMOOTH], 5), DIGITAL_SILENCE)
    top = np.median(note) * 10 ** (-DECAY_START_DB / 10)
    loud = np.flatnonzero(level >= top)
    if len(loud) == 0 or top < noise * 10 ** ((DECAY_CLEAR_DB + MIN_DECAY_RANGE_DB) / 10):
        return NAN
    level, power = level[loud[-1] + 1 :], power[loud[-1] + 1 :]
    fallen = np.flatnonzero(level < top * 10 ** (-DECAY_RANGE_DB / 10))
    if len(fallen) and fallen[0] < FEW_DECAY_FRAMES:
        return float(60 / DECAY_RANGE_DB * (fallen[0] + 1) * DECAY_HOP_S)  # too fast for a line
    under = np.flatnonzero(level < noise * 10 ** (DECAY_CLEAR_DB / 10))
    if len(under) == 0 or under[0] < FEW_DECAY_FRAMES:
        return NAN
    return _decay_line(power[: under[0]] - noise, level[under[0] - 1] - noise)


def _decay_line(power: Floats, last: float) -> float:
    """RT60 of power (F,) that falls into the noise from its `last` level on; NaN when it does not fall."""
    to_come, slope = np.cumsum(np.maximum(power, 0.0)[::-1])[::-1], -math.inf
    for _ in range(DECAY_ROUNDS):
        # what the noise hides, dying away at the same rate
        energy = to_come + last * 10 / (math.log(10) * DECAY_HOP_S * -slope)
        level = 10 * np.log10(np.maximum(energy / energy[0], DIGITAL_SILENCE))
        use = level >= -DECAY_RANGE_DB
        slope = np.polyfit(DECAY_HOP_S * np.flatnonzero(use), level[use], 1)[0]
        if use.sum() < FEW_DECAY_FRAMES or slope >= 0:
            return NAN
    return -60.0 / slope


def _frame_powers(signal: Signal, start: int, stop: int) -> Floats:
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


# When to speak up, in the unit of each number; common practice, no source. One decay in a room of 1.2 s may give
# twice that, so only what is long beyond doubt is spoken of.
CLIPPED_WORDS_ABOVE, WITHHELD_WORDS_ABOVE = 0.0, 0.5
LOW_SNR_DB, LOW_PEAK_DBFS, HIGH_HUM_DB, LONG_REVERB_S, SHORT_LEAD_IN_S, LOW_RATE_HZ = 30, -30, 6, 2.5, 1.0, 32_000
SOFTLY = ("pp", "p", "mp")  # played softer than instruments are compared at: nearer the noise of any room


def advice(numbers: Mapping[str, float | str]) -> list[str]:
    """What the player can do better, most important first; missing or NaN numbers say nothing.

    Understands clipped_fraction, the numbers of notes flagged gain_moved, dropout and cut_off, the share noise_withheld
    of them, snr_db, hum_db, reverb_s, peak_dbfs, lead_in_s and sample_rate_hz, and the dynamic: a soft take near the
    noise tells nothing of the room.
    """

    def known(name: str, wrong: Callable[[float], bool]) -> bool:
        value = numbers.get(name)
        return not (value is None or isinstance(value, str)) and math.isfinite(value) and wrong(value)

    lines = []
    if known("clipped_fraction", lambda v: v > CLIPPED_WORDS_ABOVE):
        lines.append(
            f"clipped ({100 * numbers['clipped_fraction']:.2g} % of the samples): turn the gain down until the "
            "loudest note peaks between -20 and -6 dB, and record again"
        )
    if known("gain_moved", lambda v: v > 0):
        lines.append(
            "the recorder moved its gain while recording (automatic gain or a limiter): level, dynamics and evenness "
            "of level are not to be trusted; switch it off and record again"
        )
    if known("dropout", lambda v: v > 0):
        lines.append(
            f"samples are missing in {numbers['dropout']:.0f} of the notes (lost by the recorder, its card or cable): "
            "record again with other programs closed, or on another device"
        )
    if known("cut_off", lambda v: v > 0):
        lines.append(
            "the file begins or ends within a note: wait two seconds after starting the recorder and before stopping it"
        )
    if known("snr_db", lambda v: v < LOW_SNR_DB):
        remedy = "find a quieter room (fans and heating off), or set the microphone closer for all instruments alike"
        if numbers.get("dynamic") in SOFTLY:
            remedy = f"it was played {numbers['dynamic']}, so judge the room by a louder take"
        lines.append(f"notes only {numbers['snr_db']:.0f} dB above the noise: {remedy}")
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
    if known("noise_withheld", lambda v: v > WITHHELD_WORDS_ABOVE):
        lines.append(
            "saved by a lossy codec (MP3, M4A and the like), now or before: the noise of "
            f"{100 * numbers['noise_withheld']:.0f} % of the notes cannot be told; record to WAV or FLAC"
        )
    if known("sample_rate_hz", lambda v: v < LOW_RATE_HZ):
        lines.append(
            f"recorded at {numbers['sample_rate_hz']:.0f} samples a second: the top of the sound is missing; "
            "set the recorder to 44100 or 48000"
        )
    return lines
