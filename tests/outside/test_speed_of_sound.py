"""Speed of sound in dry air, and what temperature does to pitch."""

import numpy as np
import pytest

from evenbore.trade.pitch import cents, speed_of_sound

# Cramer 1993, J. Acoust. Soc. Am. 93, 2510 (331.46 at 0 °C) and handbook values for dry air: from memory; they differ
# from an ideal gas by 0.05 %.
HANDBOOK = {0: 331.4, 10: 337.3, 20: 343.2, 25: 346.1, 30: 349.0, 40: 354.7}


@pytest.mark.parametrize("temperature", HANDBOOK)
def test_handbook_values(temperature):
    assert speed_of_sound(temperature) == pytest.approx(HANDBOOK[temperature], rel=5e-4)


def test_the_usual_straight_line():
    t = np.arange(0, 31, 5)
    assert speed_of_sound(t) == pytest.approx(331.3 + 0.606 * t, rel=2e-3)


@pytest.mark.parametrize("temperature", [0, 10, 20, 30])
def test_cents_per_degree(temperature):
    # pitch follows c, c the square root of the absolute temperature: 600 / ln 2 / T per kelvin, 2.95 at 20 °C
    expected = 600 / np.log(2) / (273.15 + temperature)
    step = 1e-3
    assert cents(speed_of_sound(temperature + step), speed_of_sound(temperature)) / step == pytest.approx(
        expected, rel=1e-4
    )
