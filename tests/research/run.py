"""Run the campaign of `simulation` and renew the tables of docs/research.md.

python tests/research/run.py [--studies N] [--only simulation|brightness|sound]

1000 studies of each kind by default; of pairs a tenth, of brightness a fifth, as sound 5 (of fewer, a 200th). What is
done is kept in build/research/STUDIES.json: an interrupted campaign goes on there. Remove it to begin anew.
"""

import argparse
import json
import sys
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPO / "scripts"), str(REPO / "tests")]

from campaigns import markdown, one_thread, renew

one_thread()

from research.brightness import EFFECTS, run_brightness
from research.simulation import NOTES, SCENARIOS, run_notes, run_pairs, run_scenario
from research.sound import STUDIES, run_sound

PAGE = REPO / "docs" / "research.md"
KEPT = REPO / "build" / "research"


def campaign(studies: int, part: str) -> dict[str, dict]:
    """Results of one part by name, kept as they come."""
    file = KEPT / f"{studies}.json"
    found = json.loads(file.read_text("utf-8")) if file.is_file() else {}
    file.parent.mkdir(parents=True, exist_ok=True)
    todo = PARTS[part](studies)
    for name, (run, *asked) in todo.items():
        if name not in found:
            found[name] = run(*asked)
            print(name, found[name], flush=True)
            file.write_text(json.dumps(found, indent=1), "utf-8")
    return {name: found[name] for name in todo}


def simulated(studies: int) -> dict[str, tuple]:
    """What the part simulation runs: name -> function and arguments."""
    todo: dict[str, tuple] = {f"notes {criterion}": (run_notes, criterion, studies) for criterion in NOTES}
    todo |= {f"factor {scenario.name}": (run_scenario, scenario, studies) for scenario in SCENARIOS}
    alone = [scenario for scenario in SCENARIOS if scenario.players == 1 and not scenario.lost]
    return todo | {f"pairs {scenario.name}": (run_pairs, scenario, studies // 10) for scenario in alone}


def tables(found: dict[str, dict]) -> str:
    """The table of the page, and how well plans foretell the errors."""
    tests = [result for name, result in found.items() if not name.startswith("pairs")]
    planned = [result for name, result in found.items() if name.startswith("factor") and result["planned"]]
    pairs = [result for name, result in found.items() if name.startswith("pairs")]
    heads = ["studies", "method", "p < 0.05", "permutation p < 0.05", "90 % intervals that cover"]
    shares = [[r["scenario"], r["method"], *(f"{100 * r[key]:.1f} %" for key in SHARES)] for r in tests]
    kept = (
        f"Standard errors over those planned: of the material's effect {_over_planned(planned, 'reported')} as the"
        f" analysis reports them and {_over_planned(planned, 'scattered')} in truth, of the difference of two"
        f" instruments {_over_planned(pairs, 'scattered')} in truth."
    )
    return f"{markdown(heads, shares)}\n\n{kept}"


def brightness_table(found: dict[str, dict]) -> str:
    """The table of the planted brightness; as sound also of which source."""
    heads = ["planted, dB per octave", "studies", "pairs", "p < 0.05", "adjusted", "intervals that cover", "estimate",
             "curve p < 0.05", "bands that hold"]  # fmt: skip
    rows = [
        [" ".join(filter(None, [r.get("source"), f"{r['effect']:g}"])), r["studies"], r["pairs"],
         *(f"{100 * r[key]:.1f} %" for key in ("p_below", "adjusted_below", "covered")), f"{r['estimate']:.2f}",
         *(f"{100 * r[key]:.1f} %" for key in ("curve_p_below", "curve_held"))]
        for r in found.values()
    ]  # fmt: skip
    return markdown(heads, rows)


SHARES = ("p_below", "permutation_below", "covered")


def _over_planned(results: list[dict], achieved: str) -> str:
    """From the least to the most of the studies."""
    ratios = [r[achieved] / r["planned"] for r in results]
    return f"{min(ratios):.2f} to {max(ratios):.2f}"


PARTS = {
    "simulation": simulated,
    "brightness": lambda n: {f"brightness {e:g}": (run_brightness, e, max(n // 5, 1)) for e in EFFECTS},
    "sound": lambda n: {f"sound {s} {e:g}": (run_sound, s, e, max(n // 200, 1)) for s, e in STUDIES},
}
TABLES = {"simulation": tables, "brightness": brightness_table, "sound": brightness_table}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--only", choices=PARTS, action="append")
    given = parser.parse_args()
    for part in given.only or PARTS:
        renew(PAGE, {part: TABLES[part](campaign(given.studies, part))})


if __name__ == "__main__":
    main()
