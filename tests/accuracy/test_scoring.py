"""That the campaign's own tools score right: a wrong score would pass for an accurate program."""

import numpy as np
import pytest

from campaigns import renew
from rendering.render import RATE, TrueNote, note_hz

from .score import Found, score
from .takes import all_cases, phase_pitch
from .trackers import Track, notes_of, pitch_of, praat


def played(times, midis):
    return tuple(
        TrueNote(step, midi, on, on, off, (note_hz(midi),))
        for step, ((on, off), midi) in enumerate(zip(times, midis, strict=True))
    )


FOUR = played([(0, 1), (1, 2), (2, 3), (3, 4)], [50, 51, 52, 53])


def test_score_follows_the_note_tracking_rules():
    # By the rules of mir_eval.transcription (onset 50 ms, pitch 50 cents, offset 50 ms or 20 %), worked by hand:
    # the second onset is 60 ms late, the third ends 0.3 s early, the fourth is 60 cents sharp.
    found = [
        Found(on, off, note.hz * 2 ** (cents / 1200))
        for (on, off), note, cents in zip(
            [(0.02, 1.01), (1.06, 2.0), (2.01, 2.7), (3.0, 4.0)], FOUR, (10, 10, -20, 60), strict=True
        )
    ]
    result = score(FOUR, found)
    assert (result.matched, result.matched_offset, result.matched_onset, result.pitched) == (2, 1, 3, 3)
    assert result.cents == pytest.approx([10, -20])
    assert result.onset_ms == pytest.approx([20, 60, 10])
    assert (result.spurious, result.mistaken) == (0, 0)


def test_notes_in_silence_and_wrong_octaves_are_told():
    found = [Found(4.5, 5.0, 200.0), Found(1.0, 2.0, 2 * FOUR[1].hz), Found(2.0, 3.0, 3 * FOUR[2].hz)]
    result = score(FOUR, found)
    assert (result.spurious, result.mistaken, result.matched) == (1, 2, 0)
    assert [word.split(":")[0] for word in result.failures[:3]] == ["spurious", "octave off", "twelfth off"]


def test_phase_tells_the_frequency_of_a_periodic_sound():
    time = np.arange(round(0.4 * RATE)) / RATE
    for hz in (58.31, 220.07, 871.3):
        sound = sum(np.cos(2 * np.pi * hz * order * time + order) / order for order in (1, 2, 3, 5))
        assert 1200 * np.log2(phase_pitch(sound, hz * 1.002) / hz) == pytest.approx(0, abs=0.002)


def test_segmenter_finds_the_notes_of_a_perfect_track():
    step = 0.01
    track = Track(np.arange(0, 4, step), np.repeat([note.hz * 2 ** (30 / 1200) for note in FOUR], 100))
    notes = notes_of(track, np.ones(4 * RATE, np.float32), RATE)
    assert score(FOUR, notes).matched_offset == 4


def test_tracker_pitch_of_a_known_tone():
    time = np.arange(RATE) / RATE
    tone = np.sin(2 * np.pi * 220 * time).astype(np.float32)
    note = TrueNote(0, 57, 0.0, 0.0, 1.0, (220.0,))
    assert 1200 * np.log2(pitch_of(praat(tone, RATE, 150, 400), note) / 220) == pytest.approx(0, abs=0.1)


def test_campaign_is_large_and_every_take_has_its_own_name():
    cases = all_cases()
    assert len({case.name for case in cases}) == len(cases)
    assert sum(len(case.scale.midis) for case in cases if case.part == "held out") >= 1500


def test_tables_take_their_places_in_the_page(tmp_path):
    page = tmp_path / "page.md"
    page.write_text("a\n<!-- notes -->\nold\n<!-- end of notes -->\nb\n", encoding="utf-8")
    renew(page, {"notes": "| new |"})
    assert page.read_text(encoding="utf-8") == "a\n<!-- notes -->\n\n| new |\n\n<!-- end of notes -->\nb\n"
    with pytest.raises(ValueError, match="pitch"):
        renew(page, {"pitch": ""})
