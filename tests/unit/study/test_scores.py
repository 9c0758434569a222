"""The notes of a phrase from a score. The scores are written here note by note, so that what they hold is known: MIDI
through mido, a reader of its own; MusicXML as text, after the format's description (W3C, MusicXML 4.0)."""

import mido
import pytest

from evenbore.files.errors import EvenboreError, StudyError
from evenbore.study.join import join_studies
from evenbore.study.scores import score_notes
from evenbore.study.sheets import load_study, phrases
from sheetstudies import RECORDINGS, changed, write_study

# The beginning of "Ah ! vous dirai-je, maman" (traditional, 18th century)
TUNE = [60, 60, 67, 67, 69, 69, 67]
STEPS = {60: "<step>C</step>", 67: "<step>G</step>", 69: "<step>A</step>", 66: "<step>F</step><alter>1</alter>"}


def midi(path, *parts):
    file = mido.MidiFile()
    for part in parts:
        track = mido.MidiTrack()
        for note in part:
            track.append(mido.Message("note_on", note=note, velocity=64, time=0))
            track.append(mido.Message("note_off", note=note, velocity=64, time=240))
        file.tracks.append(track)
    file.save(path)
    return path


def note(number, ticks=2, inside="", before=""):
    length = f"<duration>{ticks}</duration>" if ticks else ""
    pitch = f"<pitch>{STEPS[number]}<octave>4</octave></pitch>"
    return f"<note>{before}{pitch}{length}{inside}<voice>1</voice></note>"


def musicxml(path, notes, last=""):
    path.write_text(
        '<?xml version="1.0"?><score-partwise version="4.0"><part-list><score-part id="P1"><part-name>tune</part-name>'
        '</score-part></part-list><part id="P1"><measure number="1"><attributes><divisions>2</divisions></attributes>'
        f"{''.join(notes)}{last}</measure></part></score-partwise>",
        encoding="utf-8",
    )
    return path


def test_the_notes_of_a_midi_file_come_in_order(tmp_path):
    assert score_notes(midi(tmp_path / "tune.mid", TUNE)) == TUNE
    assert score_notes(midi(tmp_path / "with_tempo_track.MID", [], TUNE)) == TUNE


def test_grace_notes_ties_and_repeats_of_musicxml_are_played(tmp_path):
    grace = note(66, 0, before="<grace/>")
    tied = [note(67, inside='<tie type="start"/>'), note(67, inside='<tie type="stop"/>')]
    repeat = '<barline location="right"><repeat direction="backward"/></barline>'
    path = musicxml(tmp_path / "tune.musicxml", [note(60), grace, *tied, note(69)], repeat)
    assert score_notes(path) == [60, 66, 67, 69] * 2


def test_what_is_no_score_of_one_voice_is_told(tmp_path):
    (tmp_path / "broken.mid").write_bytes(b"MThd" + bytes(20))
    (tmp_path / "other.xml").write_text("<html/>", encoding="utf-8")
    chord = musicxml(tmp_path / "chord.musicxml", [note(60), note(67, before="<chord/>")])
    told = {
        tmp_path / "none.mid": "no such file",
        tmp_path / "tune.pdf": "ends in .mid",
        tmp_path / "broken.mid": "cannot be read",
        tmp_path / "other.xml": "cannot be read",
        midi(tmp_path / "two.mid", TUNE, TUNE): "one part is wanted, it has 2",
        chord: "one voice",
    }
    for path, words in told.items():
        with pytest.raises(EvenboreError, match=words):
            score_notes(path)


def test_entities_of_a_score_are_not_followed(tmp_path):
    secret = tmp_path / "secret"
    secret.write_text("4", encoding="utf-8")
    path = musicxml(tmp_path / "tune.musicxml", [note(60)])
    text = path.read_text(encoding="utf-8").replace("<octave>4<", "<octave>&it;<")
    head = f'<!DOCTYPE score-partwise [<!ENTITY it SYSTEM "{secret.as_uri()}">]>'
    path.write_text(text.replace("?><", f"?>{head}<", 1), encoding="utf-8")
    with pytest.raises(EvenboreError):
        score_notes(path)


def test_a_study_takes_its_phrase_from_the_score_and_keeps_it_when_joined(tmp_path):
    write_study(
        tmp_path / "one", recordings=changed(RECORDINGS, 0, pattern="passage", passage="maman", score="tune.mid")
    )
    midi(tmp_path / "one" / "tune.mid", TUNE)
    study = load_study(tmp_path / "one")
    assert phrases(study) == {"maman": TUNE}
    assert tmp_path / "one" / "tune.mid" in study.files.values()
    join_studies([tmp_path / "one", write_study(tmp_path / "two")], tmp_path / "joined")
    assert phrases(load_study(tmp_path / "joined")) == {"maman": TUNE}


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"score": "none.mid"}, "there is no such file"),
        ({"pattern": "chromatic", "passage": ""}, "the cell of the pattern does not say passage"),
        ({"passage": ""}, "the phrase has no name"),
        ({"notes": "C4 G4"}, "the notes are listed as well"),
    ],
)
def test_a_score_that_fits_nothing_is_told_with_its_row(tmp_path, cells, words):
    rows = changed(RECORDINGS, 1, **({"pattern": "passage", "passage": "maman", "score": "tune.mid"} | cells))
    write_study(tmp_path, recordings=rows)
    midi(tmp_path / "tune.mid", TUNE)
    with pytest.raises(StudyError) as caught:
        load_study(tmp_path)
    (problem,) = caught.value.problems
    assert (problem.row, problem.column) == (3, "score") and words in problem.cause
