"""Harmonics against the usual ones of the same note, on spectra whose difference is planted."""

import numpy as np
import pandas as pd
import pytest

from evenbore.setups.tone import against_usual, against_usual_value

MIDI = (60, 64, 67)
OCTAVES = np.log2(np.arange(1, 13))


def spectra(tilts, missing=0):
    """Notes and harmonics (N, 12) of one take of each instrument, curved as those of a wind instrument are, with so
    many dB per octave on top; the last `missing` harmonics of the first instrument lost in the noise."""
    rows, levels = [], []
    for number, (name, tilt) in enumerate(tilts.items()):
        for midi in MIDI:
            level = -0.1 * midi - 4 * OCTAVES - 3 * OCTAVES**2 + tilt * OCTAVES - 7 * number
            if not number and missing:
                level[-missing:] = np.nan
            rows.append({"recording": f"r_{name}", "instrument": name, "state": "as_found", "group": 1, "midi": midi})
            levels.append(level)
    return pd.DataFrame(rows), np.array(levels, np.float32)


def test_a_planted_tilt_comes_out_as_it_is():
    notes, level_db = spectra({"a": 0.0, "b": 2.0, "c": -1.0})
    slope, curves = against_usual(notes, level_db, {})
    found = pd.Series(slope).groupby(notes["instrument"]).mean()
    assert (found - found["a"]).to_dict() == pytest.approx({"a": 0.0, "b": 2.0, "c": -1.0}, abs=1e-4)
    curve = curves[curves["recording"] == "r_b"].set_index("harmonic")["level_db"]
    assert curve[4] - curve[1] == pytest.approx(4.0, abs=1e-3)  # two octaves of 2 dB
    assert (curves["n_notes"] == len(MIDI)).all()


def test_harmonics_lost_in_the_noise_do_not_darken():
    notes, level_db = spectra({"a": 1.0, "b": 0.0, "c": 0.0}, missing=5)
    slope = pd.Series(against_usual(notes, level_db, {})[0]).groupby(notes["instrument"]).mean()
    assert slope["a"] - slope["b"] == pytest.approx(1.0, abs=1e-4)


def test_each_kind_has_its_own_usual_and_one_alone_has_none():
    notes, level_db = spectra({"a": 0.0, "b": 1.0, "c": 9.0})
    slope = against_usual(notes, level_db, {"a": "flute", "b": "flute", "c": "oboe"})[0]
    found = pd.Series(slope).groupby(notes["instrument"]).mean()
    assert found["b"] - found["a"] == pytest.approx(1.0, abs=1e-4)
    assert np.isnan(found["c"])


def test_a_note_that_an_instrument_lacks_does_not_shift_its_value():
    notes = spectra({"a": 0.0, "b": 0.0, "c": 0.0})[0]
    own = notes["instrument"].map({"a": 0.0, "b": 1.0, "c": -1.0})
    notes = notes.assign(odd_even_db=notes["midi"].map({60: 20.0, 64: 5.0, 67: 2.0}) + own)
    notes.loc[(notes["instrument"] == "c") & (notes["midi"] == 60), "odd_even_db"] = np.nan
    medians = against_usual_value(notes, "odd_even_db", {}).groupby(notes["instrument"]).median()
    assert medians.to_dict() == {"a": 0.0, "b": 1.0, "c": -1.0}
    assert against_usual_value(notes, "odd_even_db", {"a": "flute", "b": "oboe"}).isna().all()  # each one alone
