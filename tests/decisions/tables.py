"""Tables of the decisions page, in Markdown, from a campaign's results."""

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise, product

from campaigns import markdown

from .campaign import BINS, SIZES, TOLD, USUAL_DAYS
from .generator import INSTRUMENTS, KINDS, SCATTER, SESSION
from .judged import CRITERION_NAMES

UNITS = {"cents": "cents", "level": "dB", "brightness": "dB", "noise": "dB", "attack": "ms"}
LEAST_ORACLE = 0.2  # what the oracle tells less often is no measure
LEAST_STATED = 100  # first places, of which a share is told

Results = dict[str, list[dict]]


def decision_tables(results: Results) -> dict[str, str]:
    """All tables by their names in the page."""
    return {
        "scatter": markdown(
            ("quantity", "take as a whole", "single note", "session, player"),
            [
                (quantity, *(f"{sd:g} {UNITS[quantity]}" for sd in (take, note, SESSION * take)))
                for quantity, (take, note) in SCATTER.items()
            ],
        ),
        "bars": markdown(("what", "to reach", "measured", "reached"), bars(results)),
        "identical": markdown(
            ("layout", "scatter", "own days", "studies", "any `differs`", "criterion most often", "90 % intervals hold",
             "the same, instruments that differ"),
            [_identical(row, results["different"]) for row in results["identical"]],
        ),
        "power": markdown(
            ("layout", "scatter", "own days", "studies", "criterion", *(f"{size} × just noticeable" for size in SIZES)),
            [
                (*_cell(row), row["studies"], f"`{c}`", *(_told(row, f"{c} {size}") for size in SIZES))
                for row in results["power"] for c in TOLD
            ],
        ),
        "first": markdown(
            ("scatter", "first places", *(f"stated {low:g}–{min(high, 1):g}" for low, high in _bins()), "lost: ranking",
             "plain means", "at random"),
            [_first(results["different"], kind) for kind in KINDS],
        ),
        "others": markdown(("what", "scatter", "studies", "measured"), list(_others(results))),
    }  # fmt: skip


def bars(results: Results) -> list[tuple[str, str, str, str]]:
    """What was set out to be reached: what, to reach, measured, reached (yes, no)."""
    rows = []

    def bar(what: str, limit: str, shares: Sequence[tuple[float, str]], ok: Callable[[float], bool], worst=max) -> None:
        reached = sum(ok(share) for share, _ in shares)
        share, words = worst(shares)
        rows.append((what, limit, f"{reached} of {len(shares)}; worst {_percent(share)}: {words}",
                     "yes" if reached == len(shares) else "**no**"))  # fmt: skip

    usual = [row for row in results["identical"] if row["day"] <= USUAL_DAYS]
    any_wrong = [(_share(row, "any", "studies"), _words(row)) for row in usual]
    bar("identical instruments: studies with any `differs`", "≤ 10 %", any_wrong, lambda s: s <= 0.1)
    each = [(_share(row, f"differs {c}", "studies"), f"`{c}`, {_words(row)}") for row in usual for c in CRITERION_NAMES]
    bar("the same, each criterion", "≤ 5 %", each, lambda s: s <= 0.05)
    both = [("identical", row) for row in usual]
    both += [("different", row) for row in results["different"] if row["day"] <= USUAL_DAYS]
    held = [
        (_share(row, f"covered {c}", f"intervals {c}"), f"`{c}`, {kind}, {_words(row)}")
        for kind, row in both for c in CRITERION_NAMES
    ]  # fmt: skip
    bar("90 % intervals of differences, each criterion", "84–95 %", held, lambda s: 0.84 <= s <= 0.95, _furthest(0.9))
    parts = [
        (_share(row, f"told {c} {n}", f"oracle {c} {n}"), f"`{c}`, {n} × just noticeable, {_words(row)}")
        for row in results["power"] for c, n in product(TOLD, SIZES)
        if row["shared"] != 1 and _share(row, f"oracle {c} {n}", f"asked {c} {n}") >= LEAST_ORACLE
    ]  # fmt: skip
    bar("differences told, of those told by one who knows the scatter", "≥ 80 %", parts, lambda s: s >= 0.8, min)
    kept = [
        (_share(row, f"told {c}", f"asked {c}"), f"`{c}`, {_words(row)}") for row in results["promise"] for c in TOLD
    ]
    bar("differences told that the plan promises at 80 %", "70–90 %", kept, lambda s: 0.7 <= s <= 0.9, _furthest(0.8))
    alike = [(share, words) for row in results["equal"] for share, words in _equal(row)]
    bar("1.2 × just noticeable, told `no_audible_difference`", "≤ 5 %", alike, lambda s: s <= 0.05)
    away = [
        (_share(row, f"true {low:g}", f"said {low:g}") - _share(row, f"stated {low:g}", f"said {low:g}"),
         f"stated {low:g}–{min(high, 1):g}, {row['scatter']}")
        for row in (_pooled(results["different"], kind) for kind in KINDS) for low, high in _bins()
        if row.get(f"said {low:g}", 0) >= LEAST_STATED
    ]  # fmt: skip
    if away:
        bar("first places that came true, less those stated", "± 8 %", away, lambda s: abs(s) <= 0.08, _furthest(0))
    lost = [
        (_share(row, "lost ranking", "lost means"), row["scatter"])
        for row in (_pooled(results["different"], kind) for kind in KINDS)
    ]
    bar("quality lost by the ranking, of that lost by plain means", "≤ 100 %", lost, lambda s: s <= 1)
    teams = [(_share(row, "any", "studies"), row["scatter"]) for row in results["players"]]
    bar("identical instruments, two players: any `differs`", "≤ 10 %", teams, lambda s: s <= 0.1)
    three, one = (
        [(_share(row, "structure" if number == 1 else "three", "studies"), row["scatter"])
         for row in results["clusters"] if row["clusters"] == number]
        for number in (3, 1)
    )  # fmt: skip
    bar("three clusters found as three", "≥ 60 %", three, lambda s: s >= 0.6, min)
    bar("clusters found where there are none", "≤ 5 %", one, lambda s: s <= 0.05)
    sent = [(_share(row, "single", "studies"), row["scatter"]) for row in results["benched"] if row["fluffed"]]
    healthy = [(_share(row, "units", "asked"), row["scatter"]) for row in results["benched"] if not row["fluffed"]]
    bar("healthy instruments sent to the bench", "≤ 1 %", healthy, lambda s: s <= 0.01)
    bar("a note fluffed in one of two takes sends it to the bench", "≤ 1 %", sent, lambda s: s <= 0.01)
    return rows


def _identical(row: dict, different: list[dict]) -> tuple:
    same = [_range(other) for other in different if _words(other) == _words(row)]
    worst = max(CRITERION_NAMES, key=lambda c: row.get(f"differs {c}", 0))
    often = f"`{worst}` {_of(row, f'differs {worst}', 'studies')}" if row.get("any") else "none"
    return (*_cell(row), row["studies"], _of(row, "any", "studies"), often, _range(row), *(same or [""]))


def _told(row: dict, question: str) -> str:
    told, oracle = (_of(row, f"{who} {question}", f"asked {question}") for who in ("told", "oracle"))
    return f"{told} ({oracle})"


def _range(row: dict) -> str:
    """From the criterion whose intervals hold least to that whose hold most."""
    shares = sorted(_share(row, f"covered {c}", f"intervals {c}") for c in CRITERION_NAMES if f"intervals {c}" in row)
    return f"{_percent(shares[0])} to {_percent(shares[-1])}"


def _first(rows: list[dict], kind: str) -> tuple:
    row = _pooled(rows, kind)
    lost = (f"{row[f'lost {way}'] / row['firsts']:.2f}" for way in ("ranking", "means", "random"))
    true = (
        f"{_of(row, f'true {low:g}', f'said {low:g}')} of {row[f'said {low:g}']}" if row.get(f"said {low:g}") else ""
        for low, _ in _bins()
    )
    return (kind, row["firsts"], *true, *lost)


def _others(results: Results) -> Iterator[tuple]:
    for row in results["equal"]:
        yield (f"told `no_audible_difference`, room {row['room_db']:g} dB", row["scatter"], row["studies"],
               "; ".join(f"{words}: {_percent(share)}" for share, words in _equal(row, short=True)))  # fmt: skip
    for row in results["promise"]:
        yield (f"promised at 80 %, told: {place(row)}, own days {row['day']:g}", row["scatter"], row["studies"],
               "; ".join(f"`{c}` {_of(row, f'told {c}', f'asked {c}')}" for c in TOLD))  # fmt: skip
    for row in results["changes"]:
        where = "one session" if row["sessions"] == 1 else "two sessions that two instruments link"
        yield (f"nothing done, any `differs` of an instrument: {where}, own days {row['day']:g}", row["scatter"],
               row["studies"], f"{_of(row, 'differs', 'asked')} (as a whole {_of(row, 'whole', 'asked')})")  # fmt: skip
    for row in results["players"]:
        yield ("identical, two players: any `differs`", row["scatter"], row["studies"], _of(row, "any", "studies"))
    for row in results["clusters"]:
        found = _of(row, "three", "studies") if row["clusters"] == 3 else _of(row, "structure", "studies")
        words = "three clusters found as three" if row["clusters"] == 3 else "no clusters, found some"
        yield (words, row["scatter"], row["studies"], found)
    for row in results["benched"]:
        if row["fluffed"]:
            what, share = "note fluffed in one of two takes: finding of a single note", _of(row, "single", "studies")
        else:
            what, share = "healthy, identical instruments: findings, of instruments", _of(row, "units", "asked")
        yield (what, row["scatter"], row["studies"], share)


def _equal(row: dict, short: bool = False) -> list[tuple[float, str]]:
    names = [key.removeprefix("asked ") for key in row if key.startswith("asked ")]
    where = "" if short else f", room {row['room_db']:g} dB, {row['scatter']}"
    return [(_share(row, f"equal {name}", f"asked {name}"), f"`{name}`{where}") for name in names]


def _pooled(rows: list[dict], kind: str) -> dict:
    """The sums of all layouts and usual days."""
    total: dict = {"scatter": kind}
    for row in rows:
        if row["scatter"] == kind and row["day"] <= USUAL_DAYS:
            for key, value in row.items():
                if not isinstance(value, str):
                    total[key] = total.get(key, 0) + value
    return total


def _bins() -> list[tuple[float, float]]:
    return list(pairwise(BINS))[1:]


def _furthest(middle: float) -> Callable:
    return lambda shares: max(shares, key=lambda one: abs(one[0] - middle))


def _cell(row: dict) -> tuple[str, str, str]:
    return place(row), row["scatter"], f"{row['day']:g}"


def _words(row: dict) -> str:
    return f"{place(row)}, {row['scatter']}, own days {row['day']:g}"


def place(row: dict) -> str:
    if row["sessions"] == 1:
        return "one session"
    return f"three, {'all' if row['shared'] == INSTRUMENTS else row['shared']} shared"


def _share(row: dict, part: str, whole: str) -> float:
    return row.get(part, 0) / row[whole] if row.get(whole) else 0.0


def _of(row: dict, part: str, whole: str) -> str:
    return _percent(_share(row, part, whole))


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"
