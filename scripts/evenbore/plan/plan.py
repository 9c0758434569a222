"""The recording plan of a study: who is recorded when, blinded, with what it will be able to show.

Reads the config, the instruments and the sessions; recordings there need not be any. Writes `results/plan/`:
`running_sheet.html`, `protocol.html`, `predicted.tsv`, a guide track for each kind of instrument, `sealed_key.txt`,
`plan.json` (settings and the key's fingerprint), and `blind_study/`, whose sheets know the instruments by codes alone.
Order and codes come from the operating system's randomness: a second plan is another plan.
"""

import json
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random, SystemRandom

import numpy as np
import pandas as pd
import soundfile as sf

from evenbore import __version__
from evenbore.compare.factors import LEAST_INSTRUMENTS, factor_of, models
from evenbore.facts.criteria import CRITERIA
from evenbore.facts.rows import Row
from evenbore.files.errors import EvenboreError, StudyError
from evenbore.files.paths import repo_root
from evenbore.files.tables import read_table, write_text
from evenbore.files.webpage import templates_in
from evenbore.judge.repeatability import Days, assumed_days
from evenbore.judge.values import criteria_table
from evenbore.plan.blind import draw_codes, seal, unseal
from evenbore.plan.guide import GUIDE_RATE, guide_track
from evenbore.plan.layout import USUAL_REFERENCES, USUAL_ROUNDS, Layout, Turn, layouts, turns
from evenbore.plan.precision import Scatter, pair_errors, predicted, scatter
from evenbore.study.sheetfile import cell_text, write_sheet
from evenbore.study.sheets import CONFIG, Reading, read_study
from evenbore.study.workbook import WORKBOOK
from evenbore.trade.pitch import midi_to_hz
from evenbore.trade.scale import expected_scale

FOLDER = "results/plan"
BLIND = "blind_study"
NEEDED = ("config", "instruments", "sessions")
SOFT, LOUD = "p", "f"
PHRASE, LONGEST_NAME = "phrase", 100
_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class Plan:
    """What was planned. `kinds`: (articulation or PHRASE, dynamic) of the takes of a turn; `phrase`: its name, empty
    for none; `levels`: instrument -> level of the factor that the prediction is about, empty where none can be tested;
    `factor` its column."""

    layout: Layout
    turns: list[Turn]
    codes: dict[str, str]
    references: list[str]
    kinds: list[tuple[str, str]]
    phrase: str
    factor: str
    levels: dict[str, str]
    predicted: pd.DataFrame

    @property
    def n_takes(self) -> int:
        """Takes in all."""
        return len(self.turns) * len(self.kinds)


def write_plan(
    study: str | Path, takes: int | None = None, slurred_only: bool = False, pilot: str | Path | None = None,
    players: Sequence[str] = (), phrase: str = "",
) -> Plan:  # fmt: skip
    """Plan the recordings of a study and write `results/plan`; raises EvenboreError where one is there already.

    `takes`: most takes in all (default: three turns of each instrument, each in one session); `slurred_only`: the
    slurred scale alone, without tongued, soft and loud takes; `pilot`: a study that was run, to take the scatter from;
    `players`: who plays, each every instrument; none: one player, whoever it is; `phrase`: name of a phrase of music
    that every turn plays softly and loudly. A folder without a config gets the repo's own.
    """
    folder = Path(study).absolute()
    target = folder / FOLDER
    if target.exists():
        raise EvenboreError(
            f"{target.as_posix()} is there already; allowed: one plan for a study, so that codes and key stay together."
            " Move it away to plan anew."
        )
    if folder.is_dir() and not (folder / CONFIG).exists():
        (folder / CONFIG).parent.mkdir(exist_ok=True)
        shutil.copyfile(repo_root() / CONFIG, folder / CONFIG)
    reading = read_for_plan(folder)
    variance = Path(pilot or folder) / "results/tables/variance.tsv"
    known = scatter(read_table(variance, "variance") if variance.is_file() else None)
    plan = _make_plan(reading, known, takes, slurred_only, SystemRandom(), players, phrase)
    part = target.with_name(f".plan.{os.getpid()}.part")
    try:
        _write(plan, reading, part, SystemRandom())
        os.replace(part, target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return plan


def read_for_plan(folder: Path) -> Reading:
    """Config, instruments and sessions of a study; raises StudyError with their problems, whatever else is missing."""
    reading = read_study(folder)
    needed = {CONFIG, WORKBOOK, *(reading.sheets[kind].file for kind in NEEDED[1:])}
    problems = [problem for problem in reading.problems if problem.file in needed]
    if problems:
        raise StudyError(problems)
    return reading


def _make_plan(
    reading: Reading, known: Mapping[str, Scatter], takes: int | None, slurred_only: bool, rng: Random,
    players: Sequence[str], phrase: str,
) -> Plan:  # fmt: skip
    """Choose the layout and draw order and codes."""
    sheet = {row["instrument"]: row for row in reading.sheets["instruments"].rows}
    sessions = [row["session"] for row in reading.sheets["sessions"].rows]
    if len(sheet) < 2:
        raise EvenboreError(f"{reading.sheets['instruments'].file}: one instrument; a comparison needs at least two.")
    base = reading.config["base_dynamic"]
    kinds = [("slurred", base)]
    if not slurred_only:
        kinds += [("tongued", base), *(("slurred", d) for d in (SOFT, LOUD) if d != base)]
    if len(phrase) > LONGEST_NAME:
        raise EvenboreError(f"--phrase: found {phrase!r}; allowed: a name of at most {LONGEST_NAME} characters.")
    if phrase:
        kinds += [(PHRASE, SOFT), (PHRASE, LOUD)]
    references = [name for name, row in sheet.items() if row["reference"] == "yes"]
    if not references and len(sessions) > 1:
        references = rng.sample(sorted(sheet), min(USUAL_REFERENCES, len(sheet)))
    factor, levels = _tested(reading.config["factors"], sheet)
    strata = {name: f"{row['family']}|{levels.get(name, '')}" for name, row in sheet.items()}
    own_days = reading.config["own_days"]
    if len(set(players)) < len(players):
        raise EvenboreError(f"--players: found {', '.join(players)}; allowed: each player once.")
    candidates = layouts(strata, references, sessions, rng, list(players) or [""])
    layout = _chosen(candidates, takes, len(kinds), assumed_days(own_days)["whole"])
    table = criteria_table(reading.config["just_noticeable"], reading.config["currency"])
    told = {name: told_by(name, kinds) for name in known}
    return Plan(
        layout, turns(layout, rng), draw_codes(sorted(sheet), rng), references, kinds, phrase, factor, levels,
        predicted(layout, levels, {name: known[name] for name in known if told[name]}, table, own_days, told),
    )  # fmt: skip


def told_by(criterion: str, kinds: Sequence[tuple[str, str]]) -> int:
    """At how many dynamics takes of these kinds (articulation or PHRASE, dynamic) tell how takes scatter in the
    criterion, 0 where none tells the criterion; a phrase tells none."""
    entry = CRITERIA[criterion]
    kinds = [kind for kind in kinds if kind[0] != PHRASE]
    if entry.kind == "dynamics":
        return int({SOFT, LOUD} <= {dynamic for _, dynamic in kinds})
    at = {dynamic for articulation, dynamic in kinds if entry.articulation in ("", articulation)}
    return min(len(at), 1) if entry.smoothed else len(at)


def _tested(setting: str | list[str], sheet: Mapping[str, Row]) -> tuple[str, dict[str, str]]:
    """The first factor with two levels of two instruments each: its column and these instruments' levels."""
    for columns in models(setting, sheet):
        for column in columns:
            factor = factor_of(column, sheet, list(sheet))
            kept = {n: level for n, level in factor.levels.items() if factor.size(level) >= LEAST_INSTRUMENTS}
            if len(set(kept.values())) > 1:
                return column, kept
    return "", {}


def _chosen(candidates: Sequence[Layout], takes: int | None, n_kinds: int, days: Days) -> Layout:
    """The most precise layout that the takes allow; without a limit the cheapest of USUAL_ROUNDS rounds."""
    if takes is None:
        return next(layout for layout in candidates if layout.rounds == USUAL_ROUNDS)
    allowed = [layout for layout in candidates if layout.n_turns * n_kinds <= takes]
    if not allowed:
        raise EvenboreError(
            f"--takes {takes} is too few; allowed: {candidates[0].n_turns * n_kinds} or more for these instruments and"
            " sessions (every instrument twice, the reference in each session). Fewer instruments or sessions,"
            " or --slurred-only, need fewer."
        )

    errors = [pair_errors(layout, 1.0, True, days)[0] for layout in allowed]
    return allowed[int(np.nanargmin(np.round(errors, 6)))]  # of equals the cheapest


def _write(plan: Plan, reading: Reading, target: Path, rng: Random) -> None:
    sheets = reading.sheets
    rows = {
        plan.codes[row["instrument"]]: {column: cell_text(cell) for column, cell in row.items()}
        for row in sheets["instruments"].rows
    }
    sealed, fingerprint = seal(rows, rng)
    write_text(sealed, target / "sealed_key.txt")
    _write_blind_study(plan, reading, target / BLIND)
    write_text(plan.predicted.to_csv(sep="\t", index=False, float_format="%.4g", lineterminator="\n"),
               target / "predicted.tsv")  # fmt: skip
    for key in sorted({row["family"] for row in sheets["instruments"].rows}):
        family = reading.families[key]
        hz = midi_to_hz(np.array([family.to_sounding(int(note)) for note in expected_scale(family, "chromatic")]))
        sf.write(target / f"guide_{key}.wav", guide_track(hz), GUIDE_RATE, subtype="PCM_16")
    _render(plan, reading, target, fingerprint)
    summary = {
        "evenbore": __version__, "fingerprint": fingerprint, "turns": len(plan.turns), "takes": plan.n_takes,
        "rounds": plan.layout.rounds, "kinds": [" ".join(kind) for kind in plan.kinds], "factor": plan.factor,
        "players": list(filter(None, plan.layout.players)),
        "sessions": {session: len(names) for session, names in plan.layout.visits.items()},
    }  # fmt: skip
    write_text(json.dumps(summary, indent=2) + "\n", target / "plan.json")


def _takes_of(plan: Plan, turn: Turn) -> list[dict[str, str]]:
    """Rows of the recordings sheet that a turn makes."""
    code = plan.codes[turn.instrument]
    rows = []
    for manner, dynamic in plan.kinds:
        played = {"articulation": manner} if manner != PHRASE else {"pattern": "passage", "passage": plan.phrase}
        name = f"{turn.place:03d}_{code}_{manner}_{dynamic}_{turn.round}"
        rows.append({
            "recording": f"{turn.session}_{name}", "file": f"recordings/{turn.session}/{name}.wav", "instrument": code,
            "session": turn.session, "take": str(turn.round), "dynamic": dynamic, "player": turn.player, **played,
        })  # fmt: skip
    return rows


def _write_blind_study(plan: Plan, reading: Reading, blind: Path) -> None:
    """A study folder whose sheets know codes, kinds of instrument and sessions, and nothing else."""
    own_columns = [column for column in reading.sheets["instruments"].rows[0] if column.startswith("x_")]
    instruments = [
        {"instrument": plan.codes[row["instrument"]], "label": plan.codes[row["instrument"]], "family": row["family"]}
        | dict.fromkeys(own_columns, "")
        for row in reading.sheets["instruments"].rows
    ]
    rows = {
        "instruments": sorted(instruments, key=lambda row: row["instrument"]),
        "sessions": [
            {column: cell_text(cell) for column, cell in row.items()} for row in reading.sheets["sessions"].rows
        ],
        "recordings": [row for turn in plan.turns for row in _takes_of(plan, turn)],
    }
    for kind, own_rows in rows.items():
        path = Path(os.path.normpath(blind / reading.config["sheets"][kind]))
        if not path.is_relative_to(blind):
            raise EvenboreError(
                f"{CONFIG}, column 'sheets.{kind}': found {reading.config['sheets'][kind]!r}; allowed: a path inside"
                " the study, as the blind study has its sheets at the same places."
            )
        path.parent.mkdir(parents=True, exist_ok=True)
        write_sheet(path, kind, own_rows)
    shutil.copyfile(reading.files["config"], blind / CONFIG)
    if reading.families_dir is not None:
        shutil.copytree(reading.families_dir, blind / reading.config["families_dir"])
    for session in plan.layout.visits:
        (blind / "recordings" / session).mkdir(parents=True, exist_ok=True)


def _render(plan: Plan, reading: Reading, target: Path, fingerprint: str) -> None:
    environment = templates_in(_TEMPLATES)
    words = [" ".join(kind).replace(PHRASE, f"“{plan.phrase}”") for kind in plan.kinds]
    sessions = []
    for row in reading.sheets["sessions"].rows:
        listed = [
            {"place": turn.place, "code": plan.codes[turn.instrument], "player": turn.player,
             "takes": [{"words": w, "file": t["file"]} for w, t in zip(words, _takes_of(plan, turn), strict=True)]}
            for turn in plan.turns
            if turn.session == row["session"]
        ]  # fmt: skip
        sessions.append({"name": row["session"], "date": row["date"], "room": row["room"],
                         "tuning_hz": f"{row['tuning_hz']:g}", "turns": listed})  # fmt: skip
    shared = {"title": reading.config["title"], "style": (_TEMPLATES / "plan.css").read_text("utf-8")}
    pages = {
        "running_sheet.html": {
            "sessions": sessions, "n_turns": len(plan.turns), "n_takes": plan.n_takes, "fingerprint": fingerprint,
            "players": len(plan.layout.players) > 1,
        },
        "protocol.html": {
            "kinds": words, "base": reading.config["base_dynamic"],
            "tuning": ", ".join(sorted({f"A4 = {session['tuning_hz']} Hz" for session in sessions})),
        },
    }  # fmt: skip
    for name, values in pages.items():
        write_text(environment.get_template(name).render(**shared, **values), target / name)


def open_key(study: str | Path) -> dict[str, Row]:
    """The key of a study's plan: code -> row of the instruments sheet."""
    folder = Path(study).absolute() / FOLDER
    try:
        sealed = (folder / "sealed_key.txt").read_text("utf-8")
        fingerprint = json.loads((folder / "plan.json").read_text("utf-8"))["fingerprint"]
    except (OSError, ValueError, KeyError) as error:
        raise EvenboreError(f"There is no whole plan in {folder.as_posix()}: {error}.") from error
    return unseal(sealed, fingerprint)


def unblind(study: str | Path, blind: str | Path) -> Path:
    """Put what the key tells into the instruments sheet of a blind study; the blind sheet is kept beside it.

    Ids stay the codes, as files and results go by them; labels, makers, materials and prices come back.
    """
    key = open_key(study)
    reading = read_for_plan(Path(blind).absolute())
    path = reading.files["instruments"]
    codes = {row["instrument"] for row in reading.sheets["instruments"].rows}
    if codes != set(key):
        raise EvenboreError(
            f"{path.as_posix()}: its codes are not those of the plan's key; allowed: the blind study of it."
        )
    new = path.with_name(f".{path.name}.{os.getpid()}.part{path.suffix}")
    write_sheet(new, "instruments", [row | {"instrument": code} for code, row in sorted(key.items())])
    kept = path.with_name(f"{path.stem}_blind{path.suffix}")
    if not kept.exists():
        shutil.copyfile(path, kept)
    os.replace(new, path)
    return path
