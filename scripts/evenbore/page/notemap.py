"""The map of all notes: what each note of each instrument has that the others' and its neighbours have not.

Arrays are (instrument, note); NaN: not measured. Two comparisons: with the middle of the same note of the other
instruments of its kind and comparability group, and with the line through its neighbours on the scale in the same
register. Half-widths are those of 90 % intervals. A note is said to stand out where that interval leaves out zero and
the difference is at least a just-noticeable step; of so many notes some do by chance, so what was found beyond chance
is marked.
"""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from evenbore.facts.arrays import Floats, Ints
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.findings import FINDINGS
from evenbore.facts.measures import WORDINGS, Wording
from evenbore.judge.values import line_residuals
from evenbore.page.priorities import packed
from evenbore.report.curves import LEAST_PEERS, profile
from evenbore.report.results import Results, rows_of
from evenbore.report.words import number, sentence
from evenbore.statistics.student import Z_HALF
from evenbore.trade.pitch import note_to_midi

MEDIAN_ERROR = (np.pi / 2) ** 0.5  # of a median, in standard errors of a mean of as many
MISSING = -32768
TENTHS = 10
MOST_TOLD = 3


@dataclass(frozen=True)
class Mapped:
    """A measure of the map: its column in note_profiles and the criterion whose just-noticeable step holds for a note.
    `about`: how the instruments are laid over each other: by their "own" median, as they are
    ("as is"), or so that their medians are their values of the "criterion", from which the sessions' part is gone."""

    column: str
    criterion: str
    about: str

    @property
    def wording(self) -> Wording:
        """Its words, for more and less of it too."""
        return WORDINGS[self.column]


MAPPED = (
    Mapped("cents", "worst_note_cents", "own"),
    Mapped("brightness_matched_db", "timbre_evenness", "as is"),
    Mapped("level_dbfs", "level_evenness", "own"),
    Mapped("noise_high_db", "noise", "criterion"),
    Mapped("attack_ms", "response", "criterion"),
)


class Compared(NamedTuple):
    """Differences (instrument, note) of one measure and half their 90 % intervals."""

    difference: Floats
    half: Floats


@dataclass(frozen=True)
class NoteMap:
    """`notes`: written number, name and register of each note in rising order; `steps`: just-noticeable, by measure;
    `found`: (instrument, note) -> what was found there."""

    instruments: list[str]
    notes: list[tuple[int, str, str]]
    steps: list[float]
    others: list[Compared]
    neighbours: list[Compared]
    found: dict[tuple[int, int], list[str]]


def note_map(results: Results) -> NoteMap:
    """The map of the instruments shown."""
    profiles = [profile(results, one.column) for one in MAPPED]
    rows = pd.concat([part[part["instrument"].isin(results.shown)] for part in profiles])
    instruments = [name for name in results.shown if name in set(rows["instrument"])]
    named = rows.drop_duplicates("written").sort_values("written")
    notes = list(named[["written", "written_note", "register"]].fillna("").itertuples(index=False, name=None))
    place = {note: k for k, (note, *_) in enumerate(notes)}
    row_of = {name: k for k, name in enumerate(instruments)}
    pools = _pools(results, instruments)
    noticed = results.tables["criteria"].set_index("criterion")["just_noticeable"].to_dict()
    steps, others, neighbours = [], [], []
    for one, part in zip(MAPPED, profiles, strict=True):
        step = noticed.get(one.criterion)
        steps.append(float(step) if step and step == step else CRITERIA[one.criterion].step or 1.0)
        value, half = np.full((2, len(instruments), len(notes)), np.nan)
        part = part[part["instrument"].isin(row_of)]
        at = part["instrument"].map(row_of).to_numpy(int), part["written"].map(place).to_numpy(int)
        value[at], half[at] = part["value"], (part["high"] - part["low"]) / 2
        value += _laid_over(results, one, value, instruments)[:, None]
        others.append(_from_others(value, half, pools))
        neighbours.append(_from_neighbours(value, half, notes))
    return NoteMap(instruments, notes, steps, others, neighbours, _found(results, row_of, place))


def _pools(results: Results, instruments: list[str]) -> list[Ints]:
    """Places of the instruments of one kind and comparability group."""
    group = results.compared("instruments").groupby("instrument")["group"].first()
    keys = [(results.study.instruments[name]["family"], group.get(name)) for name in instruments]
    return [np.array([k for k, key in enumerate(keys) if key == one]) for one in dict.fromkeys(keys)]


def _laid_over(results: Results, one: Mapped, value: Floats, instruments: list[str]) -> Floats:
    """What to add to each instrument's notes."""
    if one.about == "as is" or not value.size:
        return np.zeros(len(instruments))
    known = np.isfinite(value).any(axis=1)
    moved: Floats = np.full(len(instruments), np.nan)
    moved[known] = -np.nanmedian(value[known], axis=1)
    if one.about == "criterion":
        rows = results.compared("instruments").query("criterion == @one.criterion").set_index("instrument")["value"]
        moved += rows.reindex(instruments).to_numpy(float)
    return moved


def _from_others(value: Floats, half: Floats, pools: Iterable[Ints]) -> Compared:
    difference, error = np.full((2, *value.shape), np.nan)
    for pool in pools:
        for place in pool:
            rest = pool[pool != place]
            enough = np.isfinite(value[rest]).sum(axis=0) >= LEAST_PEERS
            peers, theirs = value[rest][:, enough], half[rest][:, enough]
            if not enough.any():
                continue
            difference[place, enough] = value[place, enough] - np.nanmedian(peers, axis=0)
            squares = np.nansum(np.square(theirs), axis=0) / np.isfinite(peers).sum(axis=0) ** 2
            error[place, enough] = np.sqrt(np.square(half[place, enough]) + MEDIAN_ERROR**2 * squares)
    return Compared(difference, error)


def _from_neighbours(value: Floats, half: Floats, notes: list[tuple[int, str, str]]) -> Compared:
    difference, error = np.full((2, *value.shape), np.nan)
    written = np.array([note for note, *_ in notes])
    register = pd.factorize(pd.Series([name for *_, name in notes], dtype=object))[0]
    for place, row in enumerate(value):
        known = np.isfinite(row)
        if not known.any():
            continue
        maker = line_residuals(tuple(written[known].tolist()), tuple(register[known].tolist()))
        maker = maker / np.diag(maker)[:, None]  # the plain distance from the line
        difference[place, known] = maker @ row[known]
        error[place, known] = np.sqrt(np.square(maker) @ np.square(half[place, known]))
    return Compared(difference, error)


def _found(results: Results, row_of: dict[str, int], place: dict[int, int]) -> dict[tuple[int, int], list[str]]:
    """What was found at single notes and runs; what is of an instrument as a whole is left to its card."""
    found: dict[tuple[int, int], list[str]] = {}
    rows = results.compared("findings").dropna(subset=["instrument", "first_note", "last_note"])
    for row in rows_of(rows):
        if row.instrument not in row_of or row.n_notes >= len(place) - 2:
            continue
        for note in range(note_to_midi(row.first_note), note_to_midi(row.last_note) + 1):
            if note in place:
                found.setdefault((row_of[row.instrument], place[note]), []).append(FINDINGS[row.kind].words)
    return found


def standing_out(compared: Iterable[Compared], steps: Iterable[float], place: tuple[int, int]) -> list[str]:
    """In words, how one note differs where it stands out: the MOST_TOLD measures by most steps."""
    texts: list[tuple[float, str]] = []
    for one, (difference, half), step in zip(MAPPED, compared, steps, strict=True):
        value, error = difference[place], half[place]
        if not (abs(value) >= step and abs(value) > error):
            continue
        unit = CRITERIA[one.criterion].unit
        digits = 0 if unit in ("cents", "ms") else 1
        ends = sorted((abs(value) - error, abs(value) + error))
        told = f"{number(abs(value), digits)} {unit} {one.wording.more if value > 0 else one.wording.less}"
        texts.append((-abs(value) / step, f"{told} ({number(ends[0], digits)} to {number(ends[1], digits)})"))
    return [text for _, text in sorted(texts)[:MOST_TOLD]]


def note_words(told: NoteMap, place: tuple[int, int]) -> str:
    """What is different about one note, in a sentence or two; empty where it was not measured."""
    if not any(np.isfinite(one.difference[place]) for one in (*told.others, *told.neighbours)):
        return ""
    beside = standing_out(told.neighbours, told.steps, place)
    text = "nothing stands out against its neighbours on the scale"
    if beside:
        text = f"against its neighbours on the scale it is {', '.join(beside)}"
    if any(np.isfinite(one.difference[place]) for one in told.others):
        against = standing_out(told.others, told.steps, place)
        first = f"against the same note of the others it is {', '.join(against)}"
        text = f"{first if against else 'nothing stands out against the same note of the others'}; {text}"
    text = sentence(text) + "."
    if place in told.found:
        text += f" Found beyond chance: {', '.join(dict.fromkeys(told.found[place]))}."
    return text


def map_data(results: Results, pack_text: Callable[[str], str]) -> dict[str, Any]:
    """What the page's script draws, as JSON-ready data; numbers in tenths, packed."""
    told = note_map(results)
    if not told.instruments:
        return {"instruments": []}
    numbers = np.array([[[one.difference, one.half] for one in way] for way in (told.others, told.neighbours)])
    harmonics = _harmonics(results, told)
    texts = [[note_words(told, (i, n)) for n in range(len(told.notes))] for i in range(len(told.instruments))]
    return {
        "instruments": [[name, results.label(name), results.states[name]] for name in told.instruments],
        "kinds": [[kind, [told.instruments.index(n) for n in names if n in told.instruments]]
                  for kind, names in results.kinds(told.instruments).items()],
        "notes": [[name, register] for _, name, register in told.notes],
        "measures": [[one.wording.word, CRITERIA[one.criterion].unit, step, *one.wording[1:]]
                     for one, step in zip(MAPPED, told.steps, strict=True)],
        "numbers": packed(_tenths(numbers)),
        "harmonics": packed(_tenths(harmonics)),
        "most": harmonics.shape[2],
        "found": [[i, n] for i, n in told.found],
        "texts": pack_text(json.dumps(texts, ensure_ascii=False)),
    }  # fmt: skip


def _harmonics(results: Results, told: NoteMap) -> Floats:
    """Level and half the 90 % interval of each harmonic, dB: (instrument, note, harmonic, 2)."""
    rows = results.compared("harmonic_profiles")
    row_of = {name: k for k, name in enumerate(told.instruments)}
    place = {name: k for k, (_, name, _) in enumerate(told.notes)}
    rows = rows[rows["instrument"].isin(row_of) & rows["written_note"].isin(place)]
    out = np.full((len(row_of), len(place), int(rows["harmonic"].max()) if len(rows) else 0, 2), np.nan)
    at = (rows["instrument"].map(row_of).to_numpy(int), rows["written_note"].map(place).to_numpy(int),
          rows["harmonic"].to_numpy(int) - 1)  # fmt: skip
    out[at] = np.column_stack([rows["level_db"], Z_HALF * rows["se_db"]])
    return out


def _tenths(values: Floats) -> Ints:
    tenths = np.rint(np.clip(values * TENTHS, -32767, 32767))
    return np.where(np.isfinite(tenths), tenths, MISSING).astype("<i2")
