"""How often the verdicts and probabilities are right, in studies of drawn values and of drawn notes.

Every part is a list of rows (dicts of plain numbers), so that results can be kept as JSON.
"""

from collections.abc import Callable
from typing import TextIO

import numpy as np

from . import notes
from .studies import INSTRUMENTS, Layout, covered, draw_takes, first_places, pairs_of, values_covered

CRITERION = "intonation_spread"
ONE_SESSION = [Layout(takes=2), Layout(takes=4)]
LINKED = [Layout(3, shared, 3) for shared in (1, 2, 3, INSTRUMENTS)]
DAYS = {"tuning_offset": (0.0, 0.5, 1.0, 2.0), "intonation_spread": (0.0, 0.25, 0.5, 1.0)}
"""Standard deviations of an instrument's own days, in those of a take: of pitch as a whole, and from note to note."""
SPREADS = {0.25: 1, 0.5: 1, 1.0: 2, 2.0: 5, 4.0: 5}
"""Standard deviations between instruments, in standard errors of a value, and how many times as many studies are drawn:
a high probability is seldom stated, and a hundred cases are wanted to judge it."""
DRAWS = 300
"""Behind each stated probability."""
WEIGHTS = {"intonation_spread": 0.4, "worst_note_cents": 0.2, "noise": 0.25, "dynamic_range": 0.15}


def run(studies: int, tell: TextIO) -> dict[str, list[dict]]:
    """All parts with `studies` studies for each row."""
    parts: dict[str, Callable] = {
        "alike": lambda: alike(studies),
        "apart": lambda: apart(studies),
        "covered": lambda: values(studies),
        "first": lambda: first(studies),
        "notes": lambda: notes.alike(studies),
    }
    results = {}
    for part, measure in parts.items():
        results[part] = measure()
        print(f"{part}: done", file=tell, flush=True)
    return results


def alike(studies: int, linked: list[Layout] = LINKED, days: dict[str, tuple[float, ...]] = DAYS) -> list[dict]:
    """Twelve identical instruments: studies in which any pair differs, and coverage of the true difference, zero."""
    cases = [(layout, CRITERION, 0.0, 0.0) for layout in ONE_SESSION]
    cases += [(layout, criterion, 4.0, day) for criterion in days for layout in linked for day in days[criterion]]
    rows = []
    for number, (layout, criterion, session_sd, day_sd) in enumerate(cases):
        rng = np.random.default_rng([1, number])
        false, held = 0, []
        for _ in range(studies):
            takes = draw_takes(rng, layout, {criterion: np.zeros(INSTRUMENTS)}, 1.0, session_sd, day_sd)
            table = pairs_of(takes, {})
            false += bool((table["verdict"] == "differs").any())
            held.append(covered(table, np.zeros(INSTRUMENTS)))
        rows.append(
            _layout(layout)
            | {"criterion": criterion, "day": day_sd, "studies": studies, "false": false}
            | {"covered": float(np.mean(held))}
        )
    return rows


def apart(studies: int, linked: list[Layout] = LINKED) -> list[dict]:
    """One of twelve instruments differs from the others: studies in which its pair with another `differs`.

    In one session: by twice the just-noticeable difference, takes scattering by half of it. In three linked sessions
    that add four take SDs: the two are of different sessions, neither is shared.
    """
    cases = [(Layout(takes=4), CRITERION, 4.0, 0.0, 2.0), (Layout(takes=2), CRITERION, 4.0, 0.0, 2.0)]
    cases += [(layout, criterion, size, 4.0, np.nan) for criterion in DAYS for layout in linked for size in (6.0, 12.0)]
    rows = []
    for number, (layout, criterion, size, session_sd, just_noticeable) in enumerate(cases):
        rng = np.random.default_rng([2, number])
        truth = np.zeros(INSTRUMENTS)
        truth[-1] = size
        found = 0
        for _ in range(studies):
            table = pairs_of(draw_takes(rng, layout, {criterion: truth}, 1.0, session_sd), {criterion: just_noticeable})
            found += table["verdict"].iloc[-1] == "differs"  # the last two instruments
        rows.append(_layout(layout) | {"criterion": criterion, "size": size, "studies": studies, "found": int(found)})
    return rows


def values(studies: int) -> list[dict]:
    """Coverage of the true values and of the true differences, instruments spread by twice a take's SD."""
    rows = []
    for number, layout in enumerate(ONE_SESSION):
        rng = np.random.default_rng([3, number])
        of_values, of_pairs = [], []
        for _ in range(studies):
            truth = rng.normal(0, 2, INSTRUMENTS)
            takes = draw_takes(rng, layout, {CRITERION: truth})
            of_values.append(values_covered(takes, truth))
            of_pairs.append(covered(pairs_of(takes, {}), truth))
        rows.append(
            _layout(layout)
            | {"studies": studies, "values": float(np.mean(of_values)), "pairs": float(np.mean(of_pairs))}
        )
    return rows


def first(studies: int, spreads: dict[float, int] = SPREADS) -> list[dict]:
    """Stated probabilities of the first place and whether they came true, pooled over instruments, for each spread
    between the instruments; in one session and in linked ones, with days of their own and without."""
    rows = []
    for number, (layout, day_sd) in enumerate([(Layout(takes=3), 0.0), (Layout(3, 2, 3), 0.5), (Layout(3, 2, 3), 0.0)]):
        for spread, times in spreads.items():
            rng = np.random.default_rng([4, number, int(100 * spread)])
            stated, true = [], []
            for _ in range(times * studies):
                truth = {c: 20 + rng.normal(0, spread / np.sqrt(layout.takes), INSTRUMENTS) for c in WEIGHTS}
                takes = draw_takes(rng, layout, truth, 1.0, 2.0 * (layout.sessions > 1), day_sd)
                probability, best = first_places(takes, truth, np.array(list(WEIGHTS.values())), rng, DRAWS)
                stated += probability.tolist()
                true += (np.arange(INSTRUMENTS) == best).tolist()
            stated, true = np.array(stated), np.array(true)
            for low, high in ((0.2, 0.4), (0.4, 0.6), (0.6, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 1.01)):
                inside = (stated >= low) & (stated < high)
                rows.append(
                    _layout(layout)
                    | {"day": day_sd, "spread": spread, "low": low, "high": min(high, 1.0), "said": int(inside.sum()),
                       "stated": float(stated[inside].sum()), "true": int(true[inside].sum())}
                )  # fmt: skip
    return rows


def _layout(layout: Layout) -> dict:
    return {"sessions": layout.sessions, "shared": layout.shared, "takes": layout.takes}
