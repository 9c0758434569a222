"""Studies drawn with known truth, many times: how often factors are found where there are none, how often intervals
cover the truth, and whether plans keep what they predict.

`python tests/research/run.py` runs all and renews the tables of docs/research.md.
"""

from dataclasses import dataclass, field
from random import Random

import numpy as np
import pandas as pd

from evenbore.compare.factors import Factor, judge_factor
from evenbore.judge.assess import without_session_offsets
from evenbore.judge.repeatability import Days
from evenbore.judge.values import FUNCTIONS, TakeNotes
from evenbore.plan.layout import layouts, turns
from evenbore.plan.precision import factor_error, pair_errors

COLUMNS = ["instrument", "state", "session", "recording", "direction", "articulation", "player", "value"]
NO_DAYS = Days(np.zeros(1), np.ones(1), 0.0)  # none are drawn
INSTRUMENTS = [f"i{k}" for k in range(12)]


@dataclass(frozen=True)
class Scenario:
    """One kind of study. `sd`: of instrument, session, player, take; `levels`: instrument -> material; `sessions`:
    more than one are planned with a reference; `lost`: share of takes set aside at random; `effect` added
    to every level after the first, once per step."""

    name: str
    levels: dict[str, str]
    sd: dict[str, float] = field(
        default_factory=lambda: {"instrument": 1.0, "session": 2.0, "player": 1.0, "take": 1.0}
    )
    sessions: int = 1
    players: int = 1
    takes: int = 3
    lost: float = 0.0
    effect: float = 0.0


def materials(*counts: int) -> dict[str, str]:
    """Instruments i0, i1 ... with so many of each material, materials alternating."""
    left, found = list(counts), {}
    while any(left):
        for number, count in enumerate(left):
            if count:
                found[f"i{len(found)}"] = f"m{number}"
                left[number] -= 1
    return found


def layout_of(scenario: Scenario, rng: Random):
    """The planned layout of a scenario: reference i0, rounds as takes."""
    sessions = [f"s{k}" for k in range(scenario.sessions)]
    references = ["i0"] if scenario.sessions > 1 else []
    found = layouts(scenario.levels, references, sessions, rng)
    return next(layout for layout in found if layout.rounds == scenario.takes)


def draw(scenario: Scenario, number: int) -> tuple[pd.DataFrame, object]:
    """Take values of one study, and its layout."""
    rng = np.random.default_rng([77, number])
    layout = layout_of(scenario, Random(number))
    planned = turns(layout, Random(number))
    order = sorted(set(scenario.levels.values()))
    true = {n: scenario.effect * order.index(m) + rng.normal(0, scenario.sd["instrument"])
            for n, m in scenario.levels.items()}  # fmt: skip
    day = {session: rng.normal(0, scenario.sd["session"]) for session in layout.visits}
    player = [rng.normal(0, scenario.sd["player"]) for _ in range(scenario.players)]
    rows = [
        (turn.instrument, "as_found", turn.session, f"r{k}_{p}", "up", "slurred", f"p{p}",
         true[turn.instrument] + day[turn.session] + player[p] + rng.normal(0, scenario.sd["take"]))
        for k, turn in enumerate(planned)
        for p in range(scenario.players)
    ]  # fmt: skip
    takes = pd.DataFrame(rows, columns=COLUMNS)
    return takes[rng.random(len(takes)) >= scenario.lost].reset_index(drop=True), layout


def judged(takes: pd.DataFrame, levels: dict[str, str], number: int) -> list[dict]:
    """Every contrast of the material."""
    factor = Factor("material", levels, {})
    return judge_factor(takes, factor, [], factor.contrasts(), np.random.default_rng(number))


def run_scenario(scenario: Scenario, studies: int) -> dict:
    """Shares over the studies: p < .05, permutation p < .05, 90 % intervals that hold the truth; and the errors."""
    rows = []
    for number in range(studies):
        takes, layout = draw(scenario, number)
        planned, _ = factor_error(
            layout, scenario.levels, tuple(scenario.sd[k] for k in ("instrument", "session", "take"))
        )
        result = judged(takes, scenario.levels, number)[0]
        rows.append(result | {"planned": planned})
    frame = pd.DataFrame(rows)
    truth = -scenario.effect  # first level less the second
    return summary(frame, truth) | {
        "scenario": scenario.name,
        # a plan knows nothing of several players
        "planned": float(frame["planned"].pow(2).mean() ** 0.5) if scenario.players == 1 else None,
    }


def summary(frame: pd.DataFrame, truth: float) -> dict:
    """Shares and errors of many results of one contrast."""
    return {
        "studies": len(frame),
        "method": ", ".join(sorted(set(frame["method"]))),
        "p_below": float((frame["p"] < 0.05).mean()),
        "permutation_below": float((frame["p_permutation"] < 0.05).mean()),
        "covered": float(((frame["low"] <= truth) & (truth <= frame["high"])).mean()),
        "reported": float(frame["se"].pow(2).mean() ** 0.5),
        "scattered": float((frame["estimate"] - truth).pow(2).mean() ** 0.5),
    }


def run_notes(criterion: str, studies: int, n_notes: int = 40, n_takes: int = 6) -> dict:
    """A null material with many notes and takes: one session, six instruments of each, cents of every note drawn."""
    function = FUNCTIONS[criterion]
    levels = materials(6, 6)
    still = np.zeros(n_notes)
    rows = []
    for number in range(studies):
        rng = np.random.default_rng([78, number])
        values = []
        for name in levels:
            scale = rng.normal(0, 6) + rng.normal(0, 6, n_notes)
            for take in range(n_takes):
                cents = scale + rng.normal(0, 1.5) + rng.normal(0, 2, n_notes)
                notes = TakeNotes(np.arange(60, 60 + n_notes), still.astype(int), still.astype(bool), still - 1, 0.0,
                                  cents, *[still] * 7)  # fmt: skip
                values.append((name, "as_found", "s", f"{name}{take}", "up", "slurred", "p", function(notes)))
        rows.append(judged(pd.DataFrame(values, columns=COLUMNS), levels, number)[0])
    return summary(pd.DataFrame(rows), 0.0) | {"scenario": f"{criterion}, {n_notes} notes × {n_takes} takes"}


def run_pairs(scenario: Scenario, studies: int) -> dict:
    """Planned and true errors of the difference of two instruments, root mean square over all pairs."""
    planned, true = [], []
    names = sorted(scenario.levels)
    a, b = np.triu_indices(len(names), 1)
    for number in range(studies):
        takes, layout = draw(scenario, number)
        planned.append(pair_errors(layout, scenario.sd["take"], True, NO_DAYS)[0] ** 2)
        takes = without_session_offsets(takes.assign(criterion="tuning_offset"))
        away = takes.groupby("instrument")["value"].mean().reindex(names).to_numpy() - draw_truth(
            scenario, number, names
        )
        true.append(((away[a] - away[b]) ** 2).mean())
    errors = {key: float(np.mean(values) ** 0.5) for key, values in (("planned", planned), ("scattered", true))}
    return {"scenario": scenario.name, "studies": studies} | errors


def draw_truth(scenario: Scenario, number: int, names: list[str]) -> np.ndarray:
    """True values of the instruments that `draw` drew."""
    rng = np.random.default_rng([77, number])
    order = sorted(set(scenario.levels.values()))
    true = {n: scenario.effect * order.index(m) + rng.normal(0, scenario.sd["instrument"])
            for n, m in scenario.levels.items()}  # fmt: skip
    return np.array([true[name] for name in names])


SCENARIOS = (
    Scenario("12 instruments, one session, 3 takes", materials(6, 6)),
    Scenario("12 instruments, 3 sessions, reference in each", materials(6, 6), sessions=3),
    Scenario("the same, an effect of 2", materials(6, 6), sessions=3, effect=2.0),
    Scenario("the same, 10 % of the takes lost", materials(6, 6), sessions=3, lost=0.1),
    Scenario("8 instruments, one session, 3 takes", materials(4, 4)),
    Scenario("three materials, 4 of each, 2 sessions", materials(4, 4, 4), sessions=2),
    Scenario("9 and 3 instruments, 3 sessions", materials(9, 3), sessions=3),
    Scenario("12 instruments, one session, 2 players", materials(6, 6), players=2),
    Scenario("12 instruments a third of the take apart, 3 sessions", materials(6, 6), sessions=3,
             sd={"instrument": 0.33, "session": 2.0, "player": 1.0, "take": 1.0}),
)  # fmt: skip
NOTES = ("tuning_offset", "intonation_spread")
