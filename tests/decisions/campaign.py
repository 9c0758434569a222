"""How often the program's verdicts and probabilities are right, on drawn studies.

A part asks its questions of many studies of each of its cells; what a study answers are numbers that are summed over
the studies of the cell. A row of the results is a cell with the number of studies, the sums and the CPU time.
"""

import multiprocessing
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from evenbore.facts.criteria import CRITERIA

from . import generator as draw
from . import judged
from .generator import ATTACK, BRIGHTNESS, CENTS, INSTRUMENTS, KINDS, LEVEL, NOISE, Truth, Visit

REPORTED, DEVELOPMENT = 4, 2
"""Series of seeds: nothing is tuned on the first."""
TAKES = 2  # of an instrument in a session, at each dynamic
DAYS, USUAL_DAYS = (0.0, 0.3, 0.5, 1.0), 0.5  # an instrument's own; the bars hold up to the usual ones
SIZES = (1, 2, 3)  # just-noticeable differences
TOLD = ("tuning_offset", "intonation_spread", "noise", "response")
SHIFTED = {"tuning_offset": CENTS, "noise": NOISE, "response": ATTACK}
STRETCHED = {"intonation_spread": CENTS, "timbre_evenness": BRIGHTNESS, "level_evenness": LEVEL}
NOT_EQUAL = ("tuning_offset", "timbre_evenness", "level_evenness")
BARELY = 1.2  # just-noticeable differences
SPREADS = (0.25, 0.5, 1.0)  # of the instruments, in what such instruments usually differ by
BINS = (0.2, 0.4, 0.6, 0.7, 0.8, 0.9, 1.0001)  # of stated probabilities
MEANT = 40.0  # concentration of the weights that a buyer means, given those of a preset: a weight of 0.3 to within 0.07
PILOTS = 40  # studies of identical instruments that plans take the scatter of takes from
TOGETHER = 5  # studies of a cell that a process takes at once

Cell = Mapping[str, Any]
Sums = Counter[str]


def layouts() -> list[dict]:
    """One session and three linked ones, plain and real."""
    ways = [(1, 0), *((3, shared) for shared in (1, 2, 3, INSTRUMENTS))]
    return [{"sessions": s, "shared": shared, "scatter": kind} for s, shared in ways for kind in KINDS]


def with_days(days: Sequence[float]) -> list[dict]:
    """`layouts` with own days; in one session alone nothing tells days from instruments, so they are none."""
    return [cell | {"day": day} for cell in layouts() for day in (days if cell["sessions"] > 1 else [0.0])]


def visits(cell: Cell) -> list[Visit]:
    return draw.layout(cell["sessions"], cell["shared"])


def identical(rng, cell: Cell, number: int) -> Sums:
    """Whether anything `differs` between identical instruments, and whether intervals hold the true difference, 0."""
    study = draw.draw(rng, draw.identical(rng), visits(cell), KINDS[cell["scatter"]], TAKES, cell["day"])
    table = judged.pairs(study, judged.assessed(study))
    sums = _any_differs(table) + _covered(table, 0.0)
    kinds = _kinds(table, cell)
    for criterion, kind, size in zip(table["criterion"], kinds, table["difference"], strict=True):
        sums[f"square {criterion} {kind}"] += size**2
        sums[f"known {criterion} {kind}"] += 1
    return sums


def different(rng, cell: Cell, number: int) -> Sums:
    """Whether intervals hold the differences of instruments that differ, and how right the ranking is."""
    truth = draw.instruments(rng, SPREADS[number % len(SPREADS)])
    study = draw.draw(rng, truth, visits(cell), KINDS[cell["scatter"]], TAKES, cell["day"])
    found, true = judged.assessed(study), judged.true_values(truth)
    table = judged.pairs(study, found)
    values = true.to_numpy()
    column = true.columns.get_indexer(table["criterion"])
    sums = _covered(table, values[table["a"], column] - values[table["b"], column])
    return sums + _first_places(rng, study, found, true, list(judged.PRESETS)[number % len(judged.PRESETS)])


def _first_places(rng, study, found, true: pd.DataFrame, preset: str) -> Sums:
    """Stated first places and whether they came true; the quality lost by buying the first."""
    given = pd.Series(judged.PRESETS[preset], dtype=float)
    given /= given.sum()
    meant = pd.Series(rng.dirichlet(MEANT * given), given.index)
    of_instrument = quality(true, meant)
    stated = judged.first_places(study, found, preset, int(rng.integers(2**31)))
    measured = found.instruments.pivot(index="instrument", columns="criterion", values="value")
    sums: Sums = Counter(firsts=1)
    for chosen, name in (("ranking", stated.index[0]), ("means", quality(measured, given).idxmax())):
        sums[f"lost {chosen}"] = of_instrument.max() - of_instrument[name]
    sums["lost random"] = of_instrument.max() - of_instrument.mean()
    for low, name, p in zip(np.digitize(stated, BINS), stated.index, stated, strict=True):
        if low:
            place = f"{BINS[low - 1]:g}"
            sums[f"said {place}"] += 1
            sums[f"stated {place}"] += p
            sums[f"true {place}"] += int(name == of_instrument.idxmax())
    return sums


def quality(values: pd.DataFrame, weights: pd.Series) -> pd.Series:
    """By instrument, weighted sum of steps better than the median, each criterion's levelling off at five steps."""
    total = pd.Series(0.0, values.index)
    for criterion, weight in weights.items():
        value, better = values[criterion].astype(float), CRITERIA[criterion].better
        good = {"higher": value, "lower": -value, "target": -value.abs()}[better]
        total += weight * 5 * np.tanh(((good - good.median()) / judged.step(criterion)).fillna(0.0) / 5)
    return total


def power(rng, cell: Cell, number: int) -> Sums:
    """Whether one instrument's differences are told, and whether one that knows the scatter would tell them.

    Each criterion by another of SIZES, changing from study to study. The pairs with instruments of other sessions,
    neither shared; where there is no such, all its pairs.
    """
    sizes = {criterion: SIZES[(number + k) % len(SIZES)] for k, criterion in enumerate(TOLD)}
    truth = differing(draw.identical(rng), {c: size * judged.step(c) for c, size in sizes.items()})
    study = draw.draw(rng, truth, visits(cell), KINDS[cell["scatter"]], TAKES, cell["day"])
    table = judged.pairs(study, judged.assessed(study))
    kind, last = _kinds(table, cell), table["b"] == INSTRUMENTS - 1
    asked = last & (kind == "apart") if (last & (kind == "apart")).any() else last
    told = {
        "asked": asked,
        "told": asked & (table["verdict"] == "differs"),
        "oracle": asked & _oracle(table, kind, cell),
    }
    return Counter(
        {
            f"{word} {criterion} {size}": int((rows & (table["criterion"] == criterion)).sum())
            for word, rows in told.items()
            for criterion, size in sizes.items()
        }
    )


def _oracle(table: pd.DataFrame, kind: np.ndarray, cell: Cell) -> pd.Series:
    """What one says who knows the standard errors of the same differences: whether they differ.

    p adjusted as the program does: over the pairs of a criterion, and times the criteria over those that tell of any.
    """
    error = [cell["known"][f"{criterion} {one}"] for criterion, one in zip(table["criterion"], kind, strict=True)]
    size = table["difference"].abs()
    p = pd.Series(2 * stats.norm.sf(size / error), table.index)
    adjusted = p.groupby(table["criterion"]).transform(stats.false_discovery_control)
    least = adjusted.groupby(table["criterion"]).min()
    telling = (stats.false_discovery_control(least) <= 0.05).sum()
    differs = adjusted * len(least) / max(telling, 1) <= 0.05
    return differs & ~(size + stats.norm.ppf(0.95) * np.array(error) <= table["just_noticeable"].astype(float))


def _kinds(table: pd.DataFrame, cell: Cell) -> np.ndarray:
    """How the instruments of each pair are joined: both shared, one, or neither, in one session or apart."""
    a, b = table["a"].to_numpy(), table["b"].to_numpy()
    shared = (a < cell["shared"]).astype(int) + (b < cell["shared"])
    neither = np.where(a % cell["sessions"] == b % cell["sessions"], "together", "apart")
    return np.where(shared == 2, "both", np.where(shared == 1, "one", neither))


def differing(truth: Truth, by: Mapping[str, float]) -> Truth:
    """The last instrument differs in these criteria, in their units."""
    before = judged.true_values(truth).iloc[-1]
    for criterion, size in by.items():
        if criterion in STRETCHED:
            truth = draw.stretched(truth, STRETCHED[criterion], 1 + size / before[criterion])
        else:
            truth = draw.shifted(truth, SHIFTED[criterion], size)
    return truth


def equal(rng, cell: Cell, number: int) -> Sums:
    """Whether what differs a little more than is noticed is told to be no audible difference."""
    truth = differing(draw.identical(rng), {criterion: BARELY * judged.step(criterion) for criterion in NOT_EQUAL})
    study = draw.draw(rng, truth, draw.layout(1, 0), KINDS[cell["scatter"]], TAKES, room_db=cell["room_db"])
    table = judged.pairs(study, judged.assessed(study))
    return _of_the_last(table, NOT_EQUAL, "equal", "no_audible_difference")


def promise(rng, cell: Cell, number: int) -> Sums:
    """Whether the difference that a plan promises to find is found, one criterion a study: without any just-noticeable
    difference."""
    criterion = TOLD[number % len(TOLD)]
    by = cell["known"][criterion]
    truth = differing(draw.identical(rng), {criterion: by})
    study = draw.draw(rng, truth, visits(cell), KINDS[cell["scatter"]], TAKES, cell["day"])
    table = judged.pairs(study, judged.assessed(study), heard=False)
    return _of_the_last(table, [criterion], "told", "differs")


def _of_the_last(table: pd.DataFrame, criteria: Sequence[str], word: str, verdict: str) -> Sums:
    """Of each of these criteria, the last instrument's pairs and those with this verdict."""
    own = table[table["b"] == INSTRUMENTS - 1]
    sums: Sums = Counter()
    for criterion in criteria:
        told = own.loc[own["criterion"] == criterion, "verdict"]
        sums.update({f"asked {criterion}": len(told), f"{word} {criterion}": int((told == verdict).sum())})
    return sums


@cache
def take_sd(scatter: str) -> dict[str, float]:
    """By criterion, the standard deviation between takes as earlier studies show it: how much an evenness scatters
    depends on how uneven their instruments are."""
    rng = np.random.default_rng([DEVELOPMENT, 99])
    pilots = [draw.draw(rng, draw.identical(rng), draw.layout(1, 0), KINDS[scatter], takes=8) for _ in range(PILOTS)]
    variances = np.square(pd.DataFrame([judged.takes_scatter(pilot) for pilot in pilots]))
    return variances.mean().pow(0.5).to_dict()


def changed(rng, cell: Cell, number: int) -> Sums:
    """Whether anything `differs` before and after nothing was done: of every instrument, in one session, or in two that
    two instruments link, which stay as they were found."""
    later, linking = (0, 0) if cell["sessions"] == 1 else (1, 2)
    where = [Visit(i, 0) for i in range(INSTRUMENTS)]
    where += [Visit(i, later, "as_found" if i < linking else "after_setup") for i in range(INSTRUMENTS)]
    study = draw.draw(rng, draw.identical(rng), where, KINDS[cell["scatter"]], TAKES, cell["day"])
    table = judged.before_and_after(study, judged.assessed(study))
    wrong, whole = table["verdict"] == "differs", table["note"].isna()
    told = table["verdict"] != "not_comparable"
    return Counter(
        asked=INSTRUMENTS - linking,
        comparable=table[told]["instrument"].nunique(),
        differs=table[wrong]["instrument"].nunique(),
        whole=table[wrong & whole]["instrument"].nunique(),
        note=table[wrong & ~whole]["instrument"].nunique(),
    )


def players(rng, cell: Cell, number: int) -> Sums:
    """Whether anything `differs` between identical instruments, half of them played by one player, half by another."""
    half = INSTRUMENTS // 2
    where = [Visit(i, player=i // half) for i in range(INSTRUMENTS)]
    study = draw.draw(rng, draw.identical(rng), where, KINDS[cell["scatter"]], TAKES)
    return _any_differs(judged.pairs(study, judged.assessed(study)))


def clusters(rng, cell: Cell, number: int) -> Sums:
    """How many clusters are found where there are three, or one."""
    truth = draw.clusters(rng, cell["clusters"])
    study = draw.draw(rng, truth, draw.layout(1, 0), KINDS[cell["scatter"]], TAKES)
    found = judged.clusters(study, number)
    own = np.arange(INSTRUMENTS) * cell["clusters"] // INSTRUMENTS
    right = len(set(zip(found, own, strict=True))) == cell["clusters"] == len(set(found)) if found else False
    return Counter(structure=int(bool(found)), three=int(len(set(found)) == 3), right=int(right))


def benched(rng, cell: Cell, number: int) -> Sums:
    """Whether healthy, identical instruments get a finding; one note of one take may be fluffed."""
    study = draw.draw(rng, draw.identical(rng), draw.layout(1, 0), KINDS[cell["scatter"]], TAKES)
    table = judged.findings(draw.fluffed(rng, study) if cell["fluffed"] else study)
    last = table["instrument"] == draw.name(INSTRUMENTS - 1)
    single = (table["n_notes"] == 1) & last
    sums = Counter(asked=INSTRUMENTS, single=int(single.any()), units=table["instrument"].nunique())
    sums.update(f"kind {kind}" for kind in table["kind"].unique())
    return sums


def _any_differs(table: pd.DataFrame) -> Sums:
    wrong = set(table.loc[table["verdict"] == "differs", "criterion"])
    strict = set(table.loc[table["p_adjusted"] <= 0.05, "criterion"])
    return Counter({"any": int(bool(wrong)), "any strict": int(bool(strict))} | {f"differs {c}": 1 for c in wrong})


def _covered(table: pd.DataFrame, true) -> Sums:
    """Of every criterion, the differences whose interval holds the true one, and the intervals there are."""
    known = table["low"].notna()
    held = known & (table["low"] <= true) & (true <= table["high"])
    sums: Sums = Counter()
    for words, rows in (("intervals", known), ("covered", held)):
        sums.update({f"{words} {c}": int(n) for c, n in table.loc[rows, "criterion"].value_counts().items()})
    return sums


class Part(NamedTuple):
    """`ask`: random generator, cell, number of the study -> sums."""

    ask: Callable[..., Sums]
    cells: list[dict]


def _scatters(**ways: Sequence) -> list[dict]:
    cells: list[dict] = [{"scatter": kind} for kind in KINDS]
    for key, values in ways.items():
        cells = [cell | {key: value} for value in values for cell in cells]
    return cells


PARTS = {
    "identical": Part(identical, with_days(DAYS)),
    "different": Part(different, with_days((0.0, USUAL_DAYS))),
    "power": Part(power, with_days((0.3,))),
    "equal": Part(equal, _scatters(room_db=(0.0, 1.0, 2.5))),
    "promise": Part(promise, [cell for cell in with_days((0.0, 0.3)) if cell["shared"] in (0, 2, INSTRUMENTS)]),
    "changes": Part(changed, _scatters(sessions=(1, 2), day=(0.0, USUAL_DAYS))),
    "players": Part(players, _scatters()),
    "clusters": Part(clusters, _scatters(clusters=(1, 3))),
    "benched": Part(benched, _scatters(fluffed=(False, True))),
}


SHORT = {"identical": 48, "different": 24, "power": 27, "equal": 12, "promise": 36, "changes": 8, "players": 24,
         "clusters": 24, "benched": 96}  # fmt: skip
"""Studies of a cell in the short campaign."""


def usual(cell: Cell) -> bool:
    """Whether the short campaign has the cell: of layouts one session, and three that two instruments link on own days
    of 0.3 and 0.5."""
    return cell.get("shared", 0) in (0, 2) and (cell.get("sessions") != 3 or 0 < cell["day"] <= USUAL_DAYS)


def run(
    studies: int | Mapping[str, int],
    series: int,
    jobs: int,
    keep: Callable[[dict[str, list[dict]]], None] = lambda results: None,
    cells: Mapping[str, Sequence[dict]] | None = None,
) -> dict[str, list[dict]]:
    """The parts with so many `studies` for each cell, of all or of each part; `keep` gets what there is after each
    part; `cells`: of the parts to run, else all of them."""
    chosen = {name: part.cells for name, part in PARTS.items()} if cells is None else cells
    results: dict[str, list[dict]] = {}
    with multiprocessing.Pool(jobs, maxtasksperchild=40) as pool:
        for name, part_cells in chosen.items():
            if name == "power":
                part_cells = [cell | {"known": _errors(results["identical"], cell)} for cell in part_cells]
            elif name == "promise":
                part_cells = [cell | {"known": judged.promised(visits(cell), TAKES, take_sd(cell["scatter"]))}
                              for cell in part_cells]  # fmt: skip
            count = studies if isinstance(studies, int) else studies[name]
            firsts = range(0, count, TOGETHER)
            tasks = [(name, c, series, first, min(first + TOGETHER, count)) for c in part_cells for first in firsts]
            sums: list[Sums] = [Counter() for _ in part_cells]
            for place, answer in enumerate(pool.imap(_ask, tasks)):
                sums[place // len(firsts)].update(answer)
            results[name] = [
                _plain(cell) | {"studies": count} | dict(sorted(own.items()))
                for cell, own in zip(part_cells, sums, strict=True)
            ]
            keep(results)
    return results


def _ask(task: tuple[str, Cell, int, int, int]) -> Sums:
    """The sums of the studies from one number to another; a study's seed is its own, whatever else is drawn."""
    name, cell, series, first, last = task
    begin, sums = time.process_time(), Counter()
    numbers = [int(1000 * v) if not isinstance(v, str) else list(KINDS).index(v) for v in _plain(cell).values()]
    place = [series, list(PARTS).index(name), *numbers]
    for number in range(first, last):
        sums.update(PARTS[name].ask(np.random.default_rng([*place, number]), cell, number))
    sums["cpu_s"] = time.process_time() - begin
    return sums


def _plain(cell: Cell) -> dict[str, Any]:
    return {key: value for key, value in cell.items() if key != "known"}


def _errors(rows: Sequence[dict], cell: Cell) -> dict[str, float]:
    """Standard errors of differences by criterion and kind of pair (`known`), as identical instruments show them."""
    row = next(row for row in rows if all(row[key] == value for key, value in cell.items()))
    squares = {key.removeprefix("square "): value for key, value in row.items() if key.startswith("square ")}
    return {key: float(np.sqrt(value / row[f"known {key}"])) for key, value in squares.items()}
