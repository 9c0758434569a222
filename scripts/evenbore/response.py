"""How a note speaks: rise of its level, and time until its pitch has settled."""

import numpy as np

from evenbore.pitch import measure_pitch
from evenbore.spectrum import analyse

_LOOK_BACK_S = 0.06
_LOOK_AHEAD_S = 0.5
_HOP_S = 0.002
_SETTLED_CENTS = 10.0
_SETTLE_PERIODS = 5.0
_LEAST_DIP = 0.5


def response_times(signal, onset_s: float, offset_s: float, slurred: bool, f0_hz: float) -> dict:
    """attack_ms (empty in a slur: there is no rise to time) and settle_ms of a note.

    The level is the root mean square over two periods (at least 6 ms). The attack is the time from 10 % to
    90 % of its rise, from the lowest level just before the note to the steady one. The settling time is never
    less than half the analysis window of five periods (at least 10 ms): pitch cannot be known sooner.
    """
    attack = float("nan") if slurred else _attack_ms(signal, onset_s, offset_s, f0_hz)
    return {"attack_ms": attack, "settle_ms": _settle_ms(signal, onset_s, offset_s, f0_hz)}


def _attack_ms(signal, onset_s: float, offset_s: float, f0_hz: float) -> float:
    rate = signal.rate
    width = max(2, round(max(2 / f0_hz, 0.006) * rate))
    stop_s = min(onset_s + _LOOK_AHEAD_S, onset_s + 0.75 * (offset_s - onset_s))
    first = round((onset_s - _LOOK_BACK_S) * rate)
    x = signal.slice(first - width // 2, round(stop_s * rate) + width).astype(float)
    running = np.concatenate([[0.0], np.cumsum(x**2)])
    envelope = np.sqrt(np.maximum(running[width:] - running[:-width], 0) / width)[:: max(1, round(_HOP_S * rate))]
    steady = np.median(envelope[len(envelope) // 2 :])
    reached = np.nonzero(envelope >= steady)[0]
    if len(reached) == 0:
        return float("nan")
    k0 = int(np.argmin(envelope[: reached[0] + 1]))
    floor = envelope[k0]
    if floor > _LEAST_DIP * steady:
        return float("nan")  # the sound before the note hides its rise
    rise = (envelope[k0 : reached[0] + 1] - floor) / (steady - floor)
    hop_ms = 1000 * max(1, round(_HOP_S * rate)) / rate
    return float((_last_crossing(rise, 0.9) - _last_crossing(rise, 0.1)) * hop_ms)


def _last_crossing(rise: np.ndarray, level: float) -> float:
    """Index, with its fraction, at which `rise` last passes `level` on its way from 0 to 1."""
    k = int(np.nonzero(rise < level)[0][-1])
    return k + (level - rise[k]) / (rise[k + 1] - rise[k])


def _settle_ms(signal, onset_s: float, offset_s: float, f0_hz: float) -> float:
    rate = signal.rate
    stop_s = min(onset_s + _LOOK_AHEAD_S, offset_s - 0.03)
    frames = analyse(signal.slice(round(onset_s * rate), round(stop_s * rate)), rate, f0_hz, _SETTLE_PERIODS)
    pitch = measure_pitch(frames, f0_hz) if frames is not None else None
    if pitch is None:
        return float("nan")
    steady = np.median(pitch.track_cents[len(pitch.track_cents) // 2 :])
    off = np.nonzero(np.abs(pitch.track_cents - steady) > _SETTLED_CENTS)[0]
    first = off[-1] + 1 if len(off) else 0
    if first == len(pitch.track_cents):
        return float("nan")
    return float(1000 * (frames.size / 2 / rate + first * frames.hop_s))
