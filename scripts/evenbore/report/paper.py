"""What a paper needs: tidy exports with a data dictionary, a methods text of the actual settings, a citation file.

Exports are CSV, UTF-8, a header, a point in numbers, empty cells for what is missing: they open in R, Python or a
spreadsheet without this program. A text that a spreadsheet would take for a formula has an apostrophe put in front.
"""

import csv
import importlib.metadata
import io
import platform
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

import evenbore
from evenbore.compare.factors import AUTO, PERMUTATIONS
from evenbore.compare.rank import SATURATION, WEIGHT_CONCENTRATION
from evenbore.compare.verdict import ALPHA
from evenbore.facts.columns import TABLES, Column
from evenbore.facts.criteria import CRITERIA, GATES
from evenbore.facts.words import plain
from evenbore.files.tables import read_parquet, write_text
from evenbore.report.results import Results
from evenbore.report.words import sentence
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
    "scatter_ratio": (
        "",
        "how many times the usual variance the instrument's takes scatter, all criteria together; 1 at least",
    ),
}
CITED_PACKAGES = ("numpy", "scipy", "pandas", "scikit-learn", "snakemake")


def write_paper(
    results: Results, path_to_takes: str | Path, path_to_notes_normalised: str | Path, folder: str | Path
) -> None:
    """Write tidy exports, data dictionary, methods text and citation file."""
    takes = read_parquet(path_to_takes)
    notes = read_parquet(path_to_notes_normalised, list(EXPORTED_NOTE_COLUMNS))
    files = exports(results.study, takes, notes, results.tables)
    files |= {"methods.md": methods_text(results.study, results.tables), "CITATION.cff": citation()}
    for name, text in files.items():
        write_text(text, Path(folder) / name)


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

    `tables`: recordings, criteria, instruments, factors and tone_factors. What a text cites is listed, nothing else.
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
            # what the registry says of how a source was read is left out
            + (
                f" {sentence(c.source)}.".replace(", quoted from memory", "").replace(", abstract read", "")
                if pd.notna(c.source) and c.source
                else ""
            )
            for c in criteria
        ),
        "## Statistics",
        f"The take was the unit of uncertainty of an instrument's value; intervals are {CONFIDENCE:.0%}, by Student's t"
        " over what is known of the scatter of instruments' own days. Repeatability was pooled over the study (ISO"
        " 5725-2:1994) and each instrument's own variance drawn to the pooled one (Smyth 2004), or to more where its"
        " takes scattered more in all criteria together.",
        _pair_methods(),
        _ranking_methods(config),
    ]
    if not factors.empty:
        parts.append(_factor_methods(config["factors"], factors))
    if tables["tone_factors"]["estimate"].notna().any():
        parts.append(_tone_methods())
    parts += [
        f"Random draws began at seed {config['seed']}.",
        "## To cite the software",
        f"{TITLE}, version {evenbore.__version__} (see CITATION.cff).",
    ]
    text = "\n\n".join(parts)
    cited = [reference for key, reference in REFERENCES.items() if key in text]
    return "\n\n".join([text, "## References", "\n".join(f"- {reference}" for reference in cited)]) + "\n"


def _pair_methods() -> str:
    return (
        "Every two instruments of one kind were compared by every criterion that both have, within linked sessions"
        f" where it depends on the set-up. They were called equal to the ear where the {CONFIDENCE:.0%} interval of"
        " their difference lay within ± the just-noticeable difference set beforehand (two one-sided tests: Schuirmann"
        f" 1987), else different where the adjusted p was at most {ALPHA:g}, else undecided. p was adjusted over the"
        " pairs of a criterion for the false discovery rate (Benjamini & Hochberg 1995) and multiplied by the number of"
        " criteria over the number of those in which something was found (Benjamini & Bogomolov 2014)."
    )


def _ranking_methods(config: Mapping[str, Any]) -> str:
    sets = "; ".join(
        f"{plain(name)}"
        f" ({', '.join(f'{plain(criterion)} {weight:g}' for criterion, weight in weights.items() if weight)})"
        for name, weights in config["priorities"].items()
    )
    gates = ", ".join(
        f"{GATES[gate].words[0].lower()}{GATES[gate].words[1:]} {limit:g} {GATES[gate].unit}".rstrip()
        for gate, limit in config["gates"].items()
        if limit is not None
    )
    taste = any(weight < 0 for weights in config["priorities"].values() for weight in weights.values())
    return (
        f"Instruments were ranked by stochastic multicriteria acceptability analysis (Lahdelma & Salminen 2001) in"
        f" {config['draws']} draws: of the true values from a normal hierarchical model, the spread between instruments"
        " drawn too (Gelman et al. 2013), of the weights from a Dirichlet distribution of concentration"
        f" {WEIGHT_CONCENTRATION:g} around the given ones. Of x just-noticeable steps from the study's median the"
        f" utility is {SATURATION:g} tanh(x / {SATURATION:g}); a missing value was drawn from the worse half of the"
        f" spread. Weights: {sets}.{' Below zero, less is better.' * taste} Instruments that failed a must-pass"
        f"{f' ({gates})' if gates else ''} ranked behind all others."
    )


def _tone_methods() -> str:
    return (
        "The tone was tested harmonic by harmonic at equal pitch and loudness: the instruments' mean curves of harmonic"
        " levels, from their own mean over the harmonics, in a linear model beside the blocks of instruments recorded"
        f" in the same sessions by the same players. Bands hold all harmonics at once ({CONFIDENCE:.0%}, by the largest"
        " |t|: Westfall & Young 1993); p of a curve is that of its sum of t², adjusted over the contrasts (Benjamini &"
        f" Hochberg 1995); both come from {PERMUTATIONS + 1} exchanges of whole residual curves within blocks (ter"
        " Braak 1992)."
    )


def _factor_methods(setting: str | list[str], factors: pd.DataFrame) -> str:
    names = ", ".join(plain(name.removeprefix("x_")) for name in dict.fromkeys(factors["factor"]))
    together = " fitted together," if setting != AUTO and factors["factor"].nunique() > 1 else ""
    methods = " and ".join(sorted(factors["method"].dropna().unique())) or "no model: nothing could be tested"
    reasons = sorted({reason for reason in factors["reason"].dropna() if "confounded" in reason})
    text = (
        f"The effect of {names} was tested,{together} with the instrument, not the note or the take, as the unit of"
        " replication: a linear mixed model with random instrument, session, player and take, fitted by REML (Patterson"
        " & Thompson 1971; maximised with SciPy), with degrees of freedom after Satterthwaite"
        " 1946 held to those that the instruments give; where the design was balanced,"
        f" the equivalent linear model of instrument means (used here: {methods}). A permutation test"
        f" ({PERMUTATIONS} draws; Phipson & Smyth 2010) that exchanged instruments within the same sessions and players"
        " served as a second opinion. p was adjusted over all criteria of a factor (Benjamini & Hochberg 1995);"
        f" the level was {ALPHA:g}. An effect was called inaudible where its {CONFIDENCE:.0%} interval lay within ± the"
        " just-noticeable difference set beforehand (two one-sided tests: Schuirmann 1987)."
    )
    return text + "".join(f"\n\nLimitation: {reason}." for reason in reasons)


def _counted(column: pd.Series, word: str) -> str:
    counts = column.value_counts()
    return ", ".join(f"{n} {word} {value}".replace("  ", " ") for value, n in counts.items())


REFERENCES = {
    "Allen & Oxenham 2014": "Allen EJ, Oxenham AJ (2014). Symmetric interactions and interference between pitch and"
    " timbre. J. Acoust. Soc. Am. 135, 1371-1379.",
    "Almeida et al. 2017": "Almeida A, Schubert E, Smith J, Wolfe J (2017). Brightness scaling of periodic"
    " tones. Atten. Percept. Psychophys. 79, 1892-1896.",
    "Barthet et al. 2010": "Barthet M, Depalle P, Kronland-Martinet R, Ystad S (2010). Acoustical correlates of timbre"
    " and expressiveness in clarinet performance. Music Percept. 28, 135.",
    "Benjamini & Bogomolov 2014": "Benjamini Y, Bogomolov M (2014). Selective inference on multiple families of"
    " hypotheses. J. R. Stat. Soc. B 76, 297-318.",
    "Benjamini & Hochberg 1995": "Benjamini Y, Hochberg Y (1995). Controlling the false discovery rate. J. R."
    " Stat. Soc. B 57, 289-300.",
    "Caclin et al. 2005": "Caclin A, McAdams S, Smith BK, Winsberg S (2005). Acoustic correlates of timbre space"
    " dimensions: a confirmatory study using synthetic tones. J. Acoust. Soc. Am. 118, 471-482.",
    "Cleveland 1979": "Cleveland WS (1979). Robust locally weighted regression and smoothing scatterplots. J. Am. Stat."
    " Assoc. 74, 829-836.",
    "Gelman et al. 2013": "Gelman A, Carlin JB, Stern HS, Dunson DB, Vehtari A, Rubin DB (2013). Bayesian Data"
    " Analysis, 3rd ed. Chapman & Hall/CRC.",
    "ISO 5725-2:1994": "ISO 5725-2:1994. Accuracy (trueness and precision) of measurement methods and results, part 2.",
    "Jesteadt, Wier & Green 1977": "Jesteadt W, Wier CC, Green DM (1977). Intensity discrimination as a function of"
    " frequency and sensation level. J. Acoust. Soc. Am. 61, 169-177.",
    "Kreiman & Gerratt 2010": "Kreiman J, Gerratt BR (2010). Perceptual sensitivity to first harmonic amplitude in the"
    " voice source. J. Acoust. Soc. Am. 128, 2085-2089.",
    "Lahdelma & Salminen 2001": "Lahdelma R, Salminen P (2001). SMAA-2: stochastic multicriteria acceptability"
    " analysis for group decision making. Oper. Res. 49, 444-454.",
    "Patterson & Thompson 1971": "Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes"
    " are unequal. Biometrika 58, 545-554.",
    "Peeters et al. 2011": "Peeters G, Giordano BL, Susini P, Misdariis N, McAdams S (2011). The Timbre Toolbox:"
    " extracting audio descriptors from musical signals. J. Acoust. Soc. Am. 130, 2902-2916.",
    "Phipson & Smyth 2010": "Phipson B, Smyth GK (2010). Permutation p-values should never be zero. Stat. Appl. Genet."
    " Mol. Biol. 9, 39.",
    "Pollard & Jansson 1982": "Pollard HF, Jansson EV (1982). A tristimulus method for the specification of musical"
    " timbre. Acustica 51, 162-171.",
    "Satterthwaite 1946": "Satterthwaite FE (1946). An approximate distribution of estimates of variance components."
    " Biometrics Bull. 2, 110-114.",
    "Schuirmann 1987": "Schuirmann DJ (1987). A comparison of the two one-sided tests procedure and the power"
    " approach. J. Pharmacokinet. Biopharm. 15, 657-680.",
    "Smyth 2004": "Smyth GK (2004). Linear models and empirical Bayes methods for assessing differential expression in"
    " microarray experiments. Stat. Appl. Genet. Mol. Biol. 3, 3.",
    "ter Braak 1992": "ter Braak CJF (1992). Permutation versus bootstrap significance tests in multiple regression and"
    " ANOVA. In: Bootstrapping and Related Techniques, 79-85. Springer.",
    "Westfall & Young 1993": "Westfall PH, Young SS (1993). Resampling-Based Multiple Testing. Wiley.",
}
"""As the text cites them -> in full. From memory; check before printing."""


def citation() -> str:
    """The citation file, in the Citation File Format 1.2.0."""
    return (
        "cff-version: 1.2.0\nmessage: If you use this software in research, please cite it as below.\n"
        f'title: "{TITLE}"\n'
        f"type: software\nauthors:\n  - name: evenbore contributors\nversion: {evenbore.__version__}\nlicense: MIT\n"
    )
