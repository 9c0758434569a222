"""Does a property of the instruments (material, bore ...) go with a criterion? Tests with the instrument as the unit.

Conventions
- A factor is a column of the instruments sheet: levels (texts, without regard to case), or a number (bore_mm, and own
  columns of three or more different numbers), whose effect is taken over its span in the study, lowest to highest.
- The unit of replication is the instrument, whatever the number of notes and takes: a level with one instrument is not
  compared, for nobody could tell the material from that one instrument.
- Model of the take values: factor(s) + manner of playing + group of linked sessions (fixed), instrument + session +
  player + take (random). Where every instrument was taken equally often in the same sessions, by the same players, in
  the same manners, everything but the instrument cancels, and a linear model of the instruments' means is the exact
  test of the mixed model (Searle, Casella & McCulloch 1992, Variance Components, ch. 4, from memory). Elsewhere the
  mixed model is fitted by REML (`mixed`), its Satterthwaite degrees of freedom held to those the instruments give.
- Several listed factors are fitted together, each beside the others; those that the data cannot tell apart, alone.
- Second opinion: a permutation test that exchanges instruments recorded in the same sessions by the same players.
- p is adjusted over all criteria (and pairs of levels) of a factor.
- Nothing is tested between sessions that no instrument links, nor between kinds of instruments (families).

References: Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289; Freedman & Lane 1983, J. Bus. Econ. Stat. 1, 292
(permuting residuals); Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9, 39 ((b + 1) / (m + 1)); Schuirmann 1987,
J. Pharmacokinet. Biopharm. 15, 657 (equivalence by the 90 % interval). From memory.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeAlias

import numpy as np
import pandas as pd
from scipy import special

from evenbore.compare.multiplicity import adjusted, detectable, first_threshold
from evenbore.compare.pairs import in_state, of_criterion
from evenbore.compare.tangles import SHEET_COLUMNS, TAKE_COLUMNS, tangles, words
from evenbore.compare.verdict import verdicts
from evenbore.facts.arrays import Bools, Floats, Ints
from evenbore.facts.columns import names
from evenbore.facts.criteria import EXACT
from evenbore.facts.rows import Row
from evenbore.facts.words import joined
from evenbore.setups.comparability import session_groups
from evenbore.statistics import mixed
from evenbore.statistics.student import CONFIDENCE

AUTO = "auto"
NUMBERS = ("bore_mm",)
PERMUTATIONS = 4999
LEAST_INSTRUMENTS = 2  # of each level
MEANS, MIXED = "instrument means", "mixed model"
STRATUM = ["session", "player", "direction", "articulation"]
ONE_EACH = "a level with a single instrument proves nothing: record at least two instruments of each"
NOT_APART = (
    "not to be told from what the session or the player adds: record both levels with the same players, and link"
)
TOO_FEW = "too few instruments for an interval"
NO_VALUES = "no take has a value"
SAME_VALUE = "every take has the same value: its scatter is not known"


Contrast: TypeAlias = tuple[str, Floats, set[str]]  # words, weights of `Factor.columns`, the instruments concerned


@dataclass(frozen=True)
class Factor:
    """One factor: `levels` instrument -> level, `numbers` instrument -> number (empty for levels)."""

    name: str
    levels: dict[str, str]
    numbers: dict[str, float]

    def columns(self, instruments: Sequence[str]) -> Floats:
        """Design columns (n, q) of instruments: 0 to 1 over the span of a number, else one per level but the first.

        Instruments without a value form a level of their own, so that they can go on linking sessions.
        """
        missing = np.array([[float(name not in self.levels)] for name in instruments])
        if self.numbers:
            low, high = min(self.numbers.values()), max(self.numbers.values())
            span = [[(self.numbers.get(name, low) - low) / (high - low)] for name in instruments]
            return np.column_stack([span, missing])
        indicators = [[float(self.levels.get(name) == level) for level in self.ordered[1:]] for name in instruments]
        return np.column_stack([np.array(indicators).reshape(len(instruments), -1), missing])

    @property
    def ordered(self) -> list[str]:
        """Levels in order."""
        return sorted(set(self.levels.values()), key=str.casefold)

    def contrasts(self) -> list[Contrast]:
        """What is tested."""
        if self.numbers:
            low, high = min(self.numbers.values()), max(self.numbers.values())
            return [(f"{high:g} - {low:g}", np.array([1.0, 0.0]), set(self.numbers))]
        pairs, unit = [], np.eye(len(self.ordered))[:, 1:]  # the first level is the intercept
        for (i, a), (j, b) in combinations(enumerate(self.ordered), 2):
            members = {name for name, level in self.levels.items() if level in (a, b)}
            if all(self.size(level) >= LEAST_INSTRUMENTS for level in (a, b)):
                pairs.append((f"{a} - {b}", np.append(unit[i] - unit[j], 0.0), members))
        return pairs

    def size(self, level: str) -> int:
        """Number of instruments of a level."""
        return list(self.levels.values()).count(level)


def factor_of(column: str, sheet: Mapping[str, Row], instruments: Sequence[str]) -> Factor:
    """The factor that a column of the instruments sheet makes of these instruments."""
    cells = {name: sheet[name].get(column) for name in instruments}
    cells = {name: value for name, value in cells.items() if value not in (None, "")}
    if column in NUMBERS or column.startswith("x_"):
        numbers = pd.to_numeric(pd.Series(cells, dtype=object), errors="coerce")
        if numbers.notna().all() and numbers.nunique() >= 3:
            values = {str(name): value for name, value in numbers.astype(float).items()}
            return Factor(column, {name: f"{value:g}" for name, value in values.items()}, values)
    spelling: dict[str, str] = {}
    for value in cells.values():
        spelling.setdefault(_folded(value), " ".join(str(value).split()))
    return Factor(column, {name: spelling[_folded(value)] for name, value in cells.items()}, {})


def _folded(value: object) -> str:
    return " ".join(str(value).split()).casefold()


def models(setting: str | list[str], sheet: Mapping[str, Row]) -> list[list[str]]:
    """Which columns are fitted together: the listed ones, or, with `auto`, material and own columns one by one.

    `auto` passes over columns that do not differ between instruments.
    """
    if setting != AUTO:
        return [list(setting)] if setting else []
    own_columns = sorted({column for row in sheet.values() for column in row if column.startswith("x_")})
    columns = ["body_material", *own_columns]
    return [[column] for column in columns if len(set(factor_of(column, sheet, list(sheet)).levels.values())) > 1]


def factors_table(
    takes: pd.DataFrame, criteria: pd.DataFrame, sheet: Mapping[str, Row], recordings: Mapping[str, Row],
    states: Mapping[str, str], setting: str | list[str], seed: int,
) -> pd.DataFrame:  # fmt: skip
    """The factors table of a study.

    `takes`: as from `assess`; `criteria`: the results table; `sheet`, `recordings`: rows of the sheets by id;
    `states`: state compared per instrument; `setting`: the config's `factors`.
    """
    played = played_takes(takes, recordings, states)
    rows = []
    for columns in models(setting, sheet):
        kinds = dict.fromkeys(sheet[name]["family"] for name in sheet if name in states)
        for family in kinds:
            members = [name for name in sheet if name in states and sheet[name]["family"] == family]
            factors = [factor_of(column, sheet, members) for column in columns]
            for factor in factors:
                others = [other for other in factors if other is not factor and other.columns(members).any()]
                rows += _adjusted(_rows(factor, others, family, played, criteria, sheet, seed))
    table = pd.DataFrame(rows, columns=names("factors"))
    return table.sort_values(["factor", "family"], kind="stable", ignore_index=True)


def played_takes(takes: pd.DataFrame, recordings: Mapping[str, Row], states: Mapping[str, str]) -> pd.DataFrame:
    """Takes in the compared states as they were played: what the session adds back in, and who played on what."""
    counted = in_state(takes, states)
    value = counted["value"] + counted["session_offset"]
    return counted.assign(value=value, **played_on(counted["recording"], recordings))


def played_on(names: Iterable[str], recordings: Mapping[str, Row]) -> dict[str, list[str]]:
    """Who played these recordings, and on what: the TAKE_COLUMNS but the session."""
    return {
        column: [str(recordings[name].get(column) or "") for name in names]
        for column in TAKE_COLUMNS
        if column != "session"
    }


def _rows(
    factor: Factor, others: Sequence[Factor], family: str, played: pd.DataFrame, criteria: pd.DataFrame,
    sheet: Mapping[str, Row], seed: int,
) -> list[Row]:  # fmt: skip
    """Rows of one factor and family, all criteria, without p_adjusted."""
    rows: list[Row] = []
    for criterion in criteria.itertuples(index=False):
        if criterion.criterion in EXACT:
            continue
        base = {"factor": factor.name, "family": family, "criterion": criterion.criterion, "unit": criterion.unit,
                "just_noticeable": criterion.just_noticeable}  # fmt: skip
        takes = of_criterion(played, str(criterion.criterion))
        takes = takes[np.array([sheet[name]["family"] == family for name in takes["instrument"]], bool)]
        present = set(takes["instrument"])
        heard = Factor(
            factor.name,
            {name: level for name, level in factor.levels.items() if name in present},
            {name: number for name, number in factor.numbers.items() if name in present},
        )
        if takes.empty or (heard.numbers and len(set(heard.numbers.values())) < 2):
            rows.append(base | {"reason": NO_VALUES})
            continue
        tangled = words(factor.name, tangles(heard.levels, _groups(factor.name, takes, sheet)))
        results: list[Row] = [{"n_instruments": len(heard.levels), "reason": ONE_EACH}]
        if contrasts := heard.contrasts():
            results = judge_factor(takes, heard, others, contrasts, np.random.default_rng([seed, len(rows)]))
        rows += [base | result | {"reason": joined(result.get("reason"), tangled)} for result in results]
    return rows


def _groups(factor: str, takes: pd.DataFrame, sheet: Mapping[str, Row]) -> dict[str, list[tuple[str, str]]]:
    """What else the instruments may share: column -> pairs of instrument and value."""
    own_columns = sorted({column for row in sheet.values() for column in row if column.startswith("x_")})
    groups = {
        column: [
            (name, _folded(sheet[name][column])) for name in takes["instrument"].unique() if sheet[name].get(column)
        ]
        for column in (*SHEET_COLUMNS, *own_columns)
        if column != factor
    }
    for column in TAKE_COLUMNS:
        groups[column] = list(takes[["instrument", column]].drop_duplicates().itertuples(index=False, name=None))
    return groups


def judge_factor(
    takes: pd.DataFrame, factor: Factor, others: Sequence[Factor], contrasts: Sequence[Contrast],
    rng: np.random.Generator,
) -> list[Row]:  # fmt: skip
    """Test one factor on the takes (value, instrument and STRATUM) of one criterion and family."""
    try:
        if np.ptp(takes["value"]) == 0:
            raise mixed.NoScatter(SAME_VALUE)
        fitted = _fit(takes, factor, list(others))
        if fitted is None and others:
            fitted = _fit(takes, factor, [])
    except mixed.NoScatter as why:
        return [{"contrast": text, "n_instruments": len(members), "reason": str(why)} for text, _, members in contrasts]
    beside = "" if fitted is None or fitted.beside or not others else "fitted without the other factors"
    strata = exchangeable_means(takes)
    results: list[Row] = []
    for text, weights, members in contrasts:
        result: Row = {"contrast": text, "n_instruments": len(members)}
        told = fitted.contrast(weights) if fitted else None
        if fitted is None or told is None:
            results.append(result | {"reason": NOT_APART if fitted is None or fitted.df > 0 else TOO_FEW})
            continue
        estimate, se, df = told
        reach = special.stdtrit(df, (1 + CONFIDENCE) / 2) * se
        p = 2 * special.stdtr(df, -abs(estimate) / se) if se > 0 else (1.0 if estimate == 0 else 0.0)
        results.append(result | {
            "estimate": estimate, "low": estimate - reach, "high": estimate + reach, "p": p, "se": se, "df": df,
            "p_permutation": permutation_p(strata, factor, weights, members, rng),
            "method": fitted.method, "reason": beside,
        })  # fmt: skip
    return results


@dataclass(frozen=True)
class _Fitted:
    """A fitted model (None: nothing is left to judge an error by): where the factor's columns stand in it, which of
    them are `kept`, degrees of freedom that the instruments give, and whether it stands `beside` others."""

    fit: mixed.Fit | None
    place: Ints
    kept: Bools
    df: float
    method: str
    beside: bool

    def contrast(self, weights: Floats) -> tuple[float, float, float] | None:
        """Estimate, standard error and degrees of freedom; None where they cannot be told."""
        if self.fit is None or weights[~self.kept].any():
            return None
        full = np.zeros(len(self.fit.b))
        full[self.place] = weights[self.kept]
        estimate, se, df = self.fit.contrast(full)
        return estimate, se, max(1.0, min(df, self.df))


def _counts(takes: pd.DataFrame) -> tuple[list[str], Floats, Floats]:
    """Instruments in order of appearance, takes (n, S) of each in every stratum, and sums of their values (n, S)."""
    row, units = pd.factorize(takes["instrument"])
    strata = zip(*(takes[column] for column in STRATUM), strict=True)
    known: dict[tuple[str, ...], int] = {}
    place = np.array([known.setdefault(stratum, len(known)) for stratum in strata])
    counts, sums = np.zeros((2, len(units), len(known)))
    np.add.at(counts, (row, place), 1)
    np.add.at(sums, (row, place), takes["value"].to_numpy(float))
    return list(units), counts, sums


def is_balanced(takes: pd.DataFrame) -> bool:
    """Whether every instrument was taken equally often in the same sessions, by the same players, in each manner."""
    _, counts, _ = _counts(takes)
    return bool((counts == counts[0]).all())


def _fit(takes: pd.DataFrame, factor: Factor, others: list[Factor]) -> _Fitted | None:
    """Fit factor beside others; None where others leave too little or cannot be told from it."""
    units = takes.drop_duplicates("instrument")["instrument"].tolist()
    wanted, beside = factor.columns(units), [other.columns(units) for other in others]
    group = session_groups(takes.drop_duplicates(["instrument", "session"]).assign(status="ok"))
    shared = takes.drop_duplicates("instrument")["session"].map(group)
    base = np.column_stack([np.ones(len(units)), mixed.indicators(shared), *beside])
    base = base[:, mixed.independent_columns(np.empty((len(units), 0)), base)]
    kept = mixed.independent_columns(base, wanted)
    df = float(len(units) - base.shape[1] - kept.sum())
    if not kept.any() or (others and (df < 3 or not kept[: max(1, len(kept) - 1)].all())):
        return None
    if df <= 0:
        return _Fitted(None, np.empty(0, int), kept, 0.0, "", bool(others))
    design, start = np.column_stack([base, wanted[:, kept]]), base.shape[1]
    if is_balanced(takes):
        means = takes.groupby("instrument", sort=False)["value"].mean().reindex(units).to_numpy()
        inverse = np.linalg.inv(design.T @ design)
        b = inverse @ (design.T @ means)
        variance = ((means - design @ b) ** 2).sum() / df
        fit = mixed.Fit(b, inverse * variance, {}, np.empty((0, 0)), np.empty((0, len(b), len(b))))
        return _Fitted(fit, np.arange(start, len(b)), kept, df, MEANS, bool(others))
    return _fit_takes(takes, units, design, start, kept, df, bool(others))


def _fit_takes(
    takes: pd.DataFrame, units: list[str], design: Floats, start: int, kept: Bools, df: float, beside: bool
) -> _Fitted | None:
    """The mixed model of the takes, with the instruments' design handed on to their takes; the factor's columns of it
    begin at `start`."""
    of_takes = design[pd.Index(units).get_indexer(pd.Index(takes["instrument"]))]
    blocks = [column for column in ("session", "player") if takes[column].nunique() > 1]
    manners = [mixed.indicators(takes[column]) for column in ("direction", "articulation")]
    # the factor must be tellable from session and player, whatever these add
    known = np.column_stack([of_takes[:, :start], *(mixed.indicators(takes[column]) for column in blocks), *manners])
    known = known[:, mixed.independent_columns(np.empty((len(takes), 0)), known)]
    apart = mixed.independent_columns(known, of_takes[:, start:])
    kept = kept.copy()
    kept[np.flatnonzero(kept)[~apart]] = False
    if not kept.any():
        return None
    full, manner = np.column_stack([of_takes[:, :start], of_takes[:, start:][:, apart]]), np.column_stack(manners)
    full = np.column_stack([full, manner[:, mixed.independent_columns(full, manner)]])
    if full.shape[1] >= len(takes):
        return _Fitted(None, np.empty(0, int), kept, 0.0, "", beside)
    groupings = {column: takes[column].to_numpy() for column in ("instrument", *blocks)}
    if len(takes) == len(units):  # one take of each: what the take adds cannot be told from the instrument
        groupings.pop("instrument")
    fit = mixed.fit(takes["value"].to_numpy(float), full, groupings)
    return _Fitted(fit, np.arange(start, start + apart.sum()), kept, df, MIXED, beside)


def exchangeable_means(takes: pd.DataFrame) -> pd.DataFrame:
    """Per instrument its mean (each stratum counting alike) and the `block` of instruments it may be exchanged with."""
    units, counts, sums = _counts(takes)
    present = counts > 0
    means = np.divide(sums, counts, out=np.zeros_like(sums), where=present).sum(axis=1) / present.sum(axis=1)
    block = np.unique(present, axis=0, return_inverse=True)[1].ravel()
    return pd.DataFrame({"mean": means, "block": block}, index=units)


def permutation_p(
    units: pd.DataFrame, factor: Factor, weights: Floats, members: set[str], rng: np.random.Generator
) -> float:
    """Two-sided p of exchanging instruments within their blocks; NaN where the factor differs within none.

    `units`: from `exchangeable_means`; only `members` are exchanged.
    """
    own = units[units.index.isin(members)].sort_values("block", kind="stable")
    block = np.unique(own["block"], return_inverse=True)[1]
    same = mixed.indicators(block)
    within = np.eye(len(own)) - same @ (same / same.sum(axis=0)).T
    x = within @ (factor.columns(own.index.tolist()) @ weights)
    left = within @ own["mean"].to_numpy(float)
    if not np.abs(x).max() > 1e-9:
        return np.nan
    drawn, seen = np.abs(left[exchanged(block, PERMUTATIONS, rng)] @ x), abs(left @ x)
    return float((1 + (drawn >= seen * (1 - 1e-9)).sum()) / (PERMUTATIONS + 1))


def exchanged(block: Ints, count: int, rng: np.random.Generator) -> Ints:
    """`count` orders (count, n) in which instruments are exchanged within their blocks (n,)."""
    sorted_by = np.argsort(block, kind="stable")
    order = np.argsort(block[sorted_by] + rng.random((count, block.size)), axis=1)
    out = np.empty_like(order)
    out[:, sorted_by] = sorted_by[order]
    return out


def _adjusted(rows: list[Row]) -> list[Row]:
    """The rows of one factor with p_adjusted, equivalence and verdict."""
    known = [row for row in rows if np.isfinite(row.get("p", np.nan))]
    if known:
        threshold = first_threshold(1, len(known), 1)
        for row, p in zip(known, adjusted(np.array([row["p"] for row in known])), strict=True):
            row["p_adjusted"] = float(p)
            row["smallest_detectable"] = detectable(row["se"], row["df"], threshold)
            jnd = row["just_noticeable"]
            row["verdict"] = str(verdicts(row["low"], row["high"], p, jnd))
            inside = row["verdict"] == "no_audible_difference"
            row["equivalent"] = "" if pd.isna(jnd) else "yes" if inside else "no"
    for row in rows:
        row.setdefault("verdict", "not_comparable")
    return rows
