"""What a note's harmonics sound like: brightness, balance, high band.

Every function takes levels in dB re full scale (N, H), column h - 1 holding harmonic h, NaN where the
harmonic is missing (under the noise), with the fundamental frequencies (N,) in Hz, and returns (N,),
NaN where the measure cannot be had. Amplitudes a_h = 10^(level/20).

References: Peeters, Giordano, Susini, Misdariis & McAdams 2011, J. Acoust. Soc. Am. 130, 2902;
Pollard & Jansson 1982, Acustica 51, 162.
"""

import numpy as np

HIGH_BAND_HZ = 2000.0
_ROLLOFF = 0.95


def _amplitudes(level_db: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(level_db), 0.0, 10 ** (np.nan_to_num(level_db) / 20))


def _ratio(top: np.ndarray, bottom: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(bottom > 0, top / bottom, np.nan)


def _db(ratio: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(ratio > 0, 10 * np.log10(ratio), np.nan)


def level_dbfs(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Power sum of the harmonics: 10 log10 sum a_h^2."""
    return _db(np.sum(_amplitudes(level_db) ** 2, axis=1))


def centroid_order(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Amplitude-weighted mean harmonic number, sum h a_h / sum a_h (Peeters et al. 2011)."""
    a = _amplitudes(level_db)
    return _ratio(a @ np.arange(1.0, a.shape[1] + 1), a.sum(axis=1))


def centroid_hz(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Amplitude-weighted mean frequency: f0 times the centroid's order (Peeters et al. 2011)."""
    return f0_hz * centroid_order(level_db, f0_hz)


def rolloff_hz(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Frequency of the first harmonic up to which 95 % of the energy lies (Peeters et al. 2011)."""
    energy = np.cumsum(_amplitudes(level_db) ** 2, axis=1)
    first = np.argmax(energy >= _ROLLOFF * energy[:, -1:], axis=1)
    return np.where(energy[:, -1] > 0, (first + 1) * f0_hz, np.nan)


def tilt_db_per_octave(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Least-squares slope of harmonic level over log2 of harmonic number; needs three harmonics."""
    known = ~np.isnan(level_db)
    octave = np.log2(np.arange(1.0, level_db.shape[1] + 1))
    count = known.sum(axis=1)
    level = np.nan_to_num(level_db)
    mean_x = _ratio(known @ octave, count.astype(float))
    centred = np.where(known, octave - mean_x[:, None], 0.0)
    return np.where(count >= 3, _ratio(np.sum(centred * level, axis=1), np.sum(centred**2, axis=1)), np.nan)


def odd_even_db(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Energy of the odd harmonics over the even ones in dB (Peeters et al. 2011)."""
    energy = _amplitudes(level_db) ** 2
    return _db(_ratio(energy[:, 0::2].sum(axis=1), energy[:, 1::2].sum(axis=1)))


def tristimulus_1(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Share of harmonic 1 in the summed amplitudes (Pollard & Jansson 1982)."""
    a = _amplitudes(level_db)
    return _ratio(a[:, 0], a.sum(axis=1))


def tristimulus_2(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Share of harmonics 2 to 4 in the summed amplitudes (Pollard & Jansson 1982)."""
    a = _amplitudes(level_db)
    return _ratio(a[:, 1:4].sum(axis=1), a.sum(axis=1))


def tristimulus_3(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Share of harmonics 5 and up in the summed amplitudes (Pollard & Jansson 1982)."""
    a = _amplitudes(level_db)
    return _ratio(a[:, 4:].sum(axis=1), a.sum(axis=1))


def high_band_db(level_db: np.ndarray, f0_hz: np.ndarray) -> np.ndarray:
    """Energy of the harmonics above 2 kHz over that of those up to 2 kHz, in dB."""
    energy = _amplitudes(level_db) ** 2
    high = f0_hz[:, None] * np.arange(1, level_db.shape[1] + 1) > HIGH_BAND_HZ
    return _db(_ratio(np.sum(energy * high, axis=1), np.sum(energy * ~high, axis=1)))


HARMONIC_MEASURES = {
    function.__name__: function
    for function in (
        level_dbfs, centroid_hz, centroid_order, rolloff_hz, tilt_db_per_octave, odd_even_db,
        tristimulus_1, tristimulus_2, tristimulus_3, high_band_db,
    )
}  # fmt: skip


def harmonic_measures(level_db: np.ndarray, f0_hz: np.ndarray) -> dict[str, np.ndarray]:
    """All measures of HARMONIC_MEASURES for levels (N, H) and fundamentals (N,)."""
    return {name: function(level_db, f0_hz) for name, function in HARMONIC_MEASURES.items()}
