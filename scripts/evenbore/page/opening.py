"""The first screen: what to buy for whom at which price, the picture beside it, or what the study is about instead."""

from dataclasses import dataclass
from typing import Any

import jinja2

from evenbore.facts.words import plain
from evenbore.page.charts import place_texts
from evenbore.report import decide, words
from evenbore.report.curves import limits_of, place_on, ticks_between
from evenbore.report.results import Results, rows_of

PICTURE_SIZES = {"wide": (560, 400), "narrow": (330, 350)}
"""The picture as it is drawn beside the sentence and on a phone: width and height in px."""
MARKS = {"accept": "round", "bench": "cross", "return": "cross", "retake": "ring"}


def opening(results: Results, answers: list[words.Answer], environment: jinja2.Environment) -> dict[str, Any]:
    """What the first screen shows. `steps`: for every kind of buyer and pool (kind of instrument and group) the
    sentences by rising budget, (budget, HTML, HTML of what other money buys), for the page's script to choose from."""
    config, cost = results.study.config, decide.costs(results)
    parts: Any = environment.get_template("choice.html").module
    better = decide.shown_better(results)
    shared = {
        "label": {name: results.label(name) for name in results.study.instruments},
        "cost": cost,
        "currency": config["currency"],
        "now": results.now,
        "sure": decide.beyond_chance(results.now),
        "most": words.most_named(results),
    }
    steps: dict[str, list[list[tuple[float, str, str]]]] = {name: [] for name in config["priorities"]}
    for answer in answers:
        made = decide.choices(results, answer, better)
        several = sum(other.priorities == answer.priorities for other in answers) > 1
        steps.setdefault(answer.priorities, []).append(
            [
                (
                    one.budget or 0.0,
                    str(parts.choice(one, made, answer, several, shared)),
                    str(parts.beside(one, shared)),
                )
                for one in made
            ]
        )
    taken = decide.not_taken(results)
    return {
        "purpose": decide.purpose(results),
        "buyers": {name: (plain(name), decide.view_of_cost(weights)) for name, weights in config["priorities"].items()},
        "steps": steps,
        "priced": bool(cost),
        "away": [one for one in taken if one.decision in decide.AWAY],
        "retaken": [one for one in taken if one.decision not in decide.AWAY],
        "totals": decide.totals(results),
        "pictures": [picture(results, kind, *size) for kind, size in PICTURE_SIZES.items()],
    }


@dataclass(frozen=True)
class Point:
    """An instrument in the picture, px: `mark` tells its decision, `text` its label at (`text_x`, `text_y`)."""

    instrument: str
    x: float
    y: float
    low: float | None
    high: float | None
    mark: str
    text: str
    text_x: float
    text_y: float
    anchor: str


def picture(results: Results, kind: str, width: int, height: int) -> dict[str, Any]:
    """Quality against total cost, or by rank where prices are not known; empty where no quality is known."""
    rows = results.tables["value"].dropna(subset="quality")
    rows = rows[rows["instrument"].isin(results.shown)]
    if rows.empty:
        return {}
    priced = rows["total_cost"].notna().sum() >= 2
    if priced:
        rows = rows.dropna(subset="total_cost")
    across = rows["total_cost"] if priced else rows["instrument"].map({n: i + 1 for i, n in enumerate(results.order)})
    left, right, top, bottom = 40, width - 10, 14, height - 46
    limits = limits_of(across, 0.06), limits_of(rows[["quality", "low", "high"]], 0.03)
    x, y = place_on(*limits[0], left, right), place_on(*limits[1], bottom, top)
    decided = decide.decision_of(results)
    places = [(x(a), y(row.quality)) for a, row in zip(across, rows_of(rows), strict=True)]
    labels = [results.label(name) for name in rows["instrument"]]
    texts = place_texts(places, [label if len(label) < 16 else label[:14] + "…" for label in labels], (left, right))
    points = [
        Point(
            instrument=row.instrument, x=_px(at[0]), y=_px(at[1]),
            low=_px(y(row.low)) if row.low == row.low else None,
            high=_px(y(row.high)) if row.high == row.high else None,
            mark=MARKS.get(decided.get(row.instrument, ""), "ring"),
            text=text, text_x=text_x, text_y=text_y, anchor=anchor,
        )
        for row, at, (text, text_x, text_y, anchor) in zip(rows_of(rows), places, texts, strict=True)
    ]  # fmt: skip
    front = rows.assign(across=across)[rows["on_front"] == "yes"].sort_values("across")
    return {
        "kind": kind,
        "width": width,
        "height": height,
        "frame": (left, right, top, bottom),
        "priced": priced,
        "points": points,
        "front": " ".join(f"{_px(x(a))},{_px(y(q))}" for a, q in zip(front["across"], front["quality"], strict=True)),
        "x_ticks": [(_px(x(tick)), text) for tick, text in ticks_between(*limits[0], 4 if width < 400 else 6)],
        "y_ticks": [(_px(y(tick)), text) for tick, text in ticks_between(*limits[1], 5)],
        "scale": [*map(_px, (*limits[0], left, right))],
    }


def _px(value: float) -> float:
    return round(float(value), 1)
