"""Linked sessions against a published balanced incomplete block design.

Montgomery, Design and Analysis of Experiments: catalysts (here instruments) in batches of raw material (here
sessions), 4 x 4 with 3 of 4 in each block. Adjusted means 71.375, 71.625, 72.000, 75.000; raw means
72.667, 71.333, 72.0, 74.0 order the first three differently.
"""

import numpy as np
import pandas as pd
import pytest

from evenbore.setups.comparability import session_groups
from evenbore.setups.harmonics import harmonic_arrays
from evenbore.setups.responses import estimate_setups

RAW = {1: {1: 73, 2: 74, 4: 71}, 2: {2: 75, 3: 67, 4: 72}, 3: {1: 73, 2: 75, 3: 68}, 4: {1: 75, 3: 72, 4: 75}}


def test_normalised_means_are_the_adjusted_means(monkeypatch):
    # each yield as the level of all harmonics that the instrument plays in that session; the published means are
    # those of plain least squares, so the robust limit is lifted
    monkeypatch.setattr("evenbore.setups.responses.HUBER", np.inf)
    rows = [
        (f"i{i}", f"s{s}", midi, 440 * 2 ** ((midi - 69) / 12), float(y))
        for i, sessions in RAW.items()
        for s, y in sessions.items()
        for midi in range(50, 80)
    ]
    frame = pd.DataFrame(rows, columns=["instrument", "session", "midi", "frequency_hz", "level_db"]).assign(
        state="x", dynamic="mf", articulation="slurred", direction="up", harmonic=1, above_noise_db=40.0, status="ok"
    )
    frame = frame.assign(recording=frame["session"] + frame["instrument"], step=frame["midi"])
    harmonics = harmonic_arrays(frame.assign(f0_hz=frame["frequency_hz"]), [frame])
    setups = estimate_setups(frame, harmonics, session_groups(frame))
    chain = setups.at(
        pd.Categorical(frame["session"], categories=setups.sessions).codes,
        frame["frequency_hz"].to_numpy()[:, None],
        setups.response_db,
    )[:, 0]
    means = (frame["level_db"] - chain).groupby(frame["instrument"]).mean().to_numpy()
    assert means == pytest.approx([71.375, 71.625, 72.0, 75.0], abs=1e-3)
    raw = frame.groupby("instrument")["level_db"].mean().to_numpy()
    assert raw == pytest.approx([72.6667, 71.3333, 72.0, 74.0], abs=1e-3)
    assert list(np.argsort(means)) != list(np.argsort(raw))
