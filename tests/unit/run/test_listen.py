"""The text on one take, from invented measurements worked out by hand."""

import math
from types import SimpleNamespace

import pytest

from evenbore.run.listen import describe, row_for_listening
from evenbore.study.sheets import COLUMNS_FOR_MEASURING
from evenbore.trade.families import load_family

NAN = math.nan


def recording(**changes):
    return {"status": "ok", "reason": "", "snr_db": 51.6, "clipped_fraction": 0.0} | changes


def note(step, name, midi, cents, level=-20.0, order=3.0, flags=""):
    return {
        "step": step, "written_note": name, "midi": midi, "cents": cents, "level_dbfs": level,
        "centroid_order": order, "flags": flags,
    }  # fmt: skip


# A family that sounds as written, with a register break between E4 (64) and F4 (65).
PLAIN = SimpleNamespace(to_written=lambda midi: midi, register_of=lambda written: "low" if written < 65 else "high")
NOTES = [
    note(0, "C4", 60, 4.0, -20.0, 3.0),
    note(1, "C#4", 61, 6.0, -21.0, 3.5),
    note(3, "D#4", 63, 26.0, -22.0, 3.0, "late"),
    note(4, "E4", 64, 6.0, -25.0, 3.1),
    note(5, "F4", 65, 2.0, -10.0, 9.0),
]


def lines(text):
    return [" ".join(line.split()) for line in text.splitlines()]


def test_a_whole_take():
    text = lines(describe(recording(), NOTES, [60, 61, 62, 63, 64, 65], PLAIN))
    assert text[0] == "Good take"
    assert "Notes 5 of 6 found; missing: D4" in text
    assert "Quality notes 52 dB over the noise; no clipping" in text
    # Cents 4 6 26 6 2: median 6; deviations from the mean 8.8 give squares 23.04 7.84 295.84 7.84 46.24,
    # sum 380.8, / 4 = 95.2, root 9.757.
    assert "Pitch as a whole 6 cents sharp (median of its notes)" in text
    assert "spread of the notes: 9.8 cents (standard deviation)" in text
    assert "furthest note: D#4, 20 cents sharp of the rest" in text
    # Neighbours: C4-C#4 (1 dB, 0.5) and D#4-E4 (3 dB, 0.1); C#4-D#4 has a gap, E4-F4 is the register break.
    assert "Evenness level from note to note: usually 2.0 dB, most D#4 to E4 (3.0 dB)" in text
    assert "centroid from note to note: usually 0.3 harmonics, most C4 to C#4 (0.5 harmonics)" in text
    assert "D#4 +26.0 +20.0 -1.0 3.0 late" in text


@pytest.mark.parametrize(
    ("flags", "said"),
    [
        ("slurred no_clear_pitch late", "no clear pitch, late"),
        ("slurred noise_limited:noise_low_db,hnr_db few_harmonics", ""),
        ("noise_limited:hnr_db,centroid_order noisy", "noise may change the treble, noisy"),
    ],
)
def test_remarks_are_words_on_what_is_shown(flags, said):
    text = describe(recording(), [note(0, "C4", 60, 1.0, flags=flags)], [60], PLAIN)
    line = next(line for line in text.splitlines() if line.startswith("C4"))
    assert line.split("3.0")[1].strip() == said
    assert not any(line.endswith(" ") for line in text.splitlines())


def test_the_row_takes_listed_notes(tmp_path):
    row = row_for_listening(tmp_path / "a.wav", load_family("flute"), "notes", None, None, "up", 440.0, "C5 E5  G5")
    assert row["notes"] == [72, 76, 79]


def test_what_cannot_be_measured_stays_empty_and_counts_nowhere():
    notes = [*NOTES[:2], note(2, "D4", 62, NAN, NAN, NAN, "too_short")]
    text = lines(describe(recording(snr_db=NAN, clipped_fraction=NAN), notes, [60, 61, 62], PLAIN))
    assert "Quality not measurable" in text
    assert "Pitch as a whole 5 cents sharp (median of its notes)" in text
    assert "D4 too short" in text


def test_one_cent_is_one_cent():
    notes = [note(0, "C4", 60, 1.0), note(1, "C#4", 61, 0.9)]
    text = lines(describe(recording(), notes, [60, 61], PLAIN))
    assert "Pitch as a whole 1 cent sharp (median of its notes)" in text


def test_one_note_gives_no_pitch_figures():
    text = lines(describe(recording(), NOTES[:1], [60], PLAIN))
    assert "Pitch too few notes with a steady pitch" in text
    assert "Evenness level: not measurable" in text


def test_the_notes_of_a_passage_are_counted():
    text = lines(describe({"status": "ok", "reason": ""}, [], [], PLAIN))
    assert "Quality not measurable" in text
    assert "Notes 0 in the passage" in text
    assert not any(line.startswith("Pitch") for line in text)


@pytest.mark.parametrize(
    ("status", "heading"),
    [("warned", "To be read with care: noisy room"), ("set_aside", "Not usable: noisy room")],
)
def test_status_and_reason_come_first(status, heading):
    text = describe(recording(status=status, reason="noisy room"), NOTES, [60], PLAIN)
    assert text.splitlines()[0] == heading
    assert (text == heading) == (status == "set_aside")


def test_clipping_is_told():
    text = lines(describe(recording(clipped_fraction=0.0123), [], [60], PLAIN))
    assert "Quality notes 52 dB over the noise; 1.23% of the samples clipped" in text


def test_the_row_takes_written_notes_and_falls_back_on_the_family(tmp_path):
    family = load_family("saxophone_alto")
    row = row_for_listening(tmp_path / "take 1.wav", family, "chromatic", "C4", None, "up", 442.0)
    assert (row["low"], row["high"]) == (60, family.high)
    assert set(row) == {*COLUMNS_FOR_MEASURING, "path", "sha256", "family", "families_dir", "tuning_hz"}
    assert (row["recording"], row["family"], row["tuning_hz"]) == ("take 1", "saxophone_alto", 442.0)
