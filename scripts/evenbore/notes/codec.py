"""What a lossy codec (MP3, AAC, Vorbis, Opus) leaves of the noise of notes: it drops or makes up what seems hidden.

How far down the noise is right depends on the bits that the codec spent on a sample. A file without loss that was made
from a lossy one betrays itself by the background's spectrum, which ends as if cut off with a knife.
"""

import numpy as np

from evenbore.facts.flags import NOISE_MEASURES
from evenbore.facts.rows import Row
from evenbore.notes.background import Background
from evenbore.recording.audio import Signal

# ASSUME: measured on sampled and simulated instruments (docs/method.md); no source. Up to so many bits a sample noise
# this many dB under the note's level may be off by a decibel, and this many is withheld.
_LIMITS_DB = ((2.0, 0.0, 0.0), (3.5, 30.0, 40.0), (5.2, 40.0, 40.0), (np.inf, 50.0, 50.0))
# ASSUME: tuned by trial on the same; no source.
_SMEARED = 0.8  # bits a sample: fewer smear the attacks too
_WALL_DB = 8.0  # within two bands
_BAND_HZ, _BELOW_BANDS = 300.0, 4
_LOWEST_HZ, _HIGHEST = 5000.0, 0.44  # of the sample rate: above lies the recorder's own filter
_TOP = 0.48  # of the sample rate
_FEW_BITS_HZ, _FEW_BITS, _MORE_BITS = 18_500.0, 1.0, 3.0  # a codec that ends lower had few bits


def codec_bits(signal: Signal, quiet: Background) -> float:
    """Bits a sample of the codec that the sound went through, as far as file and background tell; else infinite."""
    wall_hz = _wall_hz(quiet, signal.rate)
    told = np.inf if np.isnan(wall_hz) else _FEW_BITS if wall_hz < _FEW_BITS_HZ else _MORE_BITS
    return float(told) if np.isinf(signal.coded_bits) else signal.coded_bits


def _wall_hz(quiet: Background, rate: int) -> float:
    """Where the background's spectrum ends for good within two bands; NaN where it does not."""
    if quiet.power is None:
        return np.nan
    width = max(1, round(_BAND_HZ / quiet.bin_hz))
    bands = quiet.power[: int(_TOP * rate / quiet.bin_hz) // width * width].reshape(-1, width)
    level = 10 * np.log10(np.median(bands, axis=1) + 1e-20)  # a median, for lines
    for k in range(max(_BELOW_BANDS, int(_LOWEST_HZ / _BAND_HZ)), len(level) - 2):
        if k * width * quiet.bin_hz > _HIGHEST * rate:
            break
        if level[k - _BELOW_BANDS : k].min() - level[k + 2 :].max() >= _WALL_DB:
            return float(k * width * quiet.bin_hz)
    return np.nan


def withhold_noise(row: Row, bits: float) -> None:
    """Flag the measures of a note that so few bits may have changed; empty those of noise that they mostly change."""
    doubtful_db, lost_db = next((doubtful, lost) for most, doubtful, lost in _LIMITS_DB if bits <= most)
    limited = [name for name in NOISE_MEASURES if abs(row[name]) > doubtful_db]
    row |= {name: np.nan for name in limited if abs(row[name]) > lost_db}
    if bits <= _LIMITS_DB[0][0]:
        beginning = ("attack_ms", "log_attack", "settle_ms") if bits <= _SMEARED else ("settle_ms",)
        limited += [name for name in beginning if not np.isnan(row[name])]
    if limited:
        row["flags"] += f" codec_limited:{','.join(limited)}"
