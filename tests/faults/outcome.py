"""What became of a case, and the table that tells it of many."""

import json
import os
import shutil
import sys
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path

FINE, TRACEBACK, HANG, LOSS, WRONG = "as it should be", "traceback", "hang", "silent loss", "wrong outcome"


@dataclass(frozen=True)
class Outcome:
    """One case: its kind of fault, name, what happened in a word, how that is to be judged, and details."""

    fault: str
    name: str
    happened: str
    verdict: str = FINE
    detail: str = ""


def save(outcomes: list[Outcome], path: Path) -> None:
    """Write outcomes as JSON."""
    path.write_text(json.dumps([asdict(outcome) for outcome in outcomes], indent=1), encoding="utf-8")


def load(path: Path) -> list[Outcome]:
    """Read outcomes back."""
    return [Outcome(**one) for one in json.loads(path.read_text(encoding="utf-8"))]


def summary(outcomes: list[Outcome]) -> tuple[tuple[str, ...], list[tuple]]:
    """Header and rows: for each kind of fault how many cases, what happened to them, and how much went wrong."""
    rows = []
    for fault in dict.fromkeys(outcome.fault for outcome in outcomes):
        rows.append((fault, *_counts([outcome for outcome in outcomes if outcome.fault == fault])))
    return ("fault", "cases", "outcomes", *BAD), [*rows, ("**all**", *_counts(outcomes, told=False))]


BAD = ("tracebacks", "hangs", "silent losses", "wrong outcomes")


def _counts(outcomes: list[Outcome], told: bool = True) -> tuple:
    happened = Counter(outcome.happened for outcome in outcomes)
    words = ", ".join(f"{count} {what}" for what, count in happened.most_common()) if told else ""
    verdicts = Counter(outcome.verdict for outcome in outcomes)
    return (len(outcomes), words, *(verdicts[one] for one in (TRACEBACK, HANG, LOSS, WRONG)))


def without_privileges() -> list[str] | None:
    """What to put before a command so that file permissions count for it; None where that cannot be had."""
    if sys.platform == "win32" or os.geteuid() != 0:
        return []
    program = shutil.which("setpriv")
    powers = "-dac_override,-dac_read_search"
    return [program, f"--bounding-set={powers}", f"--inh-caps={powers}"] if program else None
