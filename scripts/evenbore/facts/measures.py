"""What is measured of every note: the list MEASURES, and the measures of the harmonics themselves.

Headers, `columns.tsv` and `docs/measures.md` take name, unit, definition and source from MEASURES alone.

The functions take levels in dB re full scale (N, H), column h - 1 holding harmonic h, NaN where the harmonic is
missing (under the noise), with the fundamental frequencies (N,) in Hz, and return (N,), NaN where the measure
cannot be had. Amplitudes a_h = 10^(level / 20); a full-scale sine has amplitude 1. Missing harmonics count as
absent; `hidden_by_noise` tells where they might have made a difference.

References: Peeters, Giordano, Susini, Misdariis & McAdams 2011, J. Acoust. Soc. Am. 130, 2902;
Pollard & Jansson 1982, Acustica 51, 162.
"""

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from evenbore.facts.acoustics import a_weight_db, k_weight_power
from evenbore.facts.arrays import Bools, Floats

HIGH_BAND_HZ = 2000.0
# ASSUME: weaker harmonics come and go with the noise, and would pull the slope with them
TILT_RANGE_DB, TILT_FADE_DB = 30.0, 10.0
_LUFS_OFFSET = -0.691  # ITU-R BS.1770-4, annex 1, formula (2)


class Measure(NamedTuple):
    """One measure of a note; `better` is lower, higher, target (nearest to zero) or neutral (a matter of taste).

    `function` is set for what follows from the harmonics' levels alone.
    """

    name: str
    unit: str
    better: str
    definition: str
    source: str = ""
    function: Callable[[Floats, Floats], Floats] | None = None


class Wording(NamedTuple):
    """How outputs name what is measured of a note, and more and less of it after "it is"."""

    word: str
    more: str
    less: str


_TREBLE = Wording("treble", "richer in treble", "poorer in treble")
WORDINGS = {
    "cents": Wording("pitch", "sharper", "flatter"),
    "level_dbfs": Wording("level", "louder", "softer"),
    "brightness_db": _TREBLE,
    "brightness_matched_db": _TREBLE,
    "noise_high_db": Wording("air noise", "airier", "less airy"),
    "attack_ms": Wording("attack", "slower to speak", "quicker to speak"),
}
"""Of the measures that outputs draw or tell of; the criterion `brightness` is the slope of the spectrum, not the share
above 2 kHz."""


class _Shared:
    """The levels that `harmonic_measures` is at work on, and their amplitudes, which most measures begin with."""

    level_db: Floats | None = None
    amplitudes: Floats | None = None


def _amplitudes(level_db: Floats) -> Floats:
    if level_db is _Shared.level_db and _Shared.amplitudes is not None:
        return _Shared.amplitudes
    amplitudes: Floats = np.exp(np.log(10) / 20 * level_db)
    amplitudes[np.isnan(amplitudes)] = 0
    return amplitudes


@lru_cache(maxsize=2)  # the same notes are measured again and again while set-ups are taken out
def _weights(power: Callable[[Floats], Floats], f0_hz: bytes, harmonics: int) -> Floats:
    """Weights (N, H) of the harmonics' powers; `f0_hz`: those of N notes as bytes, float64."""
    return power(np.frombuffer(f0_hz)[:, None] * np.arange(1.0, harmonics + 1))


def _a_weight_power(frequency_hz: Floats) -> Floats:
    power: Floats = 10 ** (a_weight_db(frequency_hz) / 10)
    return power


def _orders(level_db: Floats) -> Floats:
    return np.arange(1.0, level_db.shape[1] + 1)


def _ratio(top: Floats, bottom: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(bottom > 0, top / bottom, np.nan)


def _db(ratio: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(ratio > 0, 10 * np.log10(ratio), np.nan)


def level_dbfs(level_db: Floats, f0_hz: Floats) -> Floats:
    """10 lg Σ a_h².

    >>> level_dbfs(np.array([[0.0, -20.0]]), np.array([1000.0])).round(4)  # amplitudes 1 and 0.1: 10 lg 1.01
    array([0.0432])
    """
    return _db(np.sum(_amplitudes(level_db) ** 2, axis=1))


def level_dba(level_db: Floats, f0_hz: Floats) -> Floats:
    """10 lg Σ a_h² 10^(A/10), A the weight in dB (IEC 61672-1).

    >>> level_dba(np.array([[0.0, -20.0]]), np.array([1000.0])).round(2)  # weights 0 and 1.2 dB: 10 lg 1.01318
    array([0.06])
    """
    weight = _weights(_a_weight_power, np.asarray(f0_hz, float).tobytes(), level_db.shape[1])
    return _db(np.sum(_amplitudes(level_db) ** 2 * weight, axis=1))


def level_lufs(level_db: Floats, f0_hz: Floats) -> Floats:
    """−0.691 + 10 lg Σ K a_h² / 2: mean square of each sine, K the weight as a power (ITU-R BS.1770-4).

    >>> level_lufs(np.array([[0.0]]), np.array([997.0])).round(2)  # BS.1770-4, annex 1: a sine of 0 dBFS in one channel
    array([-3.01])
    """
    weight = _weights(k_weight_power, np.asarray(f0_hz, float).tobytes(), level_db.shape[1])
    return _LUFS_OFFSET + _db(np.sum(_amplitudes(level_db) ** 2 / 2 * weight, axis=1))


def centroid_order(level_db: Floats, f0_hz: Floats) -> Floats:
    """Σ h a_h / Σ a_h (Peeters et al. 2011, amplitudes).

    >>> centroid_order(np.array([[0.0, -20.0]]), np.array([1000.0])).round(4)  # 1.2 / 1.1
    array([1.0909])
    """
    a = _amplitudes(level_db)
    return _ratio(a @ _orders(a), a.sum(axis=1))


def centroid_hz(level_db: Floats, f0_hz: Floats) -> Floats:
    """f0 · Σ h a_h / Σ a_h (Peeters et al. 2011, amplitudes).

    >>> centroid_hz(np.array([[0.0, -20.0]]), np.array([1000.0])).round(1)  # 1000 · 1.2 / 1.1
    array([1090.9])
    """
    return f0_hz * centroid_order(level_db, f0_hz)


def rolloff_hz(level_db: Floats, f0_hz: Floats, share: float = 0.95) -> Floats:
    """Frequency of the first harmonic up to which the share of Σ a_h² lies (Peeters et al. 2011: 95 %).

    >>> rolloff_hz(np.array([[0.0, 0.0, -20.0]]), np.array([1000.0]))  # 1 and 2 of 2.01: half, then 99.5 %
    array([2000.])
    """
    energy = np.cumsum(_amplitudes(level_db) ** 2, axis=1)
    first = np.argmax(energy >= share * energy[:, -1:], axis=1)
    return np.where(energy[:, -1] > 0, (first + 1) * f0_hz, np.nan)


def rolloff_85_hz(level_db: Floats, f0_hz: Floats) -> Floats:
    """As `rolloff_hz`, 85 %."""
    return rolloff_hz(level_db, f0_hz, 0.85)


def line_over_octaves(level_db: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Slope (N,) of level over log2 of harmonic number and the line itself (N, H), by weighted least squares.

    `weight` (N, H), 0 where the harmonic is missing; three harmonics of some weight are needed.
    """
    octave = np.log2(_orders(level_db))
    total = weight.sum(axis=1)
    level = np.where(weight > 0, level_db, 0.0)
    mean_x, mean_y = _ratio(weight @ octave, total), _ratio(np.sum(weight * level, axis=1), total)
    centred = weight * (octave - mean_x[:, None])
    slope = _ratio(np.sum(centred * level, axis=1), np.sum(centred * octave, axis=1))
    slope = np.where(np.sum(weight > 0, axis=1) >= 3, slope, np.nan)
    return slope, mean_y[:, None] + slope[:, None] * (octave - mean_x[:, None])


def _strongest(level_db: Floats) -> Floats:
    strongest: Floats = np.max(np.where(np.isnan(level_db), -np.inf, level_db), axis=1, keepdims=True)
    return strongest


def tilt_db_per_octave(level_db: Floats, f0_hz: Floats) -> Floats:
    """Least-squares slope of level over log2 h; harmonics weigh 1 down to 20 dB below the strongest, less to 30 dB.

    >>> tilt_db_per_octave(np.array([[0.0, -6.0, np.nan, -12.0]]), np.array([1000.0])).round(6)
    array([-6.])
    """
    weight = (level_db - _strongest(level_db) + TILT_RANGE_DB) / TILT_FADE_DB
    return line_over_octaves(level_db, np.clip(np.nan_to_num(weight), 0, 1))[0]


def odd_even_db(level_db: Floats, f0_hz: Floats) -> Floats:
    """10 lg (Σ_odd a_h² / Σ_even a_h²) (Peeters et al. 2011).

    >>> odd_even_db(np.array([[0.0, -20.0]]), np.array([1000.0])).round(6)
    array([20.])
    """
    energy = _amplitudes(level_db) ** 2
    return _db(_ratio(energy[:, 0::2].sum(axis=1), energy[:, 1::2].sum(axis=1)))


def _share(level_db: Floats, part: slice) -> Floats:
    a = _amplitudes(level_db)
    return _ratio(a[:, part].sum(axis=1), a.sum(axis=1))


def tristimulus_1(level_db: Floats, f0_hz: Floats) -> Floats:
    """a_1 / Σ a_h (Pollard & Jansson 1982).

    >>> tristimulus_1(np.array([[0.0, -20.0]]), np.array([1000.0])).round(4)  # 1 / 1.1
    array([0.9091])
    """
    return _share(level_db, slice(0, 1))


def tristimulus_2(level_db: Floats, f0_hz: Floats) -> Floats:
    """(a_2 + a_3 + a_4) / Σ a_h (Pollard & Jansson 1982).

    >>> tristimulus_2(np.array([[0.0, -20.0]]), np.array([1000.0])).round(4)  # 0.1 / 1.1
    array([0.0909])
    """
    return _share(level_db, slice(1, 4))


def tristimulus_3(level_db: Floats, f0_hz: Floats) -> Floats:
    """(a_5 + a_6 + …) / Σ a_h (Pollard & Jansson 1982).

    >>> tristimulus_3(np.zeros((1, 8)), np.array([100.0]))  # 4 / 8
    array([0.5])
    """
    return _share(level_db, slice(4, None))


def fundamental_db(level_db: Floats, f0_hz: Floats) -> Floats:
    """20 lg (a_1 / (a_2 + a_3 + …)): tristimulus 1 over the other two, in dB (Pollard & Jansson 1982).

    >>> fundamental_db(np.array([[0.0, -20.0, -20.0]]), np.array([1000.0])).round(4)  # 20 lg (1 / 0.2)
    array([13.9794])
    """
    a = _amplitudes(level_db)
    return 2 * _db(_ratio(a[:, 0], a[:, 1:].sum(axis=1)))


def high_band_db(level_db: Floats, f0_hz: Floats) -> Floats:
    """10 lg of Σ a_h² above 2 kHz over Σ a_h² up to 2 kHz.

    >>> high_band_db(np.array([[0.0, -20.0]]), np.array([2000.0])).round(6)
    array([-20.])
    """
    energy = _amplitudes(level_db) ** 2
    high = f0_hz[:, None] * _orders(level_db) > HIGH_BAND_HZ
    return _db(_ratio(np.sum(energy * high, axis=1), np.sum(energy * ~high, axis=1)))


def brightness_db(level_db: Floats, f0_hz: Floats) -> Floats:
    """10 lg (Σ w a_h² / Σ a_h²), w = f⁴ / (f⁴ + 2000⁴): a hard limit at 2 kHz would jump whenever a harmonic of a
    rising scale crosses it.

    >>> brightness_db(np.array([[0.0, -20.0]]), np.array([2000.0])).round(2)  # w = 1/2, 16/17: 10 lg (0.50941 / 1.01)
    array([-2.97])
    """
    energy = _amplitudes(level_db) ** 2
    ratio = (f0_hz[:, None] * _orders(level_db) / HIGH_BAND_HZ) ** 4
    return _db(_ratio(np.sum(energy * ratio / (1 + ratio), axis=1), energy.sum(axis=1)))


_PEETERS = "Peeters et al. 2011, J. Acoust. Soc. Am. 130, 2902"
_POLLARD = "Pollard & Jansson 1982, Acustica 51, 162"
_OWN = "Own definition"
_NO_ROOM = "empty where the room is heard or unknown"
_AIR = "without the background and the room's echo; empty where these hide it"
_BEFORE_STEADY = "tongued or first notes only"

# in the order of the columns of notes.tsv
MEASURES: tuple[Measure, ...] = (
    Measure("f0_hz", "Hz", "neutral",
        "fundamental frequency: mean over the usable harmonics of (phase advance per second) / 2π h, weighted by h² and"
        " by how far harmonic h stands out of the noise",
        "Flanagan & Golden 1966, Bell Syst. Tech. J. 45, 1493"),
    Measure("f0_se_cents", "cents", "lower",
        "standard error of f0_hz, from how far the harmonics disagree and the pitch wanders", _OWN),
    Measure("cents", "cents", "target",
        "1200 log2(f0_hz / f_et), f_et = A4 · 2^((midi − 69) / 12) with the session's A4: deviation from the"
        " equal-tempered note",
        "ISO 16 (A4 = 440 Hz); equal temperament"),
    Measure("cents_sd", "cents", "lower", "standard deviation of pitch over time", _OWN),
    Measure("cents_drift", "cents/s", "target", "least-squares slope of pitch over time", _OWN),
    Measure("level_dbfs", "dB re full scale", "neutral",
        "10 lg Σ a_h²: power sum of the harmonics; 0 dB is a full-scale sine",
        _OWN, level_dbfs),
    Measure("level_dba", "dB re full scale", "neutral",
        "10 lg Σ a_h² 10^(A/10), A the A-weight in dB at the harmonic's frequency", "IEC 61672-1:2013, annex E",
        level_dba),
    Measure("level_lufs", "LUFS", "neutral",
        "−0.691 + 10 lg Σ K a_h² / 2, K the power response of the K-weighting at the harmonic's frequency, without"
        " gates", "ITU-R BS.1770-4", level_lufs),
    Measure("centroid_hz", "Hz", "neutral",
        "f0 Σ h a_h / Σ a_h: amplitude-weighted mean frequency", _PEETERS, centroid_hz),
    Measure("centroid_order", "harmonic number", "neutral",
        "Σ h a_h / Σ a_h", _PEETERS, centroid_order),
    Measure("rolloff_hz", "Hz", "neutral",
        "frequency of the first harmonic up to which 95 % of Σ a_h² lies", _PEETERS, rolloff_hz),
    Measure("rolloff_85_hz", "Hz", "neutral",
        "frequency of the first harmonic up to which 85 % of Σ a_h² lies",
        "As rolloff_hz, with the share that signal libraries use", rolloff_85_hz),
    Measure("tilt_db_per_octave", "dB/octave", "neutral",
        "least-squares slope of harmonic level over log2 of harmonic number; weights 1 down to"
        f" {TILT_RANGE_DB - TILT_FADE_DB:g} dB below the strongest harmonic, falling to 0 at {TILT_RANGE_DB:g} dB;"
        " three harmonics at least", _OWN, tilt_db_per_octave),
    Measure("odd_even_db", "dB", "neutral",
        "10 lg (Σ a_h² over odd h / Σ a_h² over even h)", _PEETERS, odd_even_db),
    Measure("tristimulus_1", "share", "neutral", "a_1 / Σ a_h", _POLLARD, tristimulus_1),
    Measure("tristimulus_2", "share", "neutral", "(a_2 + a_3 + a_4) / Σ a_h", _POLLARD, tristimulus_2),
    Measure("tristimulus_3", "share", "neutral", "(a_5 + a_6 + …) / Σ a_h", _POLLARD, tristimulus_3),
    Measure("fundamental_db", "dB", "neutral",
        "20 lg (a_1 / (a_2 + a_3 + …)): tristimulus 1 over the other two",
        _POLLARD, fundamental_db),
    Measure("high_band_db", "dB", "neutral",
        "10 lg (Σ a_h² above 2 kHz / Σ a_h² up to 2 kHz): what players miss in a muffled tone", _OWN, high_band_db),
    Measure("brightness_db", "dB", "neutral",
        "10 lg (Σ w a_h² / Σ a_h²), w = f⁴ / (f⁴ + 2000⁴) with f = h f0 in Hz: treble, which does not jump when a"
        " harmonic crosses 2 kHz", _OWN, brightness_db),
    Measure("hnr_db", "dB", "higher",
        f"10 lg (Σ a_h² / N), N the power of the noise between the harmonics from f0 / 2 on, {_AIR}", _OWN),
    Measure("noise_low_db", "dB", "lower",
        f"10 lg (noise around the harmonics up to 2 kHz / Σ a_h²), {_AIR}", _OWN),
    Measure("noise_high_db", "dB", "lower",
        f"10 lg (noise around the harmonics above 2 kHz / Σ a_h²), {_AIR}", _OWN),
    Measure("attack_ms", "ms", "lower",
        "time in which the amplitude rises from 10 % to 90 % of the way from the lowest level just before the note to"
        " the steady level; where the room is heard, of the raised cosine that fits best the mean log amplitude of the"
        f" harmonics; empty where that stays uncertain; {_BEFORE_STEADY}",
        f"{_OWN}, after the threshold method in Peeters et al. 2011"),
    Measure("log_attack", "lg s", "lower", "lg (attack_ms / 1000)", _PEETERS),
    Measure("overshoot_db", "dB", "neutral",
        "20 lg (greatest amplitude within 0.5 s, or three quarters of a shorter note, after the onset / steady"
        f" amplitude); {_NO_ROOM}; {_BEFORE_STEADY}", _OWN),
    Measure("settle_ms", "ms", "lower",
        "time from the onset until pitch stays within 10 cents of the steady pitch; half an analysis window at"
        f" least; {_NO_ROOM}", _OWN),
    Measure("transition_ms", "ms", "lower",
        "in a slur: time in which the new note's share of the spectrum goes from a tenth to nine tenths;"
        f" {_NO_ROOM}", _OWN),
    Measure("snr_db", "dB", "higher",
        "level_dbfs less the level of the background, from f0 / 2 to 10 kHz (or 0.45 of the sample rate); 100 dB at"
        " most", _OWN),
)  # fmt: skip

HARMONIC_MEASURES = {measure.name: measure.function for measure in MEASURES if measure.function is not None}

# A change that a listener or a comparison might notice, by unit; of Hz and harmonic numbers a share of the value.
# Common practice, no source.
_MATTERS = {"Hz": 0.05, "harmonic number": 0.05, "share": 0.05}
_MATTERS_DB = 1.0


def harmonic_measures(
    level_db: Floats, f0_hz: Floats, names: Iterable[str] = tuple(HARMONIC_MEASURES)
) -> dict[str, Floats]:
    """These of HARMONIC_MEASURES for levels (N, H) and fundamentals (N,)."""
    _Shared.level_db, _Shared.amplitudes = level_db, _amplitudes(level_db)
    try:
        return {name: HARMONIC_MEASURES[name](level_db, f0_hz) for name in names}
    finally:
        _Shared.level_db = _Shared.amplitudes = None


def hidden_by_noise(level_db: Floats, limit_db: Floats, f0_hz: Floats, before: dict[str, Floats]) -> dict[str, Bools]:
    """Per harmonic measure, whether the missing harmonics may have made a difference, bool (N,).

    `before`: the `harmonic_measures` of these levels. `limit_db` (N, H): level under which a harmonic is missing; NaN
    beyond the range of measurement. Each missing harmonic is given the level on the straight line through the others
    (level over log2 of harmonic number), or the limit where that is lower; the measure is hidden where this changes it
    by 5 % (frequencies, harmonic numbers), 0.05 (shares) or 1 dB, or lets it be had at all. The tilt is hidden where a
    missing harmonic may lie in its range.
    """
    line = line_over_octaves(level_db, (~np.isnan(level_db)).astype(float))[1]
    likely = np.where(np.isnan(level_db), np.fmin(limit_db, line), level_db)
    likely[np.isnan(limit_db)] = np.nan
    after = harmonic_measures(likely, f0_hz)
    hidden: dict[str, Bools] = {}
    for measure in MEASURES:
        if measure.function is not None:
            scale = np.abs(before[measure.name]) if measure.unit in ("Hz", "harmonic number") else 1.0
            change = np.abs(after[measure.name] - before[measure.name])
            matters = scale * _MATTERS.get(measure.unit, _MATTERS_DB)
            hidden[measure.name] = (change > matters) | np.isnan(before[measure.name]) & ~np.isnan(after[measure.name])
    in_range = np.isnan(level_db) & (limit_db > _strongest(level_db) - TILT_RANGE_DB)
    hidden["tilt_db_per_octave"] = np.asarray(in_range.any(axis=1))
    return hidden
