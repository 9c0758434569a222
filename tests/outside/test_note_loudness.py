"""BS.1770 level of a note against a reference library on steady tones."""

import numpy as np
import pyloudnorm
import pytest

from tones import harmonic_tone, measure_tone


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("f0", [58.27, 146.83, 440.0, 1479.98])
@pytest.mark.parametrize("tilt", [-3.0, -6.0, -12.0])
def test_agrees_with_pyloudnorm_on_a_steady_tone(f0, tilt, rate):
    # harmonics up to 9.9 kHz: what lies beyond 10 kHz is not measured of a note
    order = np.arange(1, int(9900 / f0) + 1)
    tone = harmonic_tone(f0, -30 + tilt * np.log2(order), 3.0, rate)
    # the tone is steady, so the gates take nothing out
    reference = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(tone)
    assert measure_tone(tone, rate, f0).rows[0]["level_lufs"] == pytest.approx(reference, abs=0.1)
