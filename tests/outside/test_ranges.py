"""Tuning, ranges and the speed of sound against published figures. The source stands beside each check."""

import numpy as np
import pytest

import compiled
from evenbore.trade.families import family_keys, load_family
from evenbore.trade.pitch import cents, hz_to_midi, midi_to_hz, midi_to_note, note_to_midi, speed_of_sound

# Equal temperament, A4 = 440 Hz (ISO 16:1975), f = 440 * 2^((m - 69) / 12) as printed in acoustics handbooks,
# in Hz to three places. Columns: octaves 0 to 8.
EQUAL_TEMPERAMENT = """
C  16.352 32.703 65.406 130.813 261.626 523.251 1046.502 2093.005 4186.009
C# 17.324 34.648 69.296 138.591 277.183 554.365 1108.731 2217.461 4434.922
D  18.354 36.708 73.416 146.832 293.665 587.330 1174.659 2349.318 4698.636
Eb 19.445 38.891 77.782 155.563 311.127 622.254 1244.508 2489.016 4978.032
E  20.602 41.203 82.407 164.814 329.628 659.255 1318.510 2637.020 5274.041
F  21.827 43.654 87.307 174.614 349.228 698.456 1396.913 2793.826 5587.652
F# 23.125 46.249 92.499 184.997 369.994 739.989 1479.978 2959.955 5919.911
G  24.500 48.999 97.999 195.998 391.995 783.991 1567.982 3135.963 6271.927
Ab 25.957 51.913 103.826 207.652 415.305 830.609 1661.219 3322.438 6644.875
A  27.500 55.000 110.000 220.000 440.000 880.000 1760.000 3520.000 7040.000
Bb 29.135 58.270 116.541 233.082 466.164 932.328 1864.655 3729.310 7458.620
B  30.868 61.735 123.471 246.942 493.883 987.767 1975.533 3951.066 7902.133
"""
CELLS = [
    (f"{row.split()[0]}{octave}", float(hz))
    for row in EQUAL_TEMPERAMENT.strip().splitlines()
    for octave, hz in enumerate(row.split()[1:])
]


def test_the_whole_table_is_there():
    assert len(CELLS) == 12 * 9


@pytest.mark.parametrize(("note", "hz"), CELLS)
def test_equal_temperament_table(note, hz):
    assert midi_to_hz(note_to_midi(note)) == pytest.approx(hz, abs=0.0005001)
    assert midi_to_note(round(float(hz_to_midi(hz)))) == note


def test_names_and_frequencies_agree_with_librosa():
    librosa, numbers = compiled.librosa(), np.arange(0, 132)
    names = [midi_to_note(number) for number in numbers]
    np.testing.assert_array_equal(librosa.note_to_midi(names), numbers)
    np.testing.assert_allclose(librosa.midi_to_hz(numbers), midi_to_hz(numbers), rtol=1e-12)
    np.testing.assert_allclose(librosa.hz_to_midi(midi_to_hz(numbers)), hz_to_midi(midi_to_hz(numbers)), atol=1e-9)


# Closed form: 1200 log2(f / 440).
@pytest.mark.parametrize(("a4", "expected"), [(442.0, 7.851), (443.0, 11.764), (415.0, -101.27)])
def test_other_tuning_pitches(a4, expected):
    assert cents(a4, 440.0) == pytest.approx(expected, abs=0.0051)
    # the whole scale moves alike
    np.testing.assert_allclose(
        cents(midi_to_hz(np.arange(30, 100), a4), midi_to_hz(np.arange(30, 100))), cents(a4, 440.0)
    )


# Pure intervals against equal temperament, as in any acoustics handbook (closed form 1200 log2 n): error in cents
# of harmonic n from the nearest equal-tempered note.
@pytest.mark.parametrize(
    ("harmonic", "error"),
    [(2, 0.0), (3, 2.0), (4, 0.0), (5, -13.7), (6, 2.0), (7, -31.2), (8, 0.0), (9, 3.9), (10, -13.7)],
)
def test_harmonic_series_against_equal_temperament(harmonic, error):
    fundamental = midi_to_hz(46)
    nearest = midi_to_hz(np.round(hz_to_midi(harmonic * fundamental)))
    assert cents(harmonic * fundamental, nearest) == pytest.approx(error, abs=0.05)


def test_pure_intervals():
    assert cents(3.0, 1.0) == pytest.approx(1901.955, abs=0.0005)
    assert cents(3.0, 2.0) == pytest.approx(701.955, abs=0.0005)
    assert cents(2.0, 1.0) == pytest.approx(1200.0)


# Dry air as an ideal gas, c = 331.3 sqrt(1 + T / 273.15) (acoustics handbooks; 331.45 m/s at 0 C in older ones):
# temperature, speed in m/s, the linear rule of thumb 331.3 + 0.606 T, cents relative to 20 C.
SPEED = [
    (0, 331.30, 331.30, -61.17),
    (10, 337.31, 337.36, -30.04),
    (15, 340.28, 340.39, -14.89),
    (20, 343.21, 343.42, 0.0),
    (25, 346.13, 346.45, 14.64),
    (30, 349.02, 349.48, 29.04),
    (37, 353.03, 353.72, 48.80),
]


@pytest.mark.parametrize(("temperature", "speed", "rule_of_thumb", "shift"), SPEED)
def test_speed_of_sound_and_what_it_does_to_pitch(temperature, speed, rule_of_thumb, shift):
    assert speed_of_sound(temperature) == pytest.approx(speed, abs=0.0051)
    assert speed_of_sound(temperature) == pytest.approx(rule_of_thumb, abs=0.7)
    assert cents(speed_of_sound(temperature), speed_of_sound(20)) == pytest.approx(shift, abs=0.0051)


# Lowest note: written, sounding, Hz. The bottom of the woodwinds is fixed by their mechanism. Sources of the sounding
# bottoms and of the transpositions, each read for this check:
#   a  instrument definitions of the music21 library (music21/instrument.py: lowestNote, transposition)
#   b  instrument definitions of the MuseScore notation program (share/instruments/instruments.xml: lower end of
#      aPitchRange or pPitchRange, transposeChromatic)
#   c  "Instrument ranges and transpositions", an orchestration text's appendix as study cards, studystack.com 697185
#   d  table of saxophone ranges in Hz, johndcook.com, "Saxophone ranges"
#   e  table of transpositions, orchestrationresources.com, woodwinds overview
#   -  common practice, no source
LOWEST = {
    "clarinet_b_flat": ("E3", "D3", 146.83),  # a b c
    "clarinet_a": ("E3", "C#3", 138.59),  # b c
    "clarinet_e_flat": ("E3", "G3", 196.00),  # b
    "clarinet_alto": ("Eb3", "F#2", 92.50),  # transposition b; low E flat: - (b stops at E)
    "clarinet_bass_low_e_flat": ("Eb3", "C#2", 69.30),  # a b
    "clarinet_bass_low_c": ("C3", "Bb1", 58.27),  # b
    "clarinet_contrabass": ("Eb3", "C#1", 34.65),  # b
    "saxophone_soprano": ("Bb3", "Ab3", 207.65),  # a d
    "saxophone_alto": ("Bb3", "C#3", 138.59),  # a c d
    "saxophone_tenor": ("Bb3", "Ab2", 103.83),  # a c d
    "saxophone_baritone_low_a": ("A3", "C2", 65.41),  # transposition c; one semitone below the 69 Hz of d
    "piccolo": ("D4", "D5", 587.33),  # c
    "flute": ("C4", "C4", 261.63),  # c
    "flute_alto": ("C4", "G3", 196.00),  # transposition e
    "oboe": ("Bb3", "Bb3", 233.08),  # b c
    "cor_anglais": ("B3", "E3", 164.81),  # a b c
    "bassoon": ("Bb1", "Bb1", 58.27),  # a b c
    "contrabassoon": ("Bb1", "Bb0", 29.14),  # b c
    "trumpet_b_flat": ("F#3", "E3", 164.81),  # a c
    "horn_f": ("F#2", "B1", 61.74),  # c
    "trombone": ("E2", "E2", 82.41),  # a c, seven positions without pedal notes
    "euphonium": ("E2", "E2", 82.41),  # c, three valves without pedal notes
    "tuba": ("E1", "E1", 41.20),  # -, three valves: open B flat 1 lowered by six semitones
}
# Usual professional tops: written, sounding, Hz. Common practice, no source; soft limits.
USUAL_TOP = {
    "clarinet_b_flat": ("C7", "Bb6", 1864.66),
    "clarinet_a": ("C7", "A6", 1760.00),
    "clarinet_e_flat": ("A6", "C7", 2093.00),
    "clarinet_alto": ("G6", "Bb5", 932.33),
    "clarinet_bass_low_e_flat": ("G6", "F5", 698.46),
    "clarinet_bass_low_c": ("G6", "F5", 698.46),
    "clarinet_contrabass": ("C6", "Bb3", 233.08),
    "saxophone_soprano": ("F#6", "E6", 1318.51),
    "saxophone_alto": ("F#6", "A5", 880.00),
    "saxophone_tenor": ("F#6", "E5", 659.26),
    "saxophone_baritone_low_a": ("F#6", "A4", 440.00),
    "piccolo": ("C7", "C8", 4186.01),
    "flute": ("C7", "C7", 2093.00),
    "flute_alto": ("G6", "D6", 1174.66),
    "oboe": ("G6", "G6", 1567.98),
    "cor_anglais": ("G6", "C6", 1046.50),
    "bassoon": ("E5", "E5", 659.26),
    "contrabassoon": ("F4", "F3", 174.61),
    "trumpet_b_flat": ("C6", "Bb5", 932.33),
    "horn_f": ("C6", "F5", 698.46),
    "trombone": ("Bb4", "Bb4", 466.16),
    "euphonium": ("Bb4", "Bb4", 466.16),
    "tuba": ("F4", "F4", 349.23),
}
ENDS = [(key, "low", *row) for key, row in LOWEST.items()] + [
    (key, "usual_top", *row) for key, row in USUAL_TOP.items()
]


def test_every_family_is_in_both_tables():
    assert sorted(LOWEST) == sorted(USUAL_TOP) == family_keys()


@pytest.mark.parametrize(("key", "end", "written", "sounding", "hz"), ENDS)
def test_lowest_and_highest_notes_written_and_sounding(key, end, written, sounding, hz):
    family = load_family(key)
    note = getattr(family, end)
    assert midi_to_note(note) == written
    assert midi_to_note(family.to_sounding(note)) == sounding
    assert midi_to_hz(family.to_sounding(note)) == pytest.approx(hz, abs=0.0051)


# Source b, sounding MIDI numbers and transposition as printed there.
@pytest.mark.parametrize(
    ("key", "lowest_sounding", "transposition"),
    [
        ("clarinet_b_flat", 50, -2),
        ("clarinet_a", 49, -3),
        ("clarinet_e_flat", 55, 3),
        ("clarinet_bass_low_e_flat", 37, -14),
        ("clarinet_bass_low_c", 34, -14),
        ("clarinet_contrabass", 25, -26),
        ("oboe", 58, 0),
        ("cor_anglais", 52, -7),
        ("bassoon", 34, 0),
        ("contrabassoon", 22, -12),
    ],
)
def test_sounding_bottom_by_number(key, lowest_sounding, transposition):
    family = load_family(key)
    assert (family.to_sounding(family.low), family.transposition) == (lowest_sounding, transposition)


# Source d: written B flat 3 to F6, in Hz rounded to whole numbers.
@pytest.mark.parametrize(
    ("key", "low_hz", "high_hz"),
    [
        ("saxophone_soprano", 208, 1245),
        ("saxophone_alto", 139, 831),
        ("saxophone_tenor", 104, 622),
        ("saxophone_baritone_low_a", 69, 415),
    ],
)
def test_saxophones_from_b_flat_to_f_in_hz(key, low_hz, high_hz):
    family = load_family(key)
    assert midi_to_note(family.high) == "F6"
    assert round(float(midi_to_hz(family.to_sounding(note_to_midi("Bb3"))))) == low_hz
    assert round(float(midi_to_hz(family.to_sounding(family.high)))) == high_hz


# Counts follow from the ranges above; written out so that a slip in a range shows.
@pytest.mark.parametrize(
    ("key", "top", "count"),
    [
        ("clarinet_b_flat", "C7", 45),
        ("clarinet_b_flat", "G6", 40),
        ("clarinet_b_flat", "C6", 33),
        ("clarinet_bass_low_c", "G6", 44),
        ("saxophone_alto", "F#6", 33),
        ("saxophone_alto", "F6", 32),
        ("saxophone_baritone_low_a", "F#6", 34),
        ("flute", "C7", 37),
        ("oboe", "G6", 34),
        ("bassoon", "E5", 43),
    ],
)
def test_notes_in_a_full_chromatic_scale(key, top, count):
    family = load_family(key)
    assert note_to_midi(top) <= family.usual_top
    assert note_to_midi(top) - family.low + 1 == count


# A tube closed at the reed sounds its odd modes 1:3:5, so the clarinet overblows to the twelfth; cones and tubes open
# at both ends to the octave (standard acoustics of wind instruments, university acoustics pages).
@pytest.mark.parametrize("key", family_keys())
def test_overblown_interval_follows_the_bore(key):
    family = load_family(key)
    mode = {"cylinder_closed": 3, "cone": 2, "cylinder_open": 2, "brass": 1}[family.bore]
    assert family.overblow == round(float(cents(mode, 1.0)) / 100)
