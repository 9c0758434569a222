"""The set-ups' error along each session's own directions tells the same as along all of the study's."""

import numpy as np
import pytest

from evenbore.facts.measures import harmonic_measures
from evenbore.setups.errors import load_setup_errors, save_setup_errors, session_directions
from evenbore.setups.harmonics import harmonic_arrays
from evenbore.setups.normalise import CHAIN_MEASURES, normalise
from simulate import study_tables

MEASURES = ("level_dbfs", "brightness_db", "centroid_order")


@pytest.fixture(scope="module")
def study():
    sessions = {f"s{k}": ["ref", "both", f"own{k}"] if k < 2 else ["ref", f"own{k}"] for k in range(5)}
    tables = study_tables(sessions, takes=3, written=(58, 75))
    return tables, normalise(tables["recordings"], tables["notes"], [tables["harmonics"]])


def test_directions_of_a_session_make_up_its_error(study):
    setups = study[1].setups
    directions, mixing = session_directions(setups)
    known = np.isfinite(setups.response_db)
    assert directions.shape[1] < len(setups.errors_db)
    variance = (setups.errors_db**2).sum(axis=0)[known]
    assert (directions**2).sum(axis=1)[known] == pytest.approx(variance, rel=0.05, abs=1e-3 * variance.max())
    # every direction of all sessions comes back, to within what was left out
    again = np.einsum("skr,srb->ksb", mixing, directions)
    left = (np.where(known, setups.errors_db - again, 0) ** 2).sum()
    assert left < 0.001 * (np.where(known, setups.errors_db, 0) ** 2).sum()


def test_means_over_sessions_have_the_variance_of_measuring_again_along_every_direction(study):
    tables, normalised = study
    notes, errors = normalised.notes, normalised.errors
    harmonics = harmonic_arrays(tables["notes"], [tables["harmonics"]])
    flat, f0 = normalised.level_db.astype(float), harmonics.frequency_hz[:, 0].astype(float)
    before = harmonic_measures(flat, f0, MEASURES)
    after = [
        harmonic_measures(flat - normalised.setups.at(errors.session, harmonics.frequency_hz, error), f0, MEASURES)
        for error in normalised.setups.errors_db
    ]
    for measure in MEASURES:
        expected, found = [], []
        for name in ("own3", "both", "ref"):
            rows = (notes["instrument"] == name).to_numpy()
            expected.append(sum(np.mean((moved[measure] - before[measure])[rows]) ** 2 for moved in after))
            changes = errors.changes[:, :, CHAIN_MEASURES.index(measure)]
            sums = (changes[:, rows & (errors.session == session)].sum(axis=1) for session in range(5))
            total = sum(errors.along_all(moved, session) for session, moved in enumerate(sums))
            found.append(np.sum((total / rows.sum()) ** 2))
        # the reference's mean over all sessions all but cancels
        assert found == pytest.approx(expected, rel=0.03, abs=1e-3 * expected[0])


def test_errors_come_back_from_their_file(study, tmp_path):
    save_setup_errors(study[1].errors, tmp_path / "errors.npz")
    for kept, written in zip(load_setup_errors(tmp_path / "errors.npz"), study[1].errors, strict=True):
        np.testing.assert_array_equal(kept, written)
    one = study[1].errors.of(["brightness_db"])
    place = CHAIN_MEASURES.index("brightness_db")
    np.testing.assert_array_equal(one.changes[..., 0], study[1].errors.changes[..., place])
