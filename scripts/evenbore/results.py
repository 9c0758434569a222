"""The results of a study as figures and report read them: all tables, the sheets, and the order of instruments."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from evenbore.columns import TABLES, names
from evenbore.compare import compared_states, in_state
from evenbore.sheets import Study
from evenbore.tables import conform, read_table
from evenbore.tolerances import tolerance

# The Parquet-only tables are too long for a report.
READ = tuple(table for table in TABLES if table not in ("harmonics", "bands"))


@dataclass(frozen=True)
class Results:
    """`tables`: name -> frame, empty when the file is not there. `states`: state compared per instrument.
    `order`: all instruments of the sheet: kind after kind as in the sheet, the ones that were never ranked last; of a
    kind larger comparability groups before smaller ones, best first, by mean median rank over the priority sets."""

    study: Study
    tables: dict[str, pd.DataFrame]
    states: dict[str, str]
    order: list[str]

    def compared(self, table: str) -> pd.DataFrame:
        """Rows of a table in each instrument's compared state."""
        return in_state(self.tables[table], self.states)

    def label(self, instrument: str) -> str:
        """The instrument's label from the sheet."""
        return self.study.instruments[instrument]["label"]

    def kinds(self, instruments: list[str]) -> dict[str, list[str]]:
        """The instruments of each kind (name of the family), in the order given: kinds are never mixed in a ranking."""
        kinds: dict[str, list[str]] = {}
        for name in instruments:
            kinds.setdefault(self.study.families[self.study.instruments[name]["family"]].name, []).append(name)
        return kinds

    def tolerance_cents(self, instrument: str) -> float:
        """How far a note of this instrument may lie from the instrument's own offset, from the config, cents."""
        return tolerance(self.study.config, self.study.instruments[instrument])["note_cents"]


def read_results(study: Study, folder: str | Path) -> Results:
    """Read `results/tables` of a study that `load_study` gave."""
    tables = {name: _read(Path(folder) / f"{name}.tsv", name) for name in READ}
    states = compared_states(tables["instruments"], study.config["states"], study.config["compare_state"])
    rank = tables["ranking"].groupby("instrument")["rank_median"].mean()
    group = tables["instruments"].groupby("instrument")["group"].first()
    size = group.map(group.value_counts()).astype(float).fillna(0)
    kinds = list(dict.fromkeys(row["family"] for row in study.instruments.values()))

    def place(name: str) -> tuple:
        kind = kinds.index(study.instruments[name]["family"])
        return name not in rank, kind, -size.get(name, 0), rank.get(name, 0)

    order = sorted(study.instruments, key=place)
    return Results(study, tables, states, order)


def plain(name: str) -> str:
    """A key as words: `worst_note_cents` -> worst note."""
    return name.replace("_", " ").removesuffix(" cents")


def _read(path: Path, table: str) -> pd.DataFrame:
    return read_table(path, table) if path.exists() else conform(pd.DataFrame(columns=names(table)), table)
