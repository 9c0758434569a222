"""Notes and pitch on scales of sampled instruments, against the notes that were asked for; `tests/accuracy` has more.

Outside: the soundfont's recordings of real instruments, played by fluidsynth; pitch by Praat's autocorrelation
and librosa's yin on each note alone, counted where the two agree within a cent.
"""

import numpy as np
import pytest

from evenbore.notes.measure import measure_recording
from evenbore.study.sheets import load_study, row_for_measuring
from rendering.study import PROGRAMS, SOUNDFONT, all_plans, write_study

ONSET_S = 0.05  # as in MIREX note tracking: a note is found if its onset lies within 50 ms


def plans():
    """Every family once, tongued and slurred in turn, and the clarinet up and down as well."""
    *both, up_and_down = all_plans()  # of each family tongued, then slurred
    return [*both[::4], *both[3::4], up_and_down]


@pytest.fixture(scope="module")
def study(tmp_path_factory, require_program, require_file):
    """The written study and the true notes of each recording."""
    require_program("fluidsynth")
    soundfont = require_file("fluid-soundfont-gm", f"/usr/share/sounds/sf2/{SOUNDFONT}")
    folder = tmp_path_factory.mktemp("rendered")
    truth = write_study(folder, plans(), soundfont)
    return load_study(folder), truth


@pytest.fixture(scope="module")
def results(study):
    """Per family: a list of (true notes, measured notes) for each of its takes."""
    sheets, truth = study
    every = {family: [] for family in PROGRAMS}
    for row in sheets.recordings:
        measured = measure_recording(row_for_measuring(sheets, row))
        every[row["instrument"]].append((truth[row["recording"]], measured.notes))
    return every


def matched(true_notes, found):
    """Pairs (true, found) with the same sounding note and onsets within `ONSET_S`; each note in one pair at most."""
    pairs, left = [], list(found)
    for true in true_notes:
        near = [note for note in left if note["midi"] == true.midi and abs(note["onset_s"] - true.onset_s) <= ONSET_S]
        if near:
            left.remove(near[0])
            pairs.append((true, near[0]))
    return pairs


def cents_off(pairs):
    """Pitch error in cents where the references agree; a note found without pitch stays NaN."""
    return np.array([1200 * np.log2(found["f0_hz"] / true.hz) for true, found in pairs if true.exact])


@pytest.mark.slow
@pytest.mark.parametrize("family", PROGRAMS)
def test_notes_are_found_and_named_right(results, family):
    takes = results[family]
    right = sum(len(matched(true, found)) for true, found in takes)
    assert right >= 0.98 * sum(len(true) for true, _ in takes)
    assert right >= 0.98 * sum(len(found) for _, found in takes)


@pytest.mark.slow
@pytest.mark.parametrize("family", PROGRAMS)
def test_no_octave_or_twelfth_errors(results, family):
    for true_notes, found in results[family]:
        for note in found:
            middle = (note["onset_s"] + note["offset_s"]) / 2
            true = min(true_notes, key=lambda true: abs((true.onset_s + true.offset_s) / 2 - middle))
            assert not abs(1200 * np.log2(note["f0_hz"] / true.hz)) > 600, (note["recording"], note["written_note"])


@pytest.mark.slow
@pytest.mark.parametrize("family", PROGRAMS)
def test_pitch_agrees_with_the_references(results, family):
    pairs = [pair for true, found in results[family] for pair in matched(true, found)]
    off = cents_off(pairs)
    # The references must agree often enough for the check to mean something.
    assert len(off) >= 0.7 * len(pairs)
    assert np.isfinite(off).mean() >= 0.98
    assert np.nanmedian(np.abs(off)) <= 1.0


@pytest.mark.slow
def test_over_all_families(results):
    takes = [take for family in results.values() for take in family]
    pairs = [pair for true, found in takes for pair in matched(true, found)]
    assert len(pairs) >= 0.98 * sum(len(true) for true, _ in takes)
    assert np.nanmedian(np.abs(cents_off(pairs))) <= 1.0
