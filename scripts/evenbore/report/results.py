"""The results of a study as figures and report read them: the tables, the sheets, and the order of instruments.

The tables that grow with the notes or with the pairs of instruments are read in part: of many instruments only the rows
of those that are shown.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeAlias, cast

import pandas as pd

from evenbore.compare.pairs import compared_states, in_state
from evenbore.facts.arrays import Ints
from evenbore.facts.rows import Row
from evenbore.files.tables import empty_table, read_rows, read_table, read_table_parts
from evenbore.findings.status import flattered_values
from evenbore.findings.tolerances import tolerance
from evenbore.study.sheets import Study

CURVES = ("cents", "level_dbfs", "brightness_db", "brightness_matched_db", "noise_high_db", "attack_ms")
"""Measures of note_profiles that figures and report draw, at the base dynamic."""
BY_DYNAMIC = ("level_dbfs", "brightness_db")
"""Those that they draw at other dynamics too, of the instruments shown."""


_Keep: TypeAlias = Mapping[str, Callable[[pd.DataFrame], pd.Series]]


class Tables(dict[str, pd.DataFrame]):
    """Results tables by name, each read when first asked for, empty when its file is not there.

    `keep`: table -> which of its rows are read (rows -> booleans), all of the other tables.
    """

    def __init__(
        self, folder: str | Path, keep: _Keep = MappingProxyType({}),
        known: Mapping[str, pd.DataFrame] = MappingProxyType({}),
    ):  # fmt: skip
        super().__init__(known)
        self.folder, self.keep = Path(folder), keep
        self._places: dict[str, Mapping[str, Ints]] = {}

    def __missing__(self, name: str) -> pd.DataFrame:
        path = self.folder / f"{name}.tsv"
        if name in self.keep:
            self[name] = read_rows(path, name, self.keep[name])
        else:
            self[name] = read_table(path, name) if path.exists() else empty_table(name)
        return self[name]

    def __or__(self, others: Mapping[str, pd.DataFrame]) -> "Tables":  # type: ignore[override]  # of tables only
        return Tables(self.folder, self.keep, {**self, **others})

    def of(self, name: str, instrument: str) -> pd.DataFrame:
        """The rows of a table of one instrument."""
        if name not in self._places:
            self._places[name] = cast(Mapping[str, Ints], self[name].groupby("instrument").indices)
        return self[name].iloc[self._places[name].get(instrument, [])]

    def whole(self, name: str) -> Iterator[pd.DataFrame]:
        """All rows of a table, a part at a time."""
        return read_table_parts(self.folder / f"{name}.tsv", name)


@dataclass(frozen=True)
class Results:
    """`states`: state compared per instrument. `order`: all instruments of the sheet: kind after kind as in the sheet,
    the ones that were never ranked last; of a kind larger comparability groups before smaller ones, best first, by mean
    median rank over the priority sets. Of pairs, rank_probabilities and note_profiles `tables` has what is shown."""

    study: Study
    tables: Tables
    states: dict[str, str]
    order: list[str]

    @property
    def shown(self) -> list[str]:
        """The instruments that figures draw and the report writes out: all, or as many as the config allows; then the
        first of every kind in turn. In the order of `order`."""
        return _first_of_every_kind(self.study, self.order)

    def compared(self, table: str) -> pd.DataFrame:
        """Rows of a table in each instrument's compared state."""
        return in_state(self.tables[table], self.states)

    def of(self, table: str, instrument: str) -> pd.DataFrame:
        """Rows of a table of one instrument."""
        return self.tables.of(table, instrument)

    def status(self, instrument: str) -> list[Row]:
        """Rows of the table `status` of one instrument, the current state last; empty texts for empty cells."""
        return sorted(map(dict, self._statuses.get(instrument, ())), key=lambda row: row["current"])

    @cached_property
    def _statuses(self) -> dict[str, list[Row]]:
        """Instrument -> its rows of the table `status`."""
        texts = {column: "" for column in ("good", "against", "open", "character")}
        rows: dict[str, list[Row]] = {}
        for row in self.tables["status"].fillna(texts).to_dict("records"):
            rows.setdefault(row["instrument"], []).append(cast(Row, row))
        return rows

    @cached_property
    def now(self) -> dict[str, Row]:
        """Instrument -> its current row as `status` gives it; in the order of `order`."""
        return {name: row for name in self.order for row in self.status(name) if row["current"] == "yes"}

    @cached_property
    def flattered(self) -> set[tuple[str, str]]:
        """(instrument, criterion) whose value a finding in the state compared flatters."""
        flatters = flattered_values(self.compared("findings"))
        return {(name, criterion) for (name, _), criteria in flatters.items() for criterion in criteria}

    def label(self, instrument: str) -> str:
        """The instrument's label from the sheet."""
        label: str = self.study.instruments[instrument]["label"]
        return label

    def kinds(self, instruments: list[str]) -> dict[str, list[str]]:
        """The instruments of each kind (name of the family), in the order given: kinds are never mixed in a ranking."""
        kinds: dict[str, list[str]] = {}
        for name in instruments:
            kinds.setdefault(self.study.families[self.study.instruments[name]["family"]].name, []).append(name)
        return kinds

    def tolerance_cents(self, instrument: str) -> float:
        """How far a note of this instrument may lie from the instrument's own offset, from the config, cents."""
        cents: float = tolerance(self.study.config, self.study.instruments[instrument])["note_cents"]
        return cents


def rows_of(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows as named tuples; their cells have the columns' types, which no type checker can know."""
    return frame.itertuples(index=False)


def read_results(study: Study, folder: str | Path) -> Results:
    """`results/tables` of a study that `load_study` gave."""
    small = Tables(folder)
    states = compared_states(small["instruments"], study.config["states"], study.config["compare_state"])
    order = _order(study, small["ranking"], small["instruments"])
    shown, base = set(_first_of_every_kind(study, order)), study.config["base_dynamic"]
    keep = {
        "pairs": lambda rows: rows["instrument_a"].isin(shown) & rows["instrument_b"].isin(shown),
        "rank_probabilities": lambda rows: rows["instrument"].isin(shown),
        "harmonic_profiles": lambda rows: rows["instrument"].isin(shown),
        "note_profiles": lambda rows: rows["measure"].isin(CURVES) & (
            (rows["dynamic"] == base) | (rows["measure"].isin(BY_DYNAMIC) & rows["instrument"].isin(shown))
        ),
    }  # fmt: skip
    return Results(study, Tables(folder, keep, small), states, order)


def _order(study: Study, ranking: pd.DataFrame, values: pd.DataFrame) -> list[str]:
    rank = ranking.groupby("instrument")["rank_median"].mean()
    group = values.groupby("instrument")["group"].first()
    size = group.map(group.value_counts()).astype(float).fillna(0)
    kinds = list(dict.fromkeys(row["family"] for row in study.instruments.values()))

    def place(name: str) -> tuple[bool, int, float, float]:
        kind = kinds.index(study.instruments[name]["family"])
        return name not in rank, kind, -size.get(name, 0), rank.get(name, 0)

    return sorted(study.instruments, key=place)


def _first_of_every_kind(study: Study, order: list[str]) -> list[str]:
    most = study.config["report"]["max_instruments_in_figures"]
    turn: dict[str, int] = {}
    seen: dict[str, int] = {}
    for name in order:
        family = study.instruments[name]["family"]
        turn[name] = seen[family] = seen.get(family, 0) + 1
    first = set(sorted(order, key=turn.__getitem__)[:most])
    return [name for name in order if name in first]
