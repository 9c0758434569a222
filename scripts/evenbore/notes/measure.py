"""Measure one recording: find the notes of its scale, then pitch, spectrum and response of each.

One decode; a broken recording is set aside with the reason, it never raises.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from evenbore.facts.arrays import Bools, Floats, Ints, known_median
from evenbore.facts.flags import UNSURE
from evenbore.facts.rows import RecordingRow, Row
from evenbore.files.errors import AudioError
from evenbore.notes.attempts import Span
from evenbore.notes.confidence import confidence, signs
from evenbore.notes.edges import Edges, refine
from evenbore.notes.evidence import Evidence, gather, guess_hz
from evenbore.notes.note import Notes, measure_notes
from evenbore.notes.phrase import find_notes, no_notes, no_single_voice
from evenbore.notes.pitch import measure_pitch
from evenbore.notes.segment import NOTE_CENTS, Alignment, find_passes
from evenbore.notes.sheetfit import Objection, may_be_another, objection, tones_between, tuning_remark
from evenbore.notes.spectrum import Harmonics, analyse, harmonics, sounds_higher
from evenbore.recording import quality
from evenbore.recording.audio import Signal, open_signal
from evenbore.trade.families import Family, load_family
from evenbore.trade.pitch import hz_to_midi, midi_to_hz, midi_to_note
from evenbore.trade.scale import expected_scale

# ASSUME: tuned by trial on the development takes that docs/accuracy.md tells of; no source.
_EVIDENT = 3.8  # evidence from which on weak harmonics between strong ones make no other note of it
_ALL_THERE = 0.9  # of the expected notes were found
_UNDER_DB, _NOTHING = -12.0, 1e-8  # a weaker tone an octave lower is no note of its own: it is 0.3 dB of the whole
_UNNAMED = -1  # step of a note that the sheet does not name
_BROKEN_OFF = 3  # so many notes missing at one end: the scale was not played to there

_COUNTED = ("gain_moved", "dropout", "cut_off")  # flags that the recording's advice speaks of

_BUFFER = 1024  # numbers; with more NumPy copies together rows no longer than a window, and takes three times as long

TAKE_KEYS: Final = ("recording", "instrument", "session", "take", "dynamic", "articulation", "direction", "state")


@dataclass(frozen=True)
class Measured:
    """What one recording told.

    recording: the row of the table `recordings`. notes: rows of `notes`. harmonics: columns pass, step, harmonic,
    frequency_hz, level_db, above_noise_db. bands: columns pass, step, band_hz, level_db, above_noise_db.
    """

    recording: Row
    notes: list[Row]
    harmonics: dict[str, Floats]
    bands: dict[str, Floats]


def measure_recording(row: RecordingRow) -> Measured:
    """Measure the recording that a row of the sheet describes (see `sheets.chunks`)."""
    record: Row = {key: row[key] for key in TAKE_KEYS}
    try:
        with (
            np.errstate(),  # brings the size back
            open_signal(row["path"], row["channel"], start_s=row["start_s"], end_s=row["end_s"]) as signal,
        ):
            np.setbufsize(_BUFFER)
            return _measure(row, record, signal)
    except AudioError as error:
        return set_aside(record, str(error))


def set_aside(record: Row, reason: str) -> Measured:
    """The result of a recording that cannot be used, with what is known of it."""
    return Measured(record | {"status": "set_aside", "reason": reason}, [], {}, {})


def _measure(row: RecordingRow, record: Row, signal: Signal) -> Measured:
    record |= {
        "start_s": row["start_s"],
        "end_s": row["end_s"],
        "duration_s": signal.frames / signal.rate,
        "sample_rate_hz": signal.source_rate,
        "clipped_fraction": signal.clipped_fraction,
        "channel": signal.channel,
        "lufs": quality.lufs(signal),
        "sound": signal.digest(),
    }
    family = load_family(row["family"], Path(row["families_dir"]) if row["families_dir"] else None)
    record["family"] = family.name
    if row["pattern"] == "passage":
        return _measure_passage(row, record, signal, family)
    written = expected_scale(family, row["pattern"], row["low"], row["high"], row["direction"], row["notes"])
    midi = family.to_sounding(written)
    evidence = gather(signal, midi.min(), midi.max())
    passes = find_passes(evidence, midi, row["tuning_hz"])
    best = _fullest(passes)
    doubt = objection(evidence, row, family, written, best)
    if doubt and doubt.off_cents:
        off = find_passes(evidence, midi, row["tuning_hz"] * 2 ** (doubt.off_cents / 1200))
        passes = [replace(one, offset_cents=one.offset_cents + doubt.off_cents) for one in off]
        best, doubt = _fullest(passes), None
    if doubt and doubt.shift == -12 and best.found.mean() >= _ALL_THERE:
        under_db = _octave_under_db(signal, evidence, best, midi_to_hz(midi, row["tuning_hz"]))
        if under_db < _UNDER_DB:
            doubt = Objection(
                f"a second tone an octave lower, {-under_db:.0f} dB weaker, sounds under the notes: measured are those"
                " of the sheet; if the lower ones were meant, correct the range",
                unusable=False,
            )
    record |= {"notes_expected": len(midi), "notes_found": int(best.found.sum()), "offset_cents": best.offset_cents}
    if best.found.any():
        there = written[best.found]
        record |= {"lowest_found": midi_to_note(int(there.min())), "highest_found": midi_to_note(int(there.max()))}
    if doubt and doubt.unusable:
        reason = doubt.reason
        if signal.damaged:  # a part of a scale fits many another
            n, of = record["notes_found"], record["notes_expected"]
            reason = f"too little of the scale is left: {n} of {of} expected notes found"
        return set_aside(record, "; ".join([*signal.warnings, reason]))
    if len(passes) > 1:
        return set_aside(record, _several(passes, evidence.hop_s, row))
    # attempts that do not count, and notes not named, are measured like the others: each is what sounds beside one that
    # counts
    played = sorted(
        (span, int(step), counts)
        for step in np.nonzero(best.found)[0]
        for span, counts in [
            ((best.first[step], best.last[step]), True),
            *((other, False) for other in best.others[step]),
        ]
    )
    nominal = midi_to_hz(midi, row["tuning_hz"])
    place = hz_to_midi(nominal) + (best.offset_cents + best.away_cents) / 100
    unnamed = tones_between(evidence, [(span, place[step]) for span, step, _ in played])
    played = sorted([*played, *((span, _UNNAMED, False) for span in unnamed)])
    half = evidence.hop_s / 2
    first, last = np.array([span for span, *_ in played]).T * evidence.hop_s + [[-half], [half]]
    nominal = nominal[[step for _, step, _ in played]]
    guess = np.array([guess_hz(evidence, span, unnamed.get(span, place[step])) for span, step, _ in played])
    edges = refine(signal, first, last, guess, np.full(len(guess), row["articulation"] == "tongued"))
    measured = _measure_between(edges, guess, nominal, record, signal)
    evident = [_evident(best.score[step], best.rival[step]) for _, step, _ in played]
    higher = [not evident[k] and one is not None and sounds_higher(one) for k, one in enumerate(measured.spectra)]
    counted = [k for k, (*_, counts) in enumerate(played) if counts and not higher[k]]
    notes = [
        {key: record[key] for key in TAKE_KEYS}
        | {"step": step, "written_note": midi_to_note(int(written[step])), "midi": int(midi[step])}
        | measured.rows[k]
        | {"flags": " ".join([*measured.rows[k]["flags"].split(), *["repeated"] * bool(best.others[step])])}
        for k, step in ((k, played[k][1]) for k in counted)
    ]
    _add_confidence(best.score, best.rival, best.found, notes)
    record["snr_db"] = known_median([note["snr_db"] for note in notes])
    record["offset_cents"] = known_median([note["cents"] for note in notes])
    far_off = [note for note in notes if abs(note["cents"] - record["offset_cents"]) > NOTE_CENTS]
    for note in far_off:
        note["flags"] = f"{note['flags']} far_off".strip()
    heard = np.isin(np.arange(len(midi)), [note["step"] for note in notes])
    record["notes_found"] = int(heard.sum())
    if may_be_another(record["offset_cents"]):
        for note in notes:
            note["flags"] = f"{note['flags']} other_name".strip()
    against = [*([doubt.reason] if doubt else []), *tuning_remark(record["offset_cents"], row["tuning_hz"])]
    overblown = [step for (_, step, counts), one in zip(played, higher, strict=True) if counts and one]
    warnings = [
        *signal.warnings,
        *against,
        *_missing(heard, written),
        *_named("sound an octave or a twelfth higher than they should", overblown, written),
        *_repeated(best, written),
        *_far_off(far_off),
        *_advice(record, notes, signal, edges),
    ]
    return _finish(
        record, warnings, notes, [measured.spectra[k] for k in counted], [measured.bands[k] for k in counted]
    )


def _measure_passage(row: RecordingRow, record: Row, signal: Signal, family: Family) -> Measured:
    """Measure every note of free playing; `step` is its number in the take."""
    low, high = family.to_sounding(np.array([row["low"], row["high"]])).tolist()
    evidence = gather(signal, low, high, free=True)
    listed = None if row["notes"] is None else family.to_sounding(np.array(row["notes"])).tolist()
    phrase = find_notes(signal, evidence, low, high, row["tuning_hz"], listed)
    reason = no_notes(phrase)
    if reason:
        return set_aside(record, "; ".join([*signal.warnings, reason]))
    edges = refine(signal, phrase.begin_s, phrase.end_s, phrase.guess_hz, phrase.again)
    nominal = midi_to_hz(phrase.midi, row["tuning_hz"])
    measured = _measure_between(edges, phrase.guess_hz, nominal, record, signal)
    notes = [
        {key: record[key] for key in TAKE_KEYS}
        | {
            "passage": row["passage"] or "",
            "step": step,
            "written_note": midi_to_note(int(family.to_written(np.array(midi)))),
            "midi": midi,
        }
        | one
        for step, (midi, one) in enumerate(zip(phrase.midi.tolist(), measured.rows, strict=True))
    ]
    reason = no_single_voice(phrase, evidence, notes)
    if reason:
        return set_aside(record, "; ".join([*signal.warnings, reason]))
    _add_confidence(phrase.score, phrase.rival, np.ones(len(notes), bool), notes, phrase.sure)
    record |= {"notes_found": len(notes), "snr_db": known_median([note["snr_db"] for note in notes])}
    record["offset_cents"] = known_median([note["cents"] for note in notes])
    off_tune = tuning_remark(record["offset_cents"], row["tuning_hz"])
    warnings = [*signal.warnings, *off_tune, *_advice(record, notes, signal, edges)]
    return _finish(record, warnings, notes, [None] * len(notes), [None] * len(notes))


def _measure_between(edges: Edges, guess: Floats, nominal: Floats, record: Row, signal: Signal) -> Notes:
    """Measure the notes, and into `record` what the sound around them tells of hum and room."""
    spans = list(zip(edges.onset_s, edges.offset_s, strict=True))
    record |= {"hum_db": quality.hum_db(signal, spans), "reverb_s": quality.reverb_s(signal, spans)}
    return measure_notes(signal, edges, guess, nominal, record["reverb_s"])


def _octave_under_db(signal: Signal, evidence: Evidence, best: Alignment, nominal_hz: Floats) -> float:
    """What a tone an octave under the found notes has that is not theirs, against them: median over the notes, dB."""
    under_db, place = [], hz_to_midi(nominal_hz) + (best.offset_cents + best.away_cents) / 100
    for step in np.nonzero(best.found)[0]:
        span = best.first[step], best.last[step]
        middle = [round((0.7 * span[k] + 0.3 * span[1 - k]) * evidence.hop_s * signal.rate) for k in (0, 1)]
        guess = guess_hz(evidence, span, place[step])
        frames = analyse(signal.slice(*middle), signal.rate, guess / 2)
        pitch = measure_pitch(frames, guess) if frames is not None else None
        if frames is not None and pitch is not None:
            power = np.nan_to_num(10 ** (harmonics(frames, pitch.f0_hz / 2).level_db / 10)) + _NOTHING
            under_db.append(10 * np.log10(power[::2].sum() / power[1::2].sum()))
    return known_median(under_db)


def _fullest(passes: list[Alignment]) -> Alignment:
    return max(passes, key=lambda alignment: alignment.found.sum())


def _evident(score: float, rival: float) -> bool:
    """Whether the evidence of a note, and what it is ahead of the best other pitch, leave no doubt."""
    return 3.0 * score + 12.5 * (score - rival) >= _EVIDENT


def _add_confidence(score: Floats, rival: Floats, found: Bools, notes: list[Row], share: Floats | float = 1.0) -> None:
    """Add to notes how sure each is, and the flag of those that are not; the arrays are of all that were expected.

    `share`: of the confidence, for what else is in doubt.
    """
    for note, sure in zip(notes, (share * confidence(signs(score, rival, found, notes))).tolist(), strict=True):
        note["confidence"] = sure
        if sure < UNSURE:
            note["flags"] = f"{note['flags']} unsure".strip()


def _missing(heard: Bools, written: Ints) -> list[str]:
    """Which notes are missing; a take that was broken off, or begun later, is told as such."""
    steps = np.nonzero(heard)[0]
    told, inside = [], np.arange(len(heard))
    if len(steps) and len(heard) - 1 - steps[-1] >= _BROKEN_OFF:
        end = midi_to_note(int(written[steps[-1]]))
        told.append(f"breaks off after {end}: {len(steps)} of {len(heard)} notes")
        inside = inside[: steps[-1]]
    if len(steps) and steps[0] >= _BROKEN_OFF:
        told.append(f"begins only at {midi_to_note(int(written[steps[0]]))}: {len(steps)} of {len(heard)} notes")
        inside = inside[steps[0] :]
    return told + _named("notes not found", inside[~heard[inside]].tolist(), written)


def _named(what: str, steps: list[int], written: Ints) -> list[str]:
    return [f"{what}: {' '.join(midi_to_note(int(written[step])) for step in steps)}"] if steps else []


def _several(passes: list[Alignment], hop_s: float, row: RecordingRow) -> str:
    """Why a recording of several takes is set aside, and what to write so that each counts."""
    ends = [(one.first[one.found].min() * hop_s, one.last[one.found].max() * hop_s) for one in passes]
    between = [f"{(row['start_s'] or 0.0) + (a[1] + b[0]) / 2:.1f}" for a, b in pairwise(ends)]
    return (
        f"the scale is in it {len(passes)} times: give each take a row with its `start_s` and `end_s`; "
        f"they part at {', '.join(between)} s of the file"
    )


def _repeated(one: Alignment, written: Ints) -> list[str]:
    """Which notes were played more than once, and which attempt counts."""
    told = []
    for which in ("last", "longest", "first full"):
        steps = [
            (step, len(others) + 1)
            for step, others in enumerate(one.others)
            if others and _which_counts((one.first[step], one.last[step]), others) == which
        ]
        if len(steps) == 1:
            ((step, times),) = steps
            often = "twice" if times == 2 else f"{times} times"
            told.append(f"{midi_to_note(int(written[step]))} was played {often}: the {which} attempt counts")
        elif steps:
            told += _named(f"played more than once, the {which} attempt at each counts", [s for s, _ in steps], written)
    return told


def _which_counts(span: Span, others: tuple[Span, ...]) -> str:
    """What tells the attempt at a note that counts from the others."""
    if span > others[-1]:
        return "last"
    return "longest" if span[1] - span[0] >= max(last - first for first, last in others) else "first full"


def _advice(record: Row, notes: list[Row], signal: Signal, edges: Edges) -> list[str]:
    """What to do better, from the recording's numbers and its notes' flags."""
    numbers = record | {"peak_dbfs": 20 * np.log10(signal.peak)}  # a silent recording was set aside
    numbers |= {word: sum(word in note["flags"].split() for note in notes) for word in _COUNTED}
    coded = ["codec_limited:hnr_db" in note["flags"] and np.isnan(note["hnr_db"]) for note in notes]
    numbers["noise_withheld"] = sum(coded) / max(len(notes), 1)
    if np.isnan(record["snr_db"]):
        numbers["lead_in_s"] = edges.onset_s[0]
    return quality.advice(numbers)


def _far_off(notes: list[Row]) -> list[str]:
    told = [f"{note['written_note']} ({note['cents']:+.0f} cents)" for note in notes]
    return [f"far off their places: {', '.join(told)}"] if told else []


def _finish(
    record: Row, warnings: list[str], rows: list[Row], spectra: list[Harmonics | None], bands: list[Floats | None]
) -> Measured:
    record |= {"status": "warned" if warnings else "ok", "reason": "; ".join(warnings)}
    return Measured(record, rows, _stack_harmonics(rows, spectra), _stack_bands(rows, bands))


def _stack_harmonics(notes: list[Row], spectra: list[Harmonics | None]) -> dict[str, Floats]:
    parts = []
    for note, spectrum in zip(notes, spectra, strict=True):
        if spectrum is not None:
            use = ~np.isnan(spectrum.level_db)
            columns = spectrum.number, spectrum.frequency_hz, spectrum.level_db, spectrum.above_noise_db
            parts.append(np.column_stack([np.full(use.sum(), note["step"]), *(c[use] for c in columns)]))
    table = np.concatenate(parts) if parts else np.empty((0, 5))
    return dict(zip(("step", "harmonic", "frequency_hz", "level_db", "above_noise_db"), table.T, strict=True))


def _stack_bands(notes: list[Row], bands: list[Floats | None]) -> dict[str, Floats]:
    parts = []
    for note, band in zip(notes, bands, strict=True):
        if band is not None:
            use = ~np.isnan(band[:, 1])
            parts.append(np.column_stack([np.full(use.sum(), note["step"]), band[use]]))
    table = np.concatenate(parts) if parts else np.empty((0, 4))
    return dict(zip(("step", "band_hz", "level_db", "above_noise_db"), table.T, strict=True))
