"""What the page plays: clips within the size that the config allows, their levels, and each set-up's correction.

Conventions: gains in dB bring a clip, or one of its notes, to the common loudness (ITU-R BS.1770-4), once as recorded
and once with the set-up taken out. A note is measured as one sound without gates, faded as it is played.
"""

import base64
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from scipy import fft

from evenbore.facts.arrays import Floats32
from evenbore.facts.rows import Row
from evenbore.recording.clips import BEFORE_S, CLIP_RATE, LOUDNESS_LUFS, Clip, Level, decoded, levels_of
from evenbore.report.results import Results

TAPS = 2047  # at CLIP_RATE: resolves 16 Hz
PEAK_DB = -0.5


def sound_data(results: Results, clips: list[Clip]) -> dict[str, Any]:
    """Everything that the page's player needs, as JSON-ready data; empty lists without sound."""
    corrections = _corrections(results)
    place = {name: k for k, name in enumerate(results.order)}
    kept = sorted((clip for clip in clips if clip.mp3), key=lambda clip: place[clip.instrument])
    measured = [_measured(clip, corrections.get(clip.session)) for clip in kept]
    # one common loudness, lower than usual if a note with a high peak needs it
    target = min(
        [LOUDNESS_LUFS] + [loudness - peak + PEAK_DB for _, rows in measured for row in rows for loudness, peak in row]
    )
    groups = results.tables["comparability"].drop_duplicates("session").set_index("session")["group"]
    sessions = list(dict.fromkeys(clip.session for clip in kept))
    heard = {clip.instrument for clip in kept}
    places = {name: rows["place"] for name, rows in results.tables["passage_notes"].groupby("recording")}
    return {
        "heard": len(heard),
        "unheard": len({clip.instrument for clip in clips} - heard),
        "rate": CLIP_RATE,
        "lufs": round(float(target), 2),
        "before": BEFORE_S,
        "sessions": [[session, int(groups[session]), _text(corrections.get(session))] for session in sessions],
        "clips": [
            {
                "instrument": clip.instrument,
                "label": results.label(clip.instrument),
                "state": clip.state,
                "older": clip.state != results.states.get(clip.instrument),
                "session": sessions.index(clip.session),
                "recording": clip.recording,
                "played": clip.played,
                "kind": clip.kind,
                "passage": clip.passage,
                "dynamic": clip.dynamic,
                "places": _places(clip, places.get(clip.recording)),
                "notes": [[note, midi, round(start, 3), round(end, 3)] for note, midi, start, end in clip.notes],
                "samples": length,
                "gains": [[round(float(target - loudness), 2) for loudness, _ in row] for row in rows],
                "mp3": base64.b64encode(clip.mp3).decode("ascii"),
            }
            for clip, (length, rows) in zip(kept, measured, strict=True)
        ],
    }


def _places(clip: Clip, places: pd.Series | None) -> list[int | None]:
    """Place in the phrase of each of a passage's notes, None for what is no note of it."""
    known = [] if places is None or clip.kind == "scale" else places.tolist()
    return [None if pd.isna(place) else int(place) for place in known[: len(clip.notes)]]


def in_turn(results: Results, takes: list[Row]) -> list[Row]:
    """The takes (see `takes_to_hear`) in the order in which they are to be heard where there is room: a first take of
    everybody in the order of the report, then passages, second takes, and at last those of further sessions, which
    let two instruments be heard in the same one."""
    used = results.tables["recordings"].set_index("recording")["status"]
    takes = [take for take in takes if used.get(take["recording"]) in ("ok", "warned")]
    place = {name: k for k, name in enumerate(results.order)}
    sessions: dict[tuple[str, str], list[str]] = {}
    number: dict[tuple[str, str, str, str], int] = {}
    ranked = []
    for index, take in enumerate(takes):
        name, state, session, passage = take["instrument"], take["state"], take["session"], take["pattern"] == "passage"
        heard_in = sessions.setdefault((name, state), [])
        heard_in += [session] if session not in heard_in else []
        key = (name, state, session, f"{take['dynamic']} {take['passage']}" if passage else "")
        number[key] = number.get(key, 0) + 1
        older = state != results.states.get(name)
        ranked.append((heard_in.index(session) > 0, number[key], passage, older, place[name], index))
    return [takes[index] for *_, index in sorted(ranked)]


def _measured(clip: Clip, correction: Floats32 | None) -> tuple[int, list[list[Level]]]:
    """The clip's length in samples; its levels as recorded and corrected."""
    samples = decoded(clip.mp3)
    corrected = clip.levels if correction is None else levels_of(_filtered(samples, correction), clip.alone)
    return len(samples), [clip.levels, corrected]


def _filtered(samples: Floats32, taps: Floats32) -> Floats32:
    """Samples (N,) through a linear-phase filter, not delayed, (N,)."""
    size = fft.next_fast_len(len(samples) + len(taps), real=True)
    whole: Floats32 = fft.irfft(fft.rfft(samples, size) * fft.rfft(taps, size), size)
    return whole[len(taps) // 2 :][: len(samples)]


def _corrections(results: Results) -> dict[str, Floats32]:
    """Session -> linear-phase filter (TAPS,) that takes its set-up out, of the sessions that something links."""
    filters: dict[str, Floats32] = {}
    setups: Iterable[tuple[Any, pd.DataFrame]] = results.tables["setups"].groupby("session", sort=False)
    for session, rows in setups:
        response = rows["response_db"].to_numpy()
        if not response.any():
            continue  # nothing links it: nothing is known
        frequency = fft.rfftfreq(8192, 1 / CLIP_RATE)
        wanted = -np.interp(np.log(np.maximum(frequency, 1)), np.log(rows["band_hz"]), response)
        centred = np.roll(fft.irfft(10 ** (wanted / 20)), TAPS // 2)[:TAPS]
        filters[session] = (centred * np.hamming(TAPS)).astype(np.float32)
    return filters


def _text(correction: Floats32 | None) -> str | None:
    return None if correction is None else base64.b64encode(correction.astype("<f4").tobytes()).decode("ascii")
