"""The table of the scenarios, in Markdown, from a campaign's results."""

import math
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

from campaigns import markdown
from evenbore.facts.flags import UNSURE

from .score import MEASURES

HEADER = (
    "kind",
    "takes",
    "notes found",
    "silently wrong (%)",
    "of these",
    "noise silently wrong (% of values)",
    "wrong and flagged (%)",
    "missed (%)",
    "set aside",
    "set aside, though good",
    "accepted wrongly",
    "remarks missing",
)
STATED = (0, 0.05, 0.2, UNSURE, 0.8, 0.9, 0.95, 0.99, 1.01)
RELIABILITY = ("stated confidence", "notes", "mean stated", "part that was right", "wrong", "of these flagged")
TRUTH_CENTS = 1.0
NOISES = ("noise", "high noise")
MOST_SILENT = 0.3  # % of the notes of a kind
COUNTS = ("set_aside", "good_set_aside", "accepted_wrongly", "remark_missing")
AMISS = ("silent_notes", *COUNTS[1:])


def scenarios_table(results: list[dict]) -> str:
    """One row for every kind in which something is not as it should be, the worst first, one for the other kinds, and
    one for every group and all together."""
    kinds = {take["kind"]: _of(results, "kind", take["kind"]) for take in results}
    worst = sorted(
        (kind for kind in kinds if any(_sum(kinds[kind], key) for key in AMISS)), key=lambda k: -silent_share(kinds[k])
    )
    rows = [_row(kind, kinds[kind]) for kind in worst]
    if others := [take for take in results if take["kind"] not in worst]:
        rows.append(_row(f"the {len(kinds) - len(worst)} others", others))
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


def flagged_though_right(results: list[dict]) -> str:
    """Of the values that are not known to be wrong, how many a flag puts in doubt."""
    shares = []
    for measure in MEASURES:
        told, right = (sum(take[key][measure] for take in results) for key in ("doubted", "right"))
        shares.append(f"{measure} {100 * told / max(1, right):.1f} %")
    return ", ".join(shares)


def bars(results: list[dict]) -> str:
    """What was to be reached, and what was."""
    notes = [note for take in results for note in take["confidence"]]
    sure = [right for stated, right, _ in notes if stated > 0.95]
    wrong = [note for note in notes if not note[1]]
    warned = sum(stated < UNSURE or bool(flag) for stated, _, flag in wrong)
    kinds = list(dict.fromkeys(take["kind"] for take in results))
    over = [kind for kind in kinds if silent_share(_of(results, "kind", kind)) > MOST_SILENT]
    main = {kind: sum(_main(take) for take in _of(results, "kind", kind)) for kind in kinds}
    over_main = [kind for kind in kinds if 100 * main[kind] > MOST_SILENT * _sum(_of(results, "kind", kind), "found")]
    good = sum(take["expect"] != "set_aside" for take in results)
    rows = [
        ("notes silently wrong (%)", f"≤ {MOST_SILENT:g} in every kind", f"{silent_share(results):.2f} over all"),
        (f"kinds above {MOST_SILENT:g} %", 0, f"{len(over)} of {len(kinds)}"),
        (
            "of name, pitch, level and attack alone (%), and kinds above",
            f"≤ {MOST_SILENT:g} in every kind",
            f"{100 * sum(main.values()) / max(1, _sum(results, 'found')):.2f}, {len(over_main)} of {len(kinds)}",
        ),
        ("bad takes accepted", 0, _sum(results, "accepted_wrongly")),
        ("good takes set aside (%)", "≤ 0.5", f"{100 * _sum(results, 'good_set_aside') / max(1, good):.2f}"),
        ("right, of notes stated above 0.95 (%)", "≥ 99.5", f"{100 * sum(sure) / max(1, len(sure)):.2f}"),
        (f"below {UNSURE:g} or flagged, of wrong notes (%)", "≥ 80", f"{100 * warned / max(1, len(wrong)):.0f}"),
        ("right values that are flagged", "", flagged_though_right(results)),
    ]
    return markdown(("what", "to reach", "measured"), rows)


def write_pairs(results: list[dict], path: Path) -> None:
    """Stated confidence, whether the note was right and whether it was flagged, a line for every note."""
    lines = [f"{take['kind']}\t{c:.4f}\t{right}\t{flag}" for take in results for c, right, flag in take["confidence"]]
    path.write_text("\n".join(["kind\tconfidence\tright\tflagged", *lines, ""]), encoding="utf-8")


def reliability(notes: list[tuple[float, int, int]]) -> str:
    """How stated confidences hold: a row for each span of them, of notes (stated, right, flagged)."""
    rows = []
    for low, high in pairwise(STATED):
        within = [note for note in notes if low <= note[0] < high]
        wrong = [note for note in within if not note[1]]
        if within:
            mean, right = (f"{sum(note[k] for note in within) / len(within):.4f}" for k in (0, 1))
            rows.append(
                (f"{low:g} to {min(high, 1):g}", len(within), mean, right, len(wrong), sum(w[2] for w in wrong))
            )
    return markdown(RELIABILITY, rows)


def confidence_bars(notes: list[tuple[float, int, int]]) -> str:
    """What the confidence is asked for, in words: notes (stated, right, flagged)."""
    above, wrong = [right for stated, right, _ in notes if stated > 0.95], [note for note in notes if not note[1]]
    warned = sum(stated < UNSURE or bool(flag) for stated, _, flag in wrong)
    low = sum(stated < UNSURE for stated, right, _ in notes if right)
    return (
        f"{len(above)} notes above 0.95: {100 * sum(above) / max(1, len(above)):.2f} % right, they are "
        f"{100 * sum(above) / max(1, len(notes) - len(wrong)):.1f} % of all right ones; {warned} of {len(wrong)} wrong "
        f"ones below {UNSURE:g} or flagged; {low} of {len(notes) - len(wrong)} right ones below {UNSURE:g}"
    )


def _main(take: dict) -> int:
    """Values silently wrong, without onsets and the air's noise."""
    return sum(take["silent"][measure] for measure in ("label", "pitch", "level", "attack"))


def _row(name: str, takes: list[dict]) -> tuple:
    found = max(1, _sum(takes, "found"))
    wrong, silent = _sum(takes, "wrong_notes"), _sum(takes, "silent_notes")
    by_measure = {measure: sum(take["silent"][measure] for take in takes) for measure in MEASURES}
    of_these = ", ".join(f"{measure} {count}" for measure, count in by_measure.items() if count)
    known = [take for take in takes if take["group"] == "files"]  # elsewhere nothing tells the true noise
    told = sum(take[key][name] for take in known for name in NOISES for key in ("right", "wrong"))
    noise = f"{100 * sum(by_measure[name] for name in NOISES) / told:.2f}" if told else ""
    flagged = f"{100 * (wrong - silent) / found:.2f}"
    missed = f"{100 * _sum(takes, 'missed') / max(1, _sum(takes, 'played')):.2f}"
    counts = [_sum(takes, key) for key in COUNTS]
    shares = f"{100 * silent / found:.2f}", of_these, noise, flagged, missed
    return (name, len(takes), _sum(takes, "found"), *shares, *counts)


def _of(results: list[dict], key: str, value: str) -> list[dict]:
    return [take for take in results if take[key] == value]


def _sum(takes: Iterable[dict], key: str) -> int:
    return sum(take[key] for take in takes)
