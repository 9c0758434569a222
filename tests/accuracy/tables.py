"""Tables of the accuracy page, in Markdown, from a campaign's results."""

from collections.abc import Callable, Iterable

import numpy as np

from campaigns import markdown

from .takes import BEYOND, CLEAN, DEVELOPMENT, EXACT, HARD, HELD_OUT

WORST = 5
OURS = "evenbore"


def accuracy_tables(results: list[dict]) -> dict[str, str]:
    """All tables by their names in the page."""
    return {
        "takes": takes_table(results),
        "notes": notes_table(results),
        "pitch": pitch_table(results),
        "side by side": side_table(results),
        "bars": bars_table(results),
    }


def f_measure(takes: Iterable[dict], matched: str = "matched") -> float:
    """F-measure over all notes of the takes together."""
    takes = list(takes)
    return 2 * _sum(takes, matched) / max(1, _sum(takes, "played") + _sum(takes, "found"))


def pooled(takes: Iterable[dict], key: str) -> np.ndarray:
    """Absolute values of a list of every take, together."""
    return np.abs(np.concatenate([np.asarray(take[key], float) for take in takes] or [np.empty(0)]))


def middle_and_95(values: np.ndarray, digits: int) -> tuple[str, str]:
    """Median and 95th percentile as text."""
    if len(values) == 0:
        return "", ""
    return f"{np.median(values):.{digits}f}", f"{np.quantile(values, 0.95):.{digits}f}"


def takes_table(results: list[dict]) -> str:
    """How much was measured."""
    rows = []
    for part in (HELD_OUT, DEVELOPMENT, BEYOND):
        takes = _of(results, part)
        minutes = sum(take["duration_s"] for take in takes) / 60
        aside = sum(take["status"] == "set_aside" for take in takes)
        rows.append((part, len(takes), _sum(takes, "played"), f"{minutes:.0f}", aside))
    return markdown(("part", "takes", "notes played", "minutes", "set aside"), rows)


def notes_table(results: list[dict]) -> str:
    """Notes found, by condition: the plain ones, and of the others the worst."""
    rows = [
        (
            _name(part, condition),
            len(takes),
            _sum(takes, "played"),
            f"{f_measure(takes):.4f}",
            f"{f_measure(takes, 'matched_offset'):.3f}",
            middle_and_95(pooled(takes, "onset_ms"), 1)[1],
        )
        for part, condition, takes in _worth_telling(results, f_measure)
    ]
    return markdown(("condition", "takes", "notes", "F", "F with offsets", "onset error, 95 % (ms)"), rows)


def pitch_table(results: list[dict]) -> str:
    """Errors of pitch in cents, by condition as in `notes_table`, where the truth is sure."""
    rows = []
    for part, condition, every in _worth_telling(results, lambda takes: -_quantile(pooled(takes, "cents"), 0.95)):
        for exact, truth in ((True, "exact"), (False, "two references")):
            takes = [take for take in every if take["exact"] == exact]
            cents = pooled(takes, "cents")
            if takes:
                rows.append((_name(part, condition), truth, len(cents), *middle_and_95(cents, 3)))
    return markdown(("condition", "truth", "notes", "median (cents)", "95 % (cents)"), rows)


def side_table(results: list[dict]) -> str:
    """The general-purpose trackers and this program on the same takes."""
    rows = []
    for condition in (CLEAN, EXACT, HARD):
        takes = [take for take in _of(results, HELD_OUT, condition) if "trackers" in take]
        if not takes:
            continue
        gross = _sum(takes, "played") - _sum(takes, "pitched")
        rows.append((condition, OURS, f"{f_measure(takes):.3f}", gross, *middle_and_95(pooled(takes, "cents"), 3)))
        for name in takes[0]["trackers"]:
            theirs = [take["trackers"][name] for take in takes]
            cents = middle_and_95(pooled(theirs, "span_cents"), 3)
            rows.append((condition, name, f"{f_measure(theirs):.3f}", _sum(theirs, "span_gross"), *cents))
    return markdown(("condition", "method", "F", "gross errors", "median (cents)", "95 % (cents)"), rows)


def confidence_pairs(results: list[dict], part: str) -> np.ndarray:
    """(N, 2) stated confidence of every found note, and 1 where it was right."""
    return np.array([pair for take in _of(results, part) for pair in take["confidence"]]).reshape(-1, 2)


def bars_table(results: list[dict]) -> str:
    """What was set out to be reached, and what was."""
    rows = [
        (what, f"{sign} {bar:g}", shown, "yes" if met else "**no**") for what, sign, bar, shown, met in bars(results)
    ]
    return markdown(("on held-out takes", "to reach", "measured", "reached"), rows)


def bars(results: list[dict]) -> list[tuple[str, str, float, str, bool]]:
    """Every bar: what, `>=` or `<=`, the bar, what was measured as text, and whether it is reached."""
    held = _of(results, HELD_OUT)
    found = []

    def bar(what: str, value: float, sign: str, limit: float, digits: int) -> None:
        met = value >= limit if sign == "≥" else value <= limit
        found.append((what, sign, limit, f"{value:.{digits}f}", bool(met)))

    for condition, limit in ((CLEAN, 0.99), (HARD, 0.97)):
        for articulation in ("tongued", "slurred"):
            takes = [take for take in _of(results, HELD_OUT, condition) if take["articulation"] == articulation]
            bar(f"F, {condition}, {articulation}", f_measure(takes), "≥", limit, 4)
    onsets = pooled(_of(results, HELD_OUT, CLEAN), "onset_ms")
    bar("onset error, clean, 95 %, ms", _quantile(onsets, 0.95), "≤", 20, 1)
    spurious = 100 * _sum(held, "spurious") / max(1, _sum(held, "played"))
    bar("notes where none was played, % of notes", spurious, "≤", 0.2, 3)
    bar("octave or twelfth errors", _sum(held, "mistaken"), "≤", 0, 0)
    exact = _of(results, HELD_OUT, EXACT)
    theirs = [take["trackers"]["Praat autocorrelation"] for take in exact if "trackers" in take]
    sampled = [take for take in _of(results, HELD_OUT, CLEAN) if not take["exact"]]
    for name, quantile, limit in (("median", 0.5, 0.05), ("95 %", 0.95, 0.3)):
        ours = _quantile(pooled(exact, "cents"), quantile)
        bar(f"cents, {EXACT}, {name}", ours, "≤", limit, 4)
        if theirs:
            same = _quantile(pooled([take for take in exact if "trackers" in take], "cents"), quantile)
            bar(f"the same beside Praat's on the same takes, {name}", same, "≤", _rounded(theirs, quantile), 4)
    for name, quantile, limit in (("median", 0.5, 0.3), ("95 %", 0.95, 1.5)):
        bar(f"cents, sampled instruments, clean, {name}", _quantile(pooled(sampled, "cents"), quantile), "≤", limit, 3)
    return found


def _rounded(theirs: list[dict], quantile: float) -> float:
    return round(_quantile(pooled(theirs, "span_cents"), quantile), 4)


def _quantile(values: np.ndarray, quantile: float) -> float:
    return float(np.quantile(values, quantile)) if len(values) else float("nan")


def _conditions(results: list[dict]) -> Iterable[tuple[str, str, list[dict]]]:
    """Part, condition and takes, in the order of the campaign; without what is beyond the task."""
    for part, condition in dict.fromkeys((take["part"], take["condition"]) for take in results):
        if part != BEYOND:
            yield part, condition, _of(results, part, condition)


def _worth_telling(results: list[dict], good: Callable[[list[dict]], float]) -> list[tuple[str, str, list[dict]]]:
    """Of `_conditions` the plain ones, and of the others those for whose takes `good` is least."""
    every = list(_conditions(results))
    others = [one for one in every if one[1] not in (CLEAN, EXACT, HARD)]
    worst = sorted(others, key=lambda one: good(one[2]))[:WORST]
    return [one for one in every if one in worst or one not in others]


def _name(part: str, condition: str) -> str:
    return condition if part == HELD_OUT else f"*{part}*: {condition}"


def _of(results: list[dict], part: str, condition: str | None = None) -> list[dict]:
    return [take for take in results if take["part"] == part and condition in (None, take["condition"])]


def _sum(takes: Iterable[dict], key: str) -> int:
    return sum(take[key] for take in takes)
