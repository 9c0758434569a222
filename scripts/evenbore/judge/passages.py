"""What a phrase of music tells of each instrument, beside what the scale tells of the same notes.

Cents from the take's own middle, so that where a take sits as a whole does not count; beside the scale at the take's
dynamic, or at the base dynamic where there is none. Loud and soft takes of a phrase
are compared within a session, place by place, so that room and microphone cancel. The interval of a value comes from
the scatter of takes of the same phrase, pooled over all instruments; it holds for a day like these.
"""

from collections.abc import Iterator, Mapping
from typing import Any, cast

import numpy as np
import pandas as pd
from scipy import special

from evenbore.facts.columns import names
from evenbore.facts.criteria import LEVEL_STEP_DB
from evenbore.facts.passages import PASSAGE_CRITERIA
from evenbore.facts.rows import Row
from evenbore.facts.words import joined
from evenbore.files.tables import conform
from evenbore.judge.takes import soft_and_loud
from evenbore.setups.doubts import without_doubted
from evenbore.statistics.student import CONFIDENCE
from evenbore.trade.pitch import note_to_midi

_KEYS = ["instrument", "state", "passage"]
_LEAST_NOTES = 5  # ASSUME: own choice, no source.
ONE_OF_PHRASE = "only one take of the phrase, and no other instrument's repeats to tell its scatter"
NO_NAME = "the sheet gives the phrase no name, so that nothing tells which takes are the same"
_TOO_FEW = f"fewer than {_LEAST_NOTES} of its notes measured"
NO_SCALE = f"fewer than {_LEAST_NOTES} of its notes were measured on a scale as well"
TWO_DYNAMICS = f"needs soft and loud takes of the phrase in one session, at least {LEVEL_STEP_DB:g} dB apart"


def passages_table(
    passage_notes: pd.DataFrame, notes: pd.DataFrame, instruments: pd.DataFrame, base_dynamic: str
) -> pd.DataFrame:
    """The table `passages`; `notes`, `instruments`: what the scales told, as in the tables of these names."""
    played = without_doubted(passage_notes).assign(passage=passage_notes["passage"].fillna(""))
    scale = _middle_out(without_doubted(notes))
    told = pd.DataFrame(
        [*_takes(played[played["passage"] != ""], scale, base_dynamic),
         *_pairs(played[played["place"].notna()])],
        columns=[*_KEYS, "criterion", "note", "value", "against", "scale_takes"],
    )  # fmt: skip
    scatter = _scatter(told)
    of_scale = instruments.set_index(["instrument", "state", "criterion"])["value"]
    in_take = played[played["cents"].notna()].groupby([*_KEYS, "recording", "written_note"]).size()
    often = in_take.groupby([*_KEYS, "written_note"]).median().to_dict()
    by_criterion = dict(list(told.groupby([*_KEYS, "criterion"], sort=False)))
    rows = []
    for key, _ in played.groupby(_KEYS, sort=False):
        for criterion in PASSAGE_CRITERIA:
            about = dict(zip(_KEYS, key, strict=True)) | {"criterion": criterion.name, "unit": criterion.unit}
            mine = by_criterion.get((*key, criterion.name), told[:0])
            if criterion.each_note and not mine.empty:
                rows += [about | row for row in _each_note(criterion.name, mine, scatter, often)]
                continue
            row = _row(criterion.name, mine, scatter, named=bool(about["passage"]))
            if criterion.of_scale and not mine.empty:
                row["against_scale"] = of_scale.get((*key[:2], criterion.of_scale))
            rows.append(about | row)
    return conform(pd.DataFrame(rows).reindex(columns=names("passages")), "passages")


def _middle_out(notes: pd.DataFrame) -> pd.DataFrame:
    """Of each instrument, state, dynamic and written note: `scale`, the mean over takes of `cents` from the take's
    middle, and their number `takes`."""
    notes = notes[notes["cents"].notna()]
    cents = notes["cents"] - notes.groupby("recording")["cents"].transform("median")
    by_note = cents.groupby([notes[key] for key in ("instrument", "state", "dynamic", "written_note")])
    return pd.DataFrame({"scale": by_note.mean(), "takes": by_note.size()}).reset_index()


def _takes(played: pd.DataFrame, scale: pd.DataFrame, base_dynamic: str) -> Iterator[tuple[Any, ...]]:
    """Pitch of its notes, spread and bend of each take."""
    for (*key, dynamic, _), take in played.groupby([*_KEYS, "dynamic", "recording"], sort=False):
        music = take.groupby("written_note")["cents"].median().dropna()
        if len(music) < _LEAST_NOTES:
            continue
        own = scale[(scale["instrument"] == key[0]) & (scale["state"] == key[1])]
        like = dynamic if (own["dynamic"] == dynamic).any() else base_dynamic
        its_scale = own[own["dynamic"] == like].set_index("written_note")
        both = its_scale.join(music.rename("music"), how="inner")
        same = len(both) >= _LEAST_NOTES
        for note, away in (music - music.median()).items():
            yield (*key, "pitch_in_music", note, away, np.nan, np.inf)
        yield (*key, "spread_in_music", "", music.std(), both["scale"].std() if same else np.nan, np.inf)
        if same:
            bend = both["music"] - both["scale"]
            bend -= bend.median()
            for note, row in both.assign(bend=bend).iterrows():
                yield (*key, "bend_in_music", note, row["bend"], row["scale"], row["takes"])


def _pairs(played: pd.DataFrame) -> Iterator[tuple[Any, ...]]:
    """Span of level and loss of brightness between the loudest and the softest takes of a session, in take order."""
    for (*key, _), rows in played.groupby([*_KEYS, "session"], sort=False):
        keys = cast(list[Row], rows.drop_duplicates("recording").to_dict("records"))
        takes = [take.set_index("place") for _, take in rows.groupby("recording", sort=False)]
        for soft, loud in soft_and_loud(keys, ()):
            one, other = takes[loud], takes[soft]
            step = (one["level_dbfs"] - other["level_dbfs"]).dropna()
            if len(step) < _LEAST_NOTES:
                continue
            yield (*key, "dynamic_span", "", step.median(), np.nan, np.inf)
            lost = (one["brightness_db"] - other["brightness_db"]).dropna()
            if step.median() >= LEVEL_STEP_DB and len(lost) >= _LEAST_NOTES:
                yield (*key, "tone_core", "", 10 * lost.median() / step.median(), np.nan, np.inf)


def _scatter(told: pd.DataFrame) -> dict[str, tuple[float, int]]:
    """Criterion -> standard deviation of takes of the same thing, and its degrees of freedom; none where none."""
    same = told.groupby([*_KEYS, "criterion", "note"])["value"]
    square = (told["value"] - same.transform("mean")) ** 2
    freedom = same.transform("size").map(lambda n: (n - 1) / n)
    sums = pd.concat([square, freedom], axis=1, keys=["square", "df"]).groupby(told["criterion"]).sum()
    return {str(name): (float(np.sqrt(row["square"] / row["df"])), round(row["df"]))
            for name, row in sums.iterrows() if row["df"] > 0}  # fmt: skip


def _each_note(
    criterion: str, mine: pd.DataFrame, scatter: dict[str, tuple[float, int]], often: Mapping[Any, float]
) -> Iterator[dict[str, Any]]:
    """A row for each note, from low to high; `often`: keys and note -> how often it was measured in a take."""
    for note in sorted(mine["note"].unique(), key=note_to_midi):
        row = _row(criterion, mine[mine["note"] == note], scatter, named=True)
        times = often[(*mine[_KEYS].iloc[0], note)]
        yield row | {"reason": row["reason"].replace(f"note {note}", f"note {note}, {times:g} in a take", 1)}


def _row(criterion: str, mine: pd.DataFrame, scatter: dict[str, tuple[float, int]], named: bool) -> dict[str, Any]:
    if mine.empty:
        dynamics = criterion in ("tone_core", "dynamic_span")
        short = TWO_DYNAMICS if dynamics else NO_SCALE if criterion == "bend_in_music" else _TOO_FEW
        return {"reason": short if named else NO_NAME}
    grouped = mine.groupby("note")
    by_note = grouped[["value", "against", "scale_takes"]].mean()
    place = int(by_note["value"].abs().to_numpy().argmax())
    note, (value, against, scale_takes) = by_note.index[place], by_note.iloc[place]
    count = int(grouped.size().iloc[place])
    row = {"value": value, "n_takes": count, "against_scale": against, "reason": f"note {note}" if note else None}
    if criterion not in scatter:
        return row | {"reason": joined(row["reason"], ONE_OF_PHRASE)}
    sd, freedom = scatter[criterion]
    one_sided = (1 - CONFIDENCE) / 2 / len(by_note)  # Bonferroni: the note was chosen for being furthest
    half = special.stdtrit(freedom, 1 - one_sided) * sd * np.sqrt(1 / count + 1 / scale_takes)
    return row | {"low": value - half, "high": value + half}
