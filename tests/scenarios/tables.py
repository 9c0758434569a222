"""The table of the scenarios, in Markdown, from a campaign's results."""

import math
from collections.abc import Iterable
from pathlib import Path

from campaigns import markdown

from .score import MEASURES

HEADER = (
    "kind",
    "takes",
    "notes found",
    "silently wrong (%)",
    "of these",
    "wrong at all (%)",
    "wrong and flagged (%)",
    "missed (%)",
    "set aside",
    "set aside, though good",
    "accepted wrongly",
    "remarks missing",
    "passes wrong",
)
TRUTH_CENTS = 1.0
COUNTS = ("set_aside", "good_set_aside", "accepted_wrongly", "remark_missing", "passes_wrong")


def scenarios_table(results: list[dict], worst_first: bool = False) -> str:
    """One row for every kind, every group and all together."""
    kinds = list(dict.fromkeys(take["kind"] for take in results))
    if worst_first:
        kinds.sort(key=lambda kind: -silent_share(_of(results, "kind", kind)))
    rows = [_row(kind, _of(results, "kind", kind)) for kind in kinds]
    groups = dict.fromkeys(take["group"] for take in results)
    rows += [_row(f"**{group}**", _of(results, "group", group)) for group in groups]
    return markdown(HEADER, [*rows, _row("**all**", results)])


def silent_share(takes: Iterable[dict]) -> float:
    """Percentage of the notes found that are silently wrong; 0 without notes."""
    takes = list(takes)
    return 100 * _sum(takes, "silent_notes") / max(1, _sum(takes, "found"))


def stated_error(results: list[dict]) -> str:
    """How the errors of pitch compare with the standard errors stated; the truth itself is known to `TRUTH_CENTS`."""
    errors = [(abs(e), math.hypot(se, TRUTH_CENTS)) for take in results for e, se in take["pitch_errors"] if se >= 0]
    shares = (f"{100 * sum(e <= k * se for e, se in errors) / max(1, len(errors)):.1f} % within {k}" for k in (1, 2, 3))
    return f"{len(errors)} notes: {', '.join(shares)} standard errors, {TRUTH_CENTS:g} cent of the truth's own included"


def write_pairs(results: list[dict], path: Path) -> None:
    """Stated confidence and whether the note was right, a line for every note, for a reliability diagram."""
    lines = [f"{take['kind']}\t{c:.4f}\t{right}" for take in results for c, right in take["confidence"]]
    path.write_text("\n".join(["kind\tconfidence\tright", *lines, ""]), encoding="utf-8")


def _row(name: str, takes: list[dict]) -> tuple:
    found = max(1, _sum(takes, "found"))
    wrong, silent = _sum(takes, "wrong_notes"), _sum(takes, "silent_notes")
    by_measure = {measure: sum(take["silent"][measure] for take in takes) for measure in MEASURES}
    of_these = ", ".join(f"{measure} {count}" for measure, count in by_measure.items() if count)
    shares = [f"{100 * count / found:.2f}" for count in (wrong, wrong - silent)]
    missed = f"{100 * _sum(takes, 'missed') / max(1, _sum(takes, 'played')):.2f}"
    counts = [_sum(takes, key) for key in COUNTS]
    return (name, len(takes), _sum(takes, "found"), f"{100 * silent / found:.2f}", of_these, *shares, missed, *counts)


def _of(results: list[dict], key: str, value: str) -> list[dict]:
    return [take for take in results if take[key] == value]


def _sum(takes: Iterable[dict], key: str) -> int:
    return sum(take[key] for take in takes)
