"""Finding the notes of a scale, on simulated takes whose every onset and pitch is known."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from evenbore.notes.evidence import gather
from evenbore.notes.segment import find_passes
from evenbore.recording.audio import signal_from_array
from evenbore.trade.families import load_family
from synth.instrument import make_instrument
from synth.playing import Player, scale

RATE = 24_000
LOW, HIGH = 55, 72  # written
QUICK = Player(note_s=0.35)


def take(written=range(LOW, HIGH + 1), family="clarinet_b_flat", articulation="slurred", seed=1, **more):
    return played(tuple(written), family, articulation, seed, **more)


@cache
def played(written, family, articulation, seed, **more):
    model = make_instrument(load_family(family), seed, "test")
    return scale(model, list(written), np.random.default_rng(seed), QUICK, articulation=articulation, rate=RATE, **more)


def expected(written=range(LOW, HIGH + 1), family="clarinet_b_flat"):
    return load_family(family).to_sounding(np.array(list(written)))


def passes_in(audio, midi, tuning_hz=440.0):
    noise = np.random.default_rng(0).normal(0, 1e-4, len(audio))
    evidence = gather(signal_from_array(audio + noise, RATE), midi.min(), midi.max())
    return evidence, find_passes(evidence, midi, tuning_hz)


def right(found, evidence, notes, start_s=0.0, within_s=0.06):
    """(N,) whether each expected note's first frame lies by its true onset."""
    onset = np.array([note["onset_s"] for note in notes]) + start_s
    return np.abs(found.first * evidence.hop_s - onset) < within_s


@pytest.mark.parametrize("articulation", ["slurred", "tongued"])
@pytest.mark.parametrize("family", ["clarinet_b_flat", "saxophone_alto", "bassoon", "flute"])
def test_every_note_of_a_scale(family, articulation):
    low = load_family(family).low
    written = range(low, low + 15)
    played = take(written, family, articulation)
    evidence, passes = passes_in(played.audio, expected(written, family))
    assert len(passes) == 1
    assert right(passes[0], evidence, played.notes).all()


@pytest.mark.parametrize(("tuning_hz", "way"), [(427.0, 1), (440.0, -1), (453.0, -1)])
def test_an_instrument_50_cents_off_either_way_up_or_down(tuning_hz, way):
    written = list(range(LOW, HIGH + 1))[::way]
    played = take(written, tuning_hz=tuning_hz)
    evidence, passes = passes_in(played.audio, expected(written))
    assert right(passes[0], evidence, played.notes).all()
    true = 1200 * np.log2(tuning_hz / 440)
    assert passes[0].offset_cents == pytest.approx(true, abs=12)


def test_a_missing_note_is_missing_and_the_others_keep_their_names():
    written = [note for note in range(LOW, HIGH + 1) if note != 63]
    played = take(written)
    evidence, (found,) = passes_in(played.audio, expected())
    gap = 63 - LOW
    assert list(np.nonzero(~found.found)[0]) == [gap]
    assert right(replace(found, first=np.delete(found.first, gap)), evidence, played.notes).all()


def test_a_tuning_note_and_a_false_start_are_not_the_scale():
    started = take(range(LOW, LOW + 6), seed=2)
    played = take(tuning_note=67)
    audio = np.concatenate([started.audio, played.audio])
    evidence, passes = passes_in(audio, expected())
    assert len(passes) == 1
    assert right(passes[0], evidence, played.notes, len(started.audio) / RATE).all()


def nearest(found, evidence, played, written):
    """(N,) distance in seconds of each expected note's first frame from the nearest onset at which it was played."""
    onsets = [[note["onset_s"] for note in played.notes if note["written"] == one] for one in written]
    times = found.first * evidence.hop_s
    return np.array([np.abs(time - np.array(every)).min() for time, every in zip(times, onsets, strict=True)])


def test_notes_asked_for_several_times_in_a_row_are_told_apart():
    written = sorted([*range(LOW, HIGH + 1), 62, 62, 66])
    played = take(written, articulation="tongued")
    evidence, (found,) = passes_in(played.audio, expected(written))
    assert right(found, evidence, played.notes).all()


def test_a_note_asked_for_twice_and_held_once_is_missing_once():
    written = sorted([*range(LOW, HIGH + 1), 62])
    played = take(articulation="tongued")
    _, (found,) = passes_in(played.audio, expected(written))
    assert found.found.sum() == len(written) - 1


@pytest.mark.parametrize("articulation", ["slurred", "tongued"])
def test_a_note_played_twice_by_mistake_disturbs_no_other(articulation):
    written = list(range(LOW, HIGH + 1))
    played = take(sorted([*written, 62]), articulation=articulation)
    evidence, (found,) = passes_in(played.audio, expected())
    assert (nearest(found, evidence, played, written) < 0.06).all()


@pytest.mark.parametrize("articulation", ["slurred", "tongued"])
@pytest.mark.parametrize("back", [4, 9])
def test_a_restart_in_the_middle(articulation, back):
    """The player breaks off half-way, goes back some notes (or to the beginning), and goes on to the end."""
    written = list(range(LOW, HIGH + 1))
    played = take([*written[:9], *written[9 - back :]], articulation=articulation)
    evidence, (found,) = passes_in(played.audio, expected())
    assert (nearest(found, evidence, played, written) < 0.06).all()
    assert (np.diff(found.first) > 0).all()


def test_breaths_between_notes_are_no_notes():
    played = take(articulation="tongued")
    # a breath of noise before every sixth note, as loud as the playing less 12 dB
    pieces, shift, starts, at = [], np.zeros(len(played.notes)), 0.0, 0
    rng = np.random.default_rng(4)
    for step in range(6, len(played.notes), 6):
        cut = round((played.notes[step]["onset_s"] - 0.02) * RATE)
        breath = np.hanning(RATE // 2) * rng.normal(0, 1, RATE // 2) * 0.25 * np.std(played.audio)
        pieces += [played.audio[at:cut], breath]
        at, starts = cut, starts + 0.5
        shift[step:] = starts
    audio = np.concatenate([*pieces, played.audio[at:]])
    evidence, (found,) = passes_in(audio, expected())
    assert right(found, evidence, played.notes, shift).all()


def test_passes_are_found_in_a_recording_many_times_as_long():
    first, second = take(range(LOW, LOW + 6)), take(range(LOW, LOW + 6), seed=3)
    midi = expected(range(LOW, LOW + 6))
    _, passes = passes_in(np.concatenate([first.audio, second.audio] * 6), midi)
    assert len(passes) == 12
    assert all(one.found.all() for one in passes)


def test_both_passes_are_found():
    first, second = take(), take(seed=3)
    evidence, passes = passes_in(np.concatenate([first.audio, second.audio]), expected())
    assert len(passes) == 2
    assert right(passes[0], evidence, first.notes).all()
    assert right(passes[1], evidence, second.notes, len(first.audio) / RATE).all()


@pytest.mark.parametrize("kind", ["silence", "noise", "glide"])
def test_what_is_no_scale_holds_few_notes(kind):
    t = np.arange(8 * RATE) / RATE
    audio = {
        "silence": np.zeros(len(t)),
        "noise": np.random.default_rng(5).normal(0, 0.1, len(t)),
        # a voice-like glide up and down through an octave and a half, never still
        "glide": sum(
            np.sin(h * 2 * np.pi * np.cumsum(150 * 2 ** (0.8 * np.sin(5 * t))) / RATE) / h for h in range(1, 9)
        ),
    }[kind]
    _, passes = passes_in(0.1 * audio, expected())
    assert passes[0].found.mean() < 0.5


def test_half_a_scale_is_found_where_it_is():
    played = take(range(LOW, LOW + 8))
    _, passes = passes_in(played.audio, expected())
    assert list(np.nonzero(passes[0].found)[0]) == list(range(8))
