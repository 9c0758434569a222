"""Tables of the decisions page, in Markdown, from a campaign's results."""

from collections.abc import Callable, Sequence
from itertools import pairwise, product

from campaigns import markdown

from .campaign import BINS, PARTS, SIZES, TOLD, USUAL_DAYS
from .generator import INSTRUMENTS, KINDS, SCATTER, SESSION
from .judged import CRITERION_NAMES

UNITS = {"cents": "cents", "level": "dB", "brightness": "dB", "noise": "dB", "attack": "ms"}
LEAST_ORACLE = 0.2  # what the oracle tells less often is no measure
LEAST_STATED = 100  # first places, of which a share is told

Results = dict[str, list[dict]]


def decision_tables(results: Results) -> dict[str, str]:
    """All tables by their names in the page."""
    rows = [row for part in results.values() for row in part]
    cells, studies = sum(len(part.cells) for part in PARTS.values()), [row["studies"] for row in rows]
    return {
        "extent": f"**Measured**: {len(rows)} of {cells} cells, {min(studies)} to {max(studies)} studies of each.",
        "scatter": markdown(
            ("quantity", "take as a whole", "single note", "session, player"),
            [
                (quantity, *(f"{sd:g} {UNITS[quantity]}" for sd in (take, note, SESSION * take)))
                for quantity, (take, note) in SCATTER.items()
            ],
        ),
        "bars": markdown(("what", "to reach", "measured", "reached"), bars(results)),
        "identical": markdown(
            ("layout", "scatter", "studies", "any `differs`, by own days", "90 % intervals hold, by own days"),
            [
                (place, scatter, rows[0]["studies"], _by_day(rows, lambda row: _of(row, "any", "studies")),
                 _by_day(rows, _range))
                for (place, scatter), rows in _grouped(results["identical"])
            ],
        ),
        "power": markdown(
            ("layout", "scatter", "studies", *(f"`{criterion}`" for criterion in TOLD)),
            [
                (place(row), row["scatter"], row["studies"], *(_told(row, criterion) for criterion in TOLD))
                for row in results["power"]
            ],
        ),
        "first": markdown(
            ("scatter", "first places", *(f"stated {low:g}–{min(high, 1):g}" for low, high in _bins()), "lost: ranking",
             "plain means", "at random"),
            [_first(results["different"], kind) for kind in KINDS],
        ),
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
    alike = [one for row in results["equal"] for one in _equal(row)]
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


def _grouped(rows: list[dict]) -> list[tuple[tuple[str, str], list[dict]]]:
    """Rows of the same layout and scatter."""
    found: dict[tuple[str, str], list[dict]] = {}
    for row in rows:
        found.setdefault((place(row), row["scatter"]), []).append(row)
    return list(found.items())


def _by_day(rows: list[dict], told: Callable[[dict], str]) -> str:
    return ", ".join(f"{row['day']:g}: {told(row)}" for row in rows)


def _told(row: dict, criterion: str) -> str:
    """Shares told by the program, and by one who knows the scatter, by SIZES."""
    told, oracle = (
        ", ".join(
            f"{100 * _share(row, f'{who} {criterion} {size}', f'asked {criterion} {size}'):.0f}" for size in SIZES
        )
        for who in ("told", "oracle")
    )
    return f"{told} ({oracle})"


def _range(row: dict) -> str:
    """From the criterion whose intervals hold least to that whose hold most."""
    shares = sorted(_share(row, f"covered {c}", f"intervals {c}") for c in CRITERION_NAMES if f"intervals {c}" in row)
    return f"{100 * shares[0]:.0f}–{100 * shares[-1]:.0f} %"


def _first(rows: list[dict], kind: str) -> tuple:
    row = _pooled(rows, kind)
    lost = (f"{row[f'lost {way}'] / row['firsts']:.2f}" for way in ("ranking", "means", "random"))
    true = (
        f"{_of(row, f'true {low:g}', f'said {low:g}')} of {row[f'said {low:g}']}" if row.get(f"said {low:g}") else ""
        for low, _ in _bins()
    )
    return (kind, row["firsts"], *true, *lost)


def _equal(row: dict) -> list[tuple[float, str]]:
    names = [key.removeprefix("asked ") for key in row if key.startswith("asked ")]
    where = f", room {row['room_db']:g} dB, {row['scatter']}"
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
