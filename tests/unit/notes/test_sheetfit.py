"""What speaks against a sheet, on simulated takes of which it is known what was played."""

from functools import cache

import numpy as np
import pytest
import soundfile

from evenbore.notes.evidence import gather
from evenbore.notes.measure import measure_recording
from evenbore.notes.segment import find_passes
from evenbore.notes.sheetfit import objection, tuning_remark
from evenbore.recording.audio import signal_from_array
from evenbore.trade.families import load_family
from evenbore.trade.pitch import midi_to_hz
from evenbore.trade.scale import expected_scale
from synth.instrument import make_instrument
from synth.playing import Player, scale
from synth.tones import Note, render

RATE = 24_000
LOW, HIGH = 60, 76  # written
FAMILIES = ["clarinet_b_flat", "saxophone_alto", "bassoon", "flute"]
QUICK = Player(note_s=0.35)


def lowest(family):
    """A written note from which up the tests play: 60 does not fit every family."""
    return load_family(family).low + 4


def play(written, family="clarinet_b_flat", seed=1, tuning_hz=440.0):
    return played(tuple(map(int, written)), family, seed, tuning_hz)


@cache
def played(written, family, seed, tuning_hz):
    model, rng = make_instrument(load_family(family), seed, "test"), np.random.default_rng(seed)
    return scale(model, list(written), rng, QUICK, articulation="slurred", rate=RATE, tuning_hz=tuning_hz).audio


def against(audio, family="clarinet_b_flat", pattern="chromatic", direction="up", low=None, high=None, notes=None):
    """What speaks against the sheet, of an octave and a third from `lowest` where no range is given."""
    low = lowest(family) if low is None else low
    row = {"pattern": pattern, "direction": direction, "low": low, "high": low + 16 if high is None else high}
    row |= {"tuning_hz": 440.0, "notes": notes}
    kind = load_family(family)
    written = expected_scale(kind, pattern, row["low"], row["high"], direction, notes)
    midi = kind.to_sounding(written)
    noise = np.random.default_rng(0).normal(0, 1e-4, len(audio))
    evidence = gather(signal_from_array(audio + noise, RATE), midi.min(), midi.max())
    best = max(find_passes(evidence, midi, 440.0), key=lambda one: one.found.sum())
    return objection(evidence, row, kind, written, best)


def notes_of(family, pattern="chromatic", direction="up"):
    kind, low = load_family(family), lowest(family)
    return expected_scale(kind, pattern, low, low + 16, direction)


@pytest.mark.parametrize("pattern", ["chromatic", "major"])
@pytest.mark.parametrize("direction", ["up", "down", "up-down"])
@pytest.mark.parametrize("family", FAMILIES)
def test_nothing_speaks_against_the_scale_that_was_played(family, direction, pattern):
    assert against(play(notes_of(family, pattern, direction), family), family, pattern, direction) is None


@pytest.mark.parametrize(("pattern", "direction", "shift"), [("chromatic", "up", 1), ("major", "up-down", -1)])
@pytest.mark.parametrize("family", FAMILIES)
def test_a_semitone_off_is_told_by_the_ends(family, pattern, direction, shift):
    doubt = against(play(notes_of(family, pattern, direction) + shift, family), family, pattern, direction)
    assert doubt.unusable
    assert doubt.reason.startswith(f"sounds 1 semitone {'higher' if shift > 0 else 'lower'} than the sheet says")


@pytest.mark.parametrize(
    ("shift", "interval"), [(-12, "an octave lower"), (-3, "3 semitones lower"), (12, "an octave higher")]
)
def test_another_register_or_transposition_is_told(shift, interval):
    doubt = against(play(np.arange(69, 81) + shift), low=69, high=80)
    assert doubt.unusable
    assert doubt.reason.startswith(f"sounds {interval} than")


@pytest.mark.parametrize(("interval", "words"), [(12, "an octave"), (19, "a twelfth")])
def test_a_low_register_that_sounds_too_high_is_told(interval, words):
    written = np.arange(60, 81)
    for top, name, unusable in ((69, "A4", False), (72, "C5", True)):  # half of the notes are there, or fewer
        doubt = against(play(np.where(written <= top, written + interval, written)), low=60, high=80)
        assert doubt.unusable == unusable
        assert doubt.reason.startswith(f"the notes up to {name} sound {words} higher than the sheet says")


@pytest.mark.parametrize("family", FAMILIES)
def test_the_opposite_order_is_told(family):
    doubt = against(play(notes_of(family)[::-1], family), family)
    assert doubt.unusable
    assert "opposite order" in doubt.reason


@pytest.mark.parametrize(
    ("sheet", "played", "told", "unusable"),
    [
        (("chromatic", "up-down"), ("chromatic", "up"), "chromatic scale up where a chromatic scale up and down", True),
        (("chromatic", "up"), ("chromatic", "up-down"), "up and down where a chromatic scale up was", False),
        (("chromatic", "up"), ("major", "up"), "holds a major scale up where a chromatic scale up was", True),
        (("major", "up"), ("chromatic", "up"), "holds a chromatic scale up where a major scale up was", False),
    ],
)
@pytest.mark.parametrize("family", FAMILIES)
def test_another_pattern_or_direction_is_told(family, sheet, played, told, unusable):
    doubt = against(play(notes_of(family, *played), family), family, *sheet)
    assert told in doubt.reason
    assert doubt.unusable == unusable  # all notes of the sheet are in what was played, or not


def test_a_small_range_is_named_by_its_ends():
    doubt = against(play(range(60, 68)), low=55, high=84)
    assert doubt.unusable
    assert doubt.reason.startswith("holds C4 to G4 only, 8 of 30 expected notes found")


@pytest.mark.parametrize("kind", ["noise", "silence", "voice"])
def test_what_holds_no_tone_is_called_so(kind):
    t = np.arange(8 * RATE) / RATE
    rng = np.random.default_rng(5)
    wandering = np.interp(
        t, np.arange(0, 8.2, 0.13), 150 * 2 ** rng.uniform(-0.8, 0.8, 64)[:64][: len(np.arange(0, 8.2, 0.13))]
    )
    audio = {
        "silence": np.zeros(len(t)),
        "noise": rng.normal(0, 0.1, len(t)),
        "voice": 0.1 * sum(np.sin(h * 2 * np.pi * np.cumsum(wandering) / RATE) / h for h in range(1, 9)),
    }[kind]
    doubt = against(audio)
    assert doubt.unusable
    assert "hardly a steady tone" in doubt.reason


def test_notes_that_drift_towards_the_next_are_a_scale():
    """Each of them by 45 cents; a sweep goes all of the way."""
    low = int(load_family("flute").to_sounding(np.array(lowest("flute"))))
    t = np.arange(round(0.5 * RATE)) / RATE
    notes = []
    for step in range(17):
        midi = low + step + 0.45 * (t / t[-1] - 0.5)
        phase = 2 * np.pi * np.cumsum(440 * 2 ** ((midi - 69) / 12)) / RATE
        notes.append(0.1 * sum(np.sin(h * phase) / h**2 for h in range(1, 7)) * np.sin(np.pi * t / t[-1]) ** 0.2)
    assert against(np.concatenate(notes), "flute") is None


@pytest.mark.parametrize("way", ["up", "down"])
@pytest.mark.parametrize("order", [1, 6])
def test_a_sweep_is_no_scale(way, order):
    low, high = load_family("flute").to_sounding(np.array([lowest("flute"), lowest("flute") + 16]))
    t = np.arange(10 * RATE) / RATE
    midi = np.linspace(low - 0.5, high + 0.5, len(t))[:: 1 if way == "up" else -1]
    phase = 2 * np.pi * np.cumsum(440 * 2 ** ((midi - 69) / 12)) / RATE
    doubt = against(0.1 * sum(np.sin(h * phase) / h**2 for h in range(1, order + 1)), "flute", direction=way)
    assert doubt.unusable
    assert "glides all the time" in doubt.reason


def test_what_happens_around_a_scale_speaks_against_nothing():
    notes = notes_of("clarinet_b_flat")
    whole, again, begun, tuning = play(notes), play(notes, seed=2), play(notes[:5], seed=3), play([notes[3] + 9])
    assert against(np.concatenate([tuning, whole])) is None
    assert against(np.concatenate([begun, whole])) is None
    assert against(np.concatenate([whole, again])) is None
    assert against(play(np.delete(notes, 0))) is None
    assert against(play(np.delete(notes, len(notes) - 1))) is None
    assert against(play(np.delete(notes, 7))) is None
    assert against(play(notes[:15])) is None


@pytest.mark.parametrize("offset_cents", [-75, 75])
def test_a_take_off_the_tuning_is_the_scale_it_is(offset_cents):
    notes = notes_of("clarinet_b_flat")
    assert against(play(notes, tuning_hz=440 * 2 ** (offset_cents / 1200))) is None


def test_a_take_nearly_a_semitone_off_is_either():
    """85 cents flat: the sheet's scale so far off, or its neighbour 15 cents sharp; nothing in the take tells."""
    doubt = against(play(notes_of("clarinet_b_flat"), tuning_hz=440 * 2 ** (-85 / 1200)))
    assert doubt is None or (not doubt.unusable and doubt.off_cents == pytest.approx(-85, abs=8))


def test_listed_notes_are_judged_too():
    notes = [60, 64, 67, 72, 67, 64, 60]
    assert against(play(notes), pattern="notes", notes=notes) is None
    doubt = against(play(np.array(notes) + 1), pattern="notes", notes=notes)
    assert doubt.reason.startswith("sounds 1 semitone higher")


def test_one_note_alone_is_judged_too():
    assert against(play([67]), pattern="notes", notes=[67]) is None
    assert against(play([70]), pattern="notes", notes=[67]).unusable


def test_a_take_far_off_the_tuning_is_remarked():
    assert tuning_remark(-60.4, 440.0) == [
        "the whole take lies 60 cents flat: another tuning, transposition or recorder speed?"
    ]
    assert "sharp" in tuning_remark(46.0, 440.0)[0]
    assert not any(tuning_remark(cents, 440.0) for cents in (44.0, -44.0, float("nan")))


def test_a_take_nearly_a_semitone_off_names_both_that_it_may_be():
    """A4 at 415 Hz lies 101 cents under 440, and an A clarinet at 443 Hz 88 cents under a B flat one (arithmetic)."""
    (told,) = tuning_remark(-88.0, 440.0)
    assert "88 cents flat, or sounds a semitone lower than the sheet says and 12 cents sharp" in told
    assert "(418)" in told  # 440 Hz, 88 cents lower
    assert "higher than the sheet says and 10 cents flat" in tuning_remark(90.0, 440.0)[0]


@pytest.mark.parametrize(("under_db", "status"), [(-18.0, "warned"), (-3.0, "set_aside")])
def test_a_weak_tone_an_octave_lower_is_told_and_a_strong_one_is_another_scale(tmp_path, under_db, status):
    """Every harmonic between those of the sheet's note lies so far under its neighbours."""
    kind, low = load_family("flute"), lowest("flute")
    written = expected_scale(kind, "chromatic", low, low + 16, "up")
    hz = midi_to_hz(kind.to_sounding(written), 440.0)
    level_db = -20.0 - 3.0 * (np.arange(24) // 2) + np.where(np.arange(24) % 2 == 0, under_db, 0.0)
    notes = [Note(0.5 + 0.5 * k, 0.95 + 0.5 * k, one / 2, level_db) for k, one in enumerate(hz)]
    sound, _ = render(notes, RATE, 1.5 + 0.5 * len(notes))
    soundfile.write(tmp_path / "take.wav", sound + np.random.default_rng(0).normal(0, 1e-5, len(sound)), RATE)
    row = dict.fromkeys(("notes", "channel", "start_s", "end_s", "families_dir"))
    row |= dict.fromkeys(("recording", "instrument", "session", "state"), "one") | {"take": 1, "dynamic": "mf"}
    row |= {"articulation": "tongued", "pattern": "chromatic", "direction": "up", "low": low, "high": low + 16}
    row |= {"path": str(tmp_path / "take.wav"), "tuning_hz": 440.0, "family": "flute"}
    found = measure_recording(row)
    assert found.recording["status"] == status
    assert "an octave lower" in found.recording["reason"]
    if status == "warned":
        assert "18 dB weaker" in found.recording["reason"]
        assert [note["f0_hz"] for note in found.notes] == pytest.approx(hz, rel=1e-3)
