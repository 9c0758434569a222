"""What a paper needs: tidy exports with a data dictionary, a methods text of the actual settings, a citation file.

Exports are CSV, UTF-8, a header, a point in numbers, empty cells for what is missing: they open in R, Python or a
spreadsheet without this program. A text that a spreadsheet would take for a formula has an apostrophe put in front.
"""

import csv
import importlib.metadata
import io
import platform
from collections.abc import Mapping
from typing import Any

import pandas as pd

import evenbore
from evenbore.compare.factors import AUTO, PERMUTATIONS
from evenbore.compare.verdict import ALPHA
from evenbore.facts.columns import TABLES, Column
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.words import plain
from evenbore.statistics.student import CONFIDENCE
from evenbore.study.sheets import Study

TITLE = "evenbore: compare wind instruments fairly, from recordings of scales"
FORMULA = ("=", "+", "-", "@", "\t", "\r")
INSTRUMENT_COLUMNS = ("family", "maker", "model", "body_material", "bore_mm", "shipment")
EXPORTED_TAKE_COLUMNS = ("player", "mouthpiece", "reed")
EXPORTED_NOTE_COLUMNS = ("recording", "instrument", "state", "session", "take", "dynamic", "articulation", "direction",
                "midi", "written_note", "cents", "level_dbfs", "brightness_db", "hnr_db", "attack_ms")  # fmt: skip
TAKE_MEANING = {
    "value": ("see unit", "value of the criterion in this take, what the session adds included"),
    "session_offset": ("see unit", "what the session adds to every instrument, where shared instruments show it"),
    "unit": ("", "unit of value and session_offset"),
}
CITED_PACKAGES = ("numpy", "scipy", "statsmodels", "pandas", "scikit-learn", "snakemake")


def exports(
    study: Study, takes: pd.DataFrame, notes: pd.DataFrame, tables: Mapping[str, pd.DataFrame]
) -> dict[str, str]:
    """File name -> CSV text of all exports and of the dictionary that explains them.

    `takes`: as from `assess`; `notes`: as from `normalise`; `tables`: results tables instruments, factors, variance,
    tone_factors.
    """
    units = {criterion.name: criterion.unit for criterion in CRITERIA.values()}
    own_takes = takes.assign(value=takes["value"] + takes["session_offset"], unit=takes["criterion"].map(units))
    frames = {
        "takes.csv": _with_sheets(own_takes, study),
        "notes.csv": _with_sheets(notes[[c for c in EXPORTED_NOTE_COLUMNS if c in notes]], study),
        "instruments.csv": _with_sheets(tables["instruments"], study),
        "factors.csv": tables["factors"],
        "variance.csv": tables["variance"],
        "tone_factors.csv": tables["tone_factors"],
    }
    texts = {name: as_csv(frame) for name, frame in frames.items()}
    return texts | {"data_dictionary.csv": as_csv(dictionary(frames))}


def _with_sheets(frame: pd.DataFrame, study: Study) -> pd.DataFrame:
    """The frame with what the sheets say of the instrument and, where a recording stands in the rows, of the take."""
    own_columns = sorted({column for row in study.instruments.values() for column in row if column.startswith("x_")})
    added: dict[str, list[Any]] = {column: [study.instruments[name].get(column) for name in frame["instrument"]]
                                   for column in (*INSTRUMENT_COLUMNS, *own_columns)}  # fmt: skip
    if "recording" in frame:
        rows = {row["recording"]: row for row in study.recordings}
        added |= {column: [rows[name].get(column) for name in frame["recording"]] for column in EXPORTED_TAKE_COLUMNS}
    return frame.assign(**{column: values for column, values in added.items() if column not in frame})


def as_csv(frame: pd.DataFrame) -> str:
    """The frame as CSV; six significant digits, texts kept from being formulas."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(frame.columns)
    numeric = [pd.api.types.is_numeric_dtype(frame[column]) for column in frame]
    for row in frame.itertuples(index=False, name=None):
        writer.writerow([_cell(value, number) for value, number in zip(row, numeric, strict=True)])
    return out.getvalue()


def _cell(value: Any, number: bool) -> str:
    if value is None or pd.isna(value):
        return ""
    if number or isinstance(value, int | float):
        return f"{value:.6g}"
    text = str(value)
    return f"'{text}" if text.startswith(FORMULA) else text


def dictionary(frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """What every column of every export means: file, column, unit, type, meaning, source."""
    known = {column.name: column for table in ("recordings", "notes") for column in TABLES[table]}
    schema = _sheet_meanings()
    rows = []
    for file, frame in frames.items():
        described = {column.name: column for column in TABLES.get(file.removesuffix(".csv"), ())}
        for name in frame.columns:
            column = described.get(name) or known.get(name) or _explained(name, schema)
            kind = "number" if pd.api.types.is_numeric_dtype(frame[name]) else "text"
            rows.append((file, name, column.unit, kind, column.meaning, column.source))
    return pd.DataFrame(rows, columns=["file", "column", "unit", "type", "meaning", "source"])


def _explained(name: str, schema: Mapping[str, str]) -> Column:
    unit, meaning = TAKE_MEANING.get(name, ("mm" if name.endswith("_mm") else "", schema.get(name, "")))
    if name == "criterion":
        meaning = "; ".join(f"{c.name}: {c.meaning}" for c in CRITERIA.values())
    return Column(name, unit, "str", meaning or "column of the study's own sheet")


def _sheet_meanings() -> dict[str, str]:
    from evenbore.study.config import load_schema

    return {
        name: spec["description"].rstrip(".")
        for sheet in ("instruments", "recordings")
        for name, spec in load_schema(sheet)["properties"].items()
    }


def methods_text(study: Study, tables: Mapping[str, pd.DataFrame]) -> str:
    """A methods section for a paper, Markdown, from the study's settings and what was found usable.

    `tables`: recordings, criteria, instruments and factors.
    """
    config, recordings, factors = study.config, tables["recordings"], tables["factors"]
    used = recordings[recordings["status"] != "set_aside"]
    judged = set(tables["instruments"].dropna(subset="value")["criterion"])
    criteria: list[Any] = [c for c in tables["criteria"].itertuples(index=False) if c.criterion in judged]
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in CITED_PACKAGES)
    families = sorted({study.families[row["family"]].name for row in study.instruments.values()})
    tuned = sorted({f"{row['tuning_hz']:g} Hz" for row in study.sessions.values()})
    parts = [
        "# Methods",
        f"{len(study.instruments)} instruments ({', '.join(families)}) were recorded in {len(study.sessions)} session"
        f"{'s' * (len(study.sessions) != 1)}, tuned to A4 = {', '.join(tuned)}. Of {len(recordings)} recordings,"
        f" {len(used)} could be used ({_counted(used['dynamic'], 'dynamic')}; {_counted(used['articulation'], '')})."
        f" Instruments were compared at {config['base_dynamic']}.",
        f"Recordings were analysed with evenbore {evenbore.__version__} (Python {platform.python_version()},"
        f" {versions}). Every note was found in the recording and measured over its steady part. The response of each"
        " set-up (room, microphone, gain) was estimated from instruments recorded in several sessions and removed;"
        " sessions that no instrument links were not compared in level or tone.",
        "## Criteria",
        "\n".join(
            f"- **{plain(c.criterion)}** ({c.unit}): {c.meaning}."
            + (f" Just-noticeable difference: {c.just_noticeable:g} {c.unit}." if pd.notna(c.just_noticeable) else "")
            + (f" {c.source[0].upper()}{c.source[1:]}." if pd.notna(c.source) and c.source else "")
            for c in criteria
        ),
        "## Statistics",
        f"The take was the unit of uncertainty of an instrument's value; intervals are {CONFIDENCE:.0%}. Repeatability"
        " was pooled over the study (ISO 5725-2:1994).",
    ]
    if not factors.empty:
        parts.append(_factor_methods(config["factors"], factors))
    parts += [
        f"Random draws began at seed {config['seed']}.",
        "## To cite the software",
        f"{TITLE}, version {evenbore.__version__} (see CITATION.cff).",
        "## References",
        "\n".join(f"- {reference}" for reference in REFERENCES),
    ]
    return "\n\n".join(parts) + "\n"


def _factor_methods(setting: str | list[str], factors: pd.DataFrame) -> str:
    names = ", ".join(plain(name.removeprefix("x_")) for name in dict.fromkeys(factors["factor"]))
    together = " fitted together," if setting != AUTO and factors["factor"].nunique() > 1 else ""
    methods = " and ".join(sorted(factors["method"].dropna().unique())) or "no model: nothing could be tested"
    reasons = sorted({reason for reason in factors["reason"].dropna() if "confounded" in reason})
    text = (
        f"The effect of {names} was tested,{together} with the instrument, not the note or the take, as the unit of"
        " replication: a linear mixed model with random instrument, session, player and take, fitted by REML"
        " (likelihood of statsmodels, maximised with SciPy), with"
        " Satterthwaite's degrees of freedom held to those that the instruments give; where the design was balanced,"
        f" the equivalent linear model of instrument means (used here: {methods}). A permutation test"
        f" ({PERMUTATIONS} draws) that exchanged instruments within the same sessions and players served as a second"
        " opinion. p was adjusted over all criteria of a factor (Benjamini & Hochberg); the level was"
        f" {ALPHA:g}. An effect was called inaudible where its {CONFIDENCE:.0%} interval lay within ± the"
        " just-noticeable difference set beforehand (two one-sided tests)."
    )
    return text + "".join(f"\n\nLimitation: {reason}." for reason in reasons)


def _counted(column: pd.Series, word: str) -> str:
    counts = column.value_counts()
    return ", ".join(f"{n} {word} {value}".replace("  ", " ") for value, n in counts.items())


REFERENCES = (
    "Benjamini Y, Hochberg Y (1995). Controlling the false discovery rate. J. R. Stat. Soc. B 57, 289-300.",
    "Freedman D, Lane D (1983). A nonstochastic interpretation of reported significance levels. J. Bus. Econ. Stat. 1,"
    " 292-298.",
    "ISO 5725-2:1994. Accuracy (trueness and precision) of measurement methods and results, part 2.",
    "Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes are unequal. Biometrika 58,"
    " 545-554.",
    "Phipson B, Smyth GK (2010). Permutation p-values should never be zero. Stat. Appl. Genet. Mol. Biol. 9, 39.",
    "Satterthwaite FE (1946). An approximate distribution of estimates of variance components. Biometrics Bull. 2,"
    " 110-114.",
    "Schuirmann DJ (1987). A comparison of the two one-sided tests procedure and the power approach. J. Pharmacokinet."
    " Biopharm. 15, 657-680.",
)
"""From memory; check before printing."""


def citation() -> str:
    """The citation file, in the Citation File Format 1.2.0."""
    return (
        "cff-version: 1.2.0\n"
        "message: If you use this software in research, please cite it as below.\n"
        f'title: "{TITLE}"\n'
        "type: software\n"
        "authors:\n"
        "  - name: evenbore contributors\n"
        f"version: {evenbore.__version__}\n"
        "license: MIT\n"
    )
