"""Whether the recorder moved its gain while recording (automatic gain, limiter, compressor): the room's noise tells.

The noise of a room does not know what is played. A gain that falls with loud notes takes the noise down with them, by
the same amount at all frequencies: it lies lower between the harmonics of a note than where nobody plays, or it is
lower after a note than before the first one and comes back while the gain is let go. Own definitions.
"""

import numpy as np

from evenbore.facts.acoustics import third_octave_bands
from evenbore.facts.arrays import Floats, quantile
from evenbore.notes.background import Background
from evenbore.notes.spectrum import Harmonics, band_levels, overlapping, transform, window
from evenbore.recording.audio import Signal

# ASSUME: tuned by trial on sampled and simulated instruments with and without a moving gain; no source.
_LOW_HZ, _HIGH_HZ = 250.0, 10_000.0  # below rumble comes and goes
_CLEAR_S, _PIECE_S, _LEAD_S, _LONGEST_S, _BEFORE_S = 0.25, 0.25, 1.0, 5.0, 0.05
_SHORTEST_PIECE_S, _APART_S = 0.15, 0.1
_LEAST_LEAD_S = 0.25
_WINDOW = 2048
_LOWER_DB, _RISE_DB = 2.0, 0.25  # after a note than before the first one, and from there until the next or the end
_UNIFORM_DB = 1.0  # median absolute deviation over the bands
_UNDER_DB, _UNDER_SHARE = 2.5, 0.75  # noise within notes under the background, at this quantile of the harmonics
_LEAST_HARMONICS = 4


def gain_moved(
    signal: Signal, onset_s: Floats, offset_s: Floats, spectra: list[Harmonics | None], quiet: Background
) -> bool:
    """Whether the gain surely moved; False also where nothing but rounding and silence, or nothing quiet, is there."""
    if quiet.is_nothing(signal):
        return False
    return _noise_under_background(spectra, quiet) or _noise_comes_back(signal, onset_s, offset_s)


def _noise_under_background(spectra: list[Harmonics | None], quiet: Background) -> bool:
    """Whether the noise between the harmonics lies under the background, in the median over the notes."""
    under = []
    for spectrum in spectra:
        if spectrum is not None:
            hz, half = spectrum.frequency_hz, spectrum.frequency_hz[0] / 2
            below = (quiet.level_db(hz - half, hz + half) - spectrum.noise_db)[hz > _LOW_HZ]
            if len(below) >= _LEAST_HARMONICS:
                under.append(quantile(below, _UNDER_SHARE))
    return bool(under and np.median(under) > _UNDER_DB)


def _noise_comes_back(signal: Signal, onset_s: Floats, offset_s: Floats) -> bool:
    """Whether the noise is lower after notes than before the first one and rises from there, in most of the gaps."""
    window_s = (_WINDOW + 1) / signal.rate  # long at low sampling rates
    if not len(onset_s) or onset_s[0] < max(_LEAST_LEAD_S, window_s) + _BEFORE_S:
        return False
    lead = _bands(signal, max(0.0, onset_s[0] - _BEFORE_S - _LEAD_S), onset_s[0] - _BEFORE_S)
    signs = []
    for offset, following in zip(offset_s, np.append(onset_s[1:] - _BEFORE_S, signal.duration_s), strict=True):
        first, last = offset + _CLEAR_S, min(following, offset + _LONGEST_S)
        piece = min(_PIECE_S, (last - first - _APART_S) / 2)
        if piece >= max(_SHORTEST_PIECE_S, window_s):
            early, late = _bands(signal, first, first + piece), _bands(signal, last - piece, last)
            lower, rise = _uniform(lead - early), _uniform(late - early)
            signs.append(lower > _LOWER_DB and rise > _RISE_DB)
    return bool(signs) and sum(signs) > len(signs) / 2


def _bands(signal: Signal, start_s: float, stop_s: float) -> Floats:
    """Levels (B,) of the one-third-octave bands that count."""
    x = signal.slice(round(start_s * signal.rate), round(stop_s * signal.rate))
    frames = overlapping(x, _WINDOW, _WINDOW // 2)
    power = np.mean(np.abs(transform(frames, window(_WINDOW))) ** 2, axis=0)
    centre = third_octave_bands().centre
    counts = (centre >= _LOW_HZ) & (centre <= min(_HIGH_HZ, 0.4 * signal.rate))
    return band_levels(power, signal.rate / _WINDOW)[counts]


def _uniform(change_db: Floats) -> float:
    """The change that all bands share, in dB; 0 where they do not agree. Wide bands scatter less and weigh more, by
    their width in Hz, which grows by 10^0.1 from one to the next."""
    middle = np.median(change_db)
    agreed = np.median(np.abs(change_db - middle)) <= _UNIFORM_DB
    return float(np.average(change_db, weights=10 ** (0.1 * np.arange(len(change_db))))) if agreed else 0.0
