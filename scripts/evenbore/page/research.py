"""The report's section on factors: what goes with a property of the instruments, in words, curves and a table."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from evenbore.facts.rows import Row
from evenbore.facts.verdicts import VERDICTS
from evenbore.facts.words import plain
from evenbore.report.curves import place_on, ticks_between
from evenbore.report.results import Results, rows_of
from evenbore.report.words import number

CURVE_PX = (340, 190)
_LEFT, _RIGHT, _TOP, _BOTTOM = 34, 332, 8, 158
DIFFERS_P = 0.05


@dataclass(frozen=True)
class ToneCurve:
    """The difference of two levels harmonic by harmonic, drawn in px: `line` and `band` as points of SVG, ticks as
    (place, text); `sentence` tells it."""

    sentence: str
    line: str
    band: str
    zero: float
    x_ticks: list[tuple[float, str]]
    y_ticks: list[tuple[float, str]]


def factors(results: Results) -> list[Row]:
    """One entry per factor and kind of instrument: name, family, what is compared if it is the same in all rows (else
    empty), the answer in a sentence or two, the cautions on all of it, rows of the table, and the curves of tone."""
    entries = []
    tone = results.tables["tone_factors"]
    groups: Iterable[tuple[tuple[Any, ...], pd.DataFrame]] = results.tables["factors"].groupby(
        ["factor", "family"], sort=False
    )
    for (factor, family), rows in groups:
        entries.append({
            "name": plain(factor.removeprefix("x_")),
            "family": results.study.families[family].name,
            "contrast": _common(rows["contrast"].dropna().unique().tolist()),
            "answer": _answer(rows),
            "cautions": list(dict.fromkeys(rows["reason"].dropna())),
            "rows": [_row(row) for row in rows.itertuples(index=False)],
            "tone": _tone(tone[(tone["factor"] == factor) & (tone["family"] == family)]),
        })  # fmt: skip
    return entries


def _tone(rows: pd.DataFrame) -> list[ToneCurve]:
    curves: Iterable[tuple[Any, pd.DataFrame]] = rows.dropna(subset="estimate").groupby("contrast", sort=False)
    return [_curve(contrast, curve) for contrast, curve in curves]


def _curve(contrast: str, rows: pd.DataFrame) -> ToneCurve:
    first = rows.iloc[0]
    most = f"no harmonic differs by more than {number(first['most_db'])} dB"
    told = (
        "the curve as a whole differs beyond chance" if first["p_adjusted"] <= DIFFERS_P else "no difference is shown"
    )
    x = place_on(rows["harmonic"].min(), rows["harmonic"].max(), _LEFT + 8, _RIGHT - 4)
    low, high = min(rows["low"].min(), -1.0), max(rows["high"].max(), 1.0)
    y = place_on(low, high, _BOTTOM, _TOP)

    def points(values: pd.Series) -> list[str]:
        return [f"{x(h):.1f},{y(v):.1f}" for h, v in zip(rows["harmonic"], values, strict=True)]

    return ToneCurve(
        sentence=f"{_words(contrast)}: {told} (p {first['p_adjusted']:.2g}); by the band {most}.",
        line=" ".join(points(rows["estimate"])),
        band=" ".join([*points(rows["low"]), *reversed(points(rows["high"]))]),
        zero=round(y(0.0), 1),
        x_ticks=[(round(x(h), 1), str(h)) for h in rows["harmonic"] if h == 1 or h % 5 == 0],
        y_ticks=[(round(y(v), 1), text) for v, text in ticks_between(low, high, 5)],
    )


def _answer(rows: pd.DataFrame) -> str:
    """Whether the factor matters: criteria by verdict, the sizes of what differs."""
    told = {verdict: rows[rows["verdict"] == verdict] for verdict in VERDICTS}
    differs = [f"{plain(row.criterion)} by {_interval(row)}" for row in rows_of(told["differs"])]
    alike, open_ = (
        ", ".join(plain(str(name)) for name in told[verdict]["criterion"].unique())
        for verdict in ("no_audible_difference", "undecided")
    )
    parts = [f"Beyond chance between instruments it does: {'; '.join(differs)}." if differs
             else "No effect is shown."]  # fmt: skip
    parts += [f"No audible difference in {alike}."] if alike else []
    parts += [f"Undecided: {open_}."] if open_ else []
    return " ".join(parts)


def _common(contrasts: Sequence[str]) -> str:
    return _words(contrasts[0]) if len(contrasts) == 1 else ""


def _words(contrast: str) -> str:
    # a level's own name may hold the same sign
    return contrast.replace(" - ", " minus ") if contrast.count(" - ") == 1 else contrast


def _row(row: Any) -> Row:
    known = pd.notna(row.estimate)
    return {
        "criterion": plain(row.criterion),
        "contrast": _words(row.contrast) if pd.notna(row.contrast) else "",
        "verdict": VERDICTS[row.verdict].words,
        "sentence": _sentence(row) if known else "",
        "estimate": _interval(row) if known else "",
        "p": f"{row.p_adjusted:.2g}" if known else "",
        "p_permutation": f"{row.p_permutation:.2g}" if pd.notna(row.p_permutation) else "",
        "detectable": f"{row.smallest_detectable:.2g} {row.unit}" if known else "",
        "n": "" if pd.isna(row.n_instruments) else int(row.n_instruments),
    }  # fmt: skip


def _interval(row: Any) -> str:
    value, low, high = (number(x, 2) for x in (row.estimate, row.low, row.high))
    return f"{value} ({low} to {high}) {row.unit}"


def _sentence(row: Any) -> str:
    if row.verdict == "no_audible_difference":
        return f"within ± {row.just_noticeable:g} {row.unit}, the least that is heard"
    return "more than chance between instruments explains" if row.verdict == "differs" else ""
