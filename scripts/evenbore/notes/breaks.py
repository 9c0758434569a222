"""Notes in which samples are missing: silenced for some milliseconds, left out, or cut off by the file's start or end.

The fourth difference of the samples hardly sees a tone, but a break in its course as a peak. Where the samples stand
still it is nothing at all. Own definitions.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from evenbore.facts.arrays import Floats32, quantile
from evenbore.recording.audio import Signal

# ASSUME: tuned by trial on sampled and simulated instruments with pieces silenced, cut out and overwritten; no source.
_FRAME_S = 0.001
_ORDER = 4
_JUMP = 8.0  # times the median of the differences' peaks in successive frames of a period,
_AROUND = 9  # and in so many of them around it
_LEAST_FRAME_S = 0.004  # of those frames
_MOST_JUMPS = 4  # more of them come and go with the sound
# A break is over in as many samples as the difference spans; a click of keys or pads, or of the breath, rings on.
_SUDDEN, _NEAR_S = 6, 0.003  # so many samples at most of those so near reach a quarter of the jump
_BURST, _MOST_BURST = 100.0, 15  # times the whole note's median, in no more of them: noise in place of samples
_MARGIN_S = 0.03  # at either end of a note, where breath and tongue make jumps of their own
_ROUNDING = 8.0  # steps: the fourth difference of rounding alone reaches so far (closed form)
_STILL = 1e-5  # of the note's peak: what rounding leaves of samples that stand still
_STILL_FRAMES = 3
_REACH_S = 0.06  # a silenced piece may have been taken for a gap: so far around the note
_FLANK_FRAMES, _FLANK = 3, 0.5  # of the median: the note sounds right before and after a silenced piece
_EDGE_S, _SOUNDING = 0.015, 0.3  # a file that begins or ends with this share of the note's level cuts it off


def is_broken(signal: Signal, onset_s: float, offset_s: float, f0_hz: float, gated: bool = False) -> bool:
    """Whether samples are missing within a note: silenced, left out so that its course jumps, or noise instead.

    `gated`: the recording is silent between notes anyhow, so that silence at their ends tells nothing.
    """
    rate = signal.rate
    frame = round(_FRAME_S * rate)
    x = signal.slice(round((onset_s - _REACH_S) * rate), round((offset_s + _REACH_S) * rate))
    difference = np.abs(np.diff(x, n=_ORDER))[: (len(x) - _ORDER) // frame * frame]
    peaks: Floats32 = difference.reshape(-1, frame).T.copy().max(axis=0)  # many frames at a time: faster
    group = max(1, int(np.ceil(max(_LEAST_FRAME_S, 1.2 / f0_hz) / _FRAME_S)))
    left_out = round((_REACH_S + _MARGIN_S) / _FRAME_S)
    inner = peaks[left_out:-left_out]
    grouped = inner[: len(inner) // group * group].reshape(-1, group).max(axis=1)
    if len(grouped) < 2 * _MOST_JUMPS:
        return False
    usual = float(quantile(grouped, 0.5))
    if usual <= _ROUNDING * signal.step:
        return False
    if grouped.max() > _JUMP * usual:
        # a note may be followed by a long soft tail
        padded = np.pad(grouped, _AROUND // 2, "symmetric")
        around = np.maximum(usual, np.median(sliding_window_view(padded, _AROUND), axis=1))
        jumps = np.flatnonzero(grouped > _JUMP * around)
        if len(jumps) <= _MOST_JUMPS:
            starts = ((left_out + group * jumps) * frame).tolist()
            if any(_is_sudden(difference, start, group * frame, round(_NEAR_S * rate)) for start in starts):
                return True
        if 0 < np.count_nonzero(grouped > _BURST * usual) <= _MOST_BURST:
            return True
    if gated:
        reach = round(_REACH_S / _FRAME_S)
        x, peaks = x[reach * frame : -reach * frame], peaks[reach:-reach]
    return _silenced(x, peaks, frame, usual)


def _is_sudden(difference: Floats32, start: int, length: int, near: int) -> bool:
    """Whether the largest difference of `length` samples from `start` stands alone among those `near`."""
    top = start + int(np.argmax(difference[start : start + length]))
    around = difference[max(0, top - near) : top + near + 1]
    return bool(np.count_nonzero(around > difference[top] / 4) <= _SUDDEN)


def _silenced(x: Floats32, peaks: Floats32, frame: int, usual: float) -> bool:
    """Whether samples x stand still for a while between frames that sound; peaks (F,) of the frames' differences."""
    nothing = _STILL * float(max(x.max(), -x.min()))
    if peaks.min() > nothing:
        return False
    still = np.concatenate([[False], peaks <= nothing, [False]])
    edges = np.flatnonzero(np.diff(still))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        before, after = peaks[max(start - _FLANK_FRAMES, 0) : start], peaks[stop : stop + _FLANK_FRAMES]
        sounds = float(min(before.max(initial=0.0), after.max(initial=0.0))) >= _FLANK * usual
        # a low tone without noise has no differences to speak of, but does not stand still
        if stop - start >= _STILL_FRAMES and sounds and np.ptp(x[start * frame : stop * frame]) <= nothing:
            return True
    return False


def begins_cut_off(signal: Signal, level_dbfs: float) -> bool:
    """Whether the file begins within its first note, whose level (a sine's, in dB) this is."""
    return _sounds(signal, 0, level_dbfs)


def ends_cut_off(signal: Signal, level_dbfs: float) -> bool:
    """Whether the file ends within its last note."""
    return _sounds(signal, signal.frames - round(_EDGE_S * signal.rate), level_dbfs)


def _sounds(signal: Signal, first: int, level_dbfs: float) -> bool:
    x = signal.slice(first, first + round(_EDGE_S * signal.rate))
    return bool(np.sqrt(2 * np.mean(np.square(x))) > _SOUNDING * 10 ** (level_dbfs / 20))
