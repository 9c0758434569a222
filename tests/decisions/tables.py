"""Tables of the decisions page, in Markdown, from a campaign's results."""

from campaigns import markdown

FIRST = {"one session": (1, 0.0), "three linked sessions": (3, 0.0), "three linked sessions, own days 0.5": (3, 0.5)}
"""Layouts of the first places: sessions, standard deviation of an instrument's own days."""


def decision_tables(results: dict[str, list[dict]]) -> dict[str, str]:
    """All tables by their names in the page."""
    return {
        "bars": markdown(("what", "to reach", "measured", "reached"), bars(results)),
        "alike": markdown(
            ("sessions", "shared", "takes in each", "criterion", "studies", "any `differs`, by own days in take SDs",
             "coverage, likewise"),
            [
                (*layout, f"`{criterion}`", studies,
                 _by([(row["day"], _marked(row["false"] / row["studies"], _rarely_wrong(row))) for row in rows]),
                 _by([(row["day"], _marked(row["covered"], _covers(row))) for row in rows]))
                for (*layout, criterion, studies), rows in _grouped(
                    results["alike"], ("sessions", "shared", "takes", "criterion", "studies"))
            ],
        ),
        "apart": markdown(
            ("sessions", "takes in each", "criterion", "difference, take SDs", "studies", "found, by number shared"),
            [
                (*layout, f"`{criterion}`", f"{size:g}", studies,
                 _by([(row["shared"], _percent(row["found"] / row["studies"])) for row in rows]))
                for (*layout, criterion, size, studies), rows in _grouped(
                    results["apart"], ("sessions", "takes", "criterion", "size", "studies"))
            ],
        ),
        "first": markdown(
            ("spread between instruments, standard errors", "stated 0.4–0.6", "0.6–0.7", "0.7–0.8", "0.8–0.9"),
            [
                (label, *(_came_true(rows, low) for low in (0.4, 0.6, 0.7, 0.8)))
                for label, rows in _by_spread(results["first"])
            ],
        ),
        "notes": markdown(
            ("criterion", "one session: any `differs`", "coverage", "three linked: any `differs`", "coverage"),
            [
                (f"`{criterion}`", *(cell for row in rows for cell in (
                    f"{row['false']} of {row['studies']}", _percent(row["covered"]))))
                for (criterion,), rows in _grouped(results["notes"], ("criterion",))
            ],
        ),
    }  # fmt: skip


def bars(results: dict[str, list[dict]]) -> list[tuple[str, str, str, str]]:
    """What was set out to be reached: what, to reach, measured, reached (yes, no)."""
    rows = []

    def bar(what: str, measured: float, limit: str, reached: bool) -> None:
        rows.append((what, limit, _percent(measured), "yes" if reached else "**no**"))

    for row in results["alike"]:
        if row["sessions"] == 1:
            what = f"identical instruments, {_words(row)}: any `differs`"
            bar(what, row["false"] / row["studies"], "≤ 5 %", _rarely_wrong(row))
    linked = [row for row in results["alike"] if row["sessions"] > 1]
    for what, reached in (
        ("identical instruments, linked sessions: any `differs` ≤ 5 %", [*map(_rarely_wrong, linked)]),
        ("identical instruments, linked sessions: 90 % intervals of differences 86–94 %", [*map(_covers, linked)]),
    ):
        count, of = sum(reached), len(reached)
        rows.append((what, f"{of} of {of}", f"{count} of {of}", "yes" if count == of else "**no**"))
    twice = next(row for row in results["apart"] if row["sessions"] == 1 and row["takes"] == 4)
    share = twice["found"] / twice["studies"]
    bar("twice the just-noticeable difference, 4 takes each, found", share, "≥ 90 %", share >= 0.9)
    for row in results["covered"]:
        for what, share in (("values", row["values"]), ("differences", row["pairs"])):
            bar(f"90 % intervals of {what}, {_words(row)}", share, "86–94 %", 0.86 <= share <= 0.94)
    for label, layout in FIRST.items():
        true, said = _true(results["first"], 0.7, *layout)
        share = true / said
        bar(f"first places stated 0.7–0.8, {label}, true ({true} of {said})", share, "65–85 %", 0.65 <= share <= 0.85)
    worst = max(results["notes"], key=lambda row: row["false"] / row["studies"])
    share = worst["false"] / worst["studies"]
    bar(f"identical instruments note by note, worst criterion (`{worst['criterion']}`)", share, "≤ 5 %", share <= 0.05)
    return rows


def _true(rows: list[dict], low: float, sessions: int, day: float) -> tuple[int, int]:
    """How many first places stated from `low` on came true, and how many were stated."""
    own = [row for row in _of(rows, sessions, day) if row["low"] == low]
    return sum(row["true"] for row in own), max(sum(row["said"] for row in own), 1)


def _of(rows: list[dict], sessions: int, day: float) -> list[dict]:
    return [row for row in rows if (row["sessions"], row["day"]) == (sessions, day)]


def _words(row: dict) -> str:
    return f"one session, {row['takes']} takes"


def _rarely_wrong(row: dict) -> bool:
    return row["false"] <= 0.05 * row["studies"]


def _covers(row: dict) -> bool:
    return 0.86 <= row["covered"] <= 0.94


def _by_spread(rows: list[dict]):
    """Rows for each layout and spread, and for each layout over all spreads."""
    for words, layout in FIRST.items():
        own = _of(rows, *layout)
        for spread in sorted({row["spread"] for row in own}):
            yield f"{words}, {spread:g}", [row for row in own if row["spread"] == spread]
        yield f"{words}, all", own


def _grouped(rows: list[dict], keys: tuple[str, ...]) -> list[tuple[tuple, list[dict]]]:
    """Rows that agree in `keys`, in the order of the first of each."""
    found: dict[tuple, list[dict]] = {}
    for row in rows:
        found.setdefault(tuple(row[key] for key in keys), []).append(row)
    return list(found.items())


def _by(cells: list[tuple[float, str]]) -> str:
    """What was measured at each of several numbers, in one cell."""
    return ", ".join(f"{number:g}: {text}" for number, text in cells)


def _came_true(rows: list[dict], low: float) -> str:
    own = [row for row in rows if row["low"] == low]
    said = sum(row["said"] for row in own)
    return f"{_percent(sum(row['true'] for row in own) / said)} of {said}" if said else ""


def _marked(share: float, reached: bool) -> str:
    """In bold what falls short."""
    return _percent(share) if reached else f"**{_percent(share)}**"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
