"""The program's own steps on drawn studies: the one place of the campaign that calls them."""

import copy
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from evenbore.compare.changes import changes
from evenbore.compare.cluster import clusters_by_family
from evenbore.compare.pairs import compared_states, questions_of, times_asked
from evenbore.compare.rank import draw_pools, rank_tables
from evenbore.facts.criteria import CRITERIA, MEASURED
from evenbore.facts.findings import FINDINGS
from evenbore.findings.diagnose import diagnose, study_tolerances
from evenbore.findings.recurrence import untold_by_one
from evenbore.judge.assess import assess
from evenbore.judge.repeatability import Assessment
from evenbore.judge.takes import prepared_takes
from evenbore.judge.values import FUNCTIONS, TakeNotes, criteria_table
from evenbore.plan import precision
from evenbore.plan.layout import Layout
from evenbore.plan.plan import told_by
from evenbore.setups.comparability import session_groups
from evenbore.setups.errors import SetupErrors
from evenbore.setups.normalise import CHAIN_MEASURES, Normalised
from evenbore.setups.profiles import note_profiles
from evenbore.setups.rooms import ROOM_MEASURES, common_error, room_error
from evenbore.study.config import default_config
from evenbore.trade.families import load_family

from . import generator
from .generator import FAMILY, Study, Truth, Visit

pd.set_option("mode.string_storage", "python")  # small tables of text: half the time

CRITERION_NAMES = tuple(criterion.name for criterion in MEASURED)
PRESETS = default_config()["priorities"]
DRAWS = 400  # behind each stated probability


@cache
def families() -> dict:
    """Family key -> family."""
    return {FAMILY: load_family(FAMILY)}


def step(criterion: str) -> float:
    """The just-noticeable difference of the default config, and where it has none the criterion's own step."""
    return default_config()["just_noticeable"][criterion] or CRITERIA[criterion].step


def criteria(heard: bool = True) -> pd.DataFrame:
    """The criteria table with the default config's just-noticeable differences, or without any."""
    noticed = default_config()["just_noticeable"] if heard else dict.fromkeys(CRITERION_NAMES)
    table = criteria_table(noticed, "EUR")
    return table[table["criterion"].isin(CRITERION_NAMES)]


def normalised(study: Study) -> tuple[pd.DataFrame, SetupErrors]:
    """The notes as normalising leaves them where the set-ups are known and the room is not."""
    groups = session_groups(study.recordings)
    unknown = [name(measure) for measure in ROOM_MEASURES for name in (room_error, common_error)]
    lacking = [*unknown, *(set(CHAIN_MEASURES) - set(study.notes))]
    empty = pd.DataFrame(np.nan, study.notes.index, lacking)
    notes = pd.concat([study.notes.assign(group=study.notes["session"].map(groups)), empty], axis=1)
    session = pd.factorize(notes["session"], sort=True)[0]
    nothing = np.zeros((0, len(notes), len(CHAIN_MEASURES)), np.float32)
    return notes, SetupErrors(nothing, session, np.zeros((len(groups), 0, 0)), CHAIN_MEASURES)


def assessed(study: Study) -> Assessment:
    """Values, takes and shifts of a study."""
    notes, errors = normalised(study)
    players = dict(zip(study.recordings["recording"], study.recordings["player"], strict=True))
    return assess(notes, errors, study.recordings, study.sheet, [], families(), default_config(), players=players)


def pairs(study: Study, found: Assessment, heard: bool = True) -> pd.DataFrame:
    """What the pairs table tells of verdicts; `heard`: with the just-noticeable differences of the default config.
    Columns `a`, `b`: numbers of the instruments."""
    asked = questions_of(found, criteria(heard), _states(found), _kinds(study))
    times = times_asked(asked)
    return pd.concat(
        [
            question.judged(times)[0].assign(
                criterion=question.criterion.criterion, difference=question.difference,
                just_noticeable=question.just_noticeable, a=question.a, b=question.b,
            )
            for question in asked
        ],
        ignore_index=True,
    )  # fmt: skip


def true_values(truth: Truth) -> pd.DataFrame:
    """What the criteria are by their definitions where nothing scatters: instruments (I) by criteria."""
    one_session = [Visit(i) for i in range(len(truth.curves))]
    silent = generator.draw(np.random.default_rng(0), truth, one_session, generator.SILENT, takes=1)
    of_instrument: dict[str, dict[str, TakeNotes]] = {}
    for key, take in prepared_takes(normalised(silent)[0], silent.sheet, families()):
        of_instrument.setdefault(key["instrument"], {})[key["dynamic"]] = take
    return pd.DataFrame(
        {
            name: {
                c.name: FUNCTIONS[c.name](*((takes["f"], takes["p"]) if c.kind == "dynamics" else (takes["mf"],)))
                for c in MEASURED
            }
            for name, takes in of_instrument.items()
        }
    ).T


def takes_scatter(study: Study) -> dict[str, float]:
    """Standard deviation between the takes of an instrument, by criterion."""
    takes = assessed(study).takes
    return takes.groupby(["criterion", "instrument"])["value"].var().groupby("criterion").mean().pow(0.5).to_dict()


def first_places(study: Study, found: Assessment, preset: str, seed: int) -> pd.Series:
    """Stated probability of the first place under a preset, by instrument; ranked by it first to last."""
    pools = draw_pools(found, criteria(), _states(found), _kinds(study), seed, DRAWS)
    gates = dict.fromkeys(study.sheet, "pass")
    ranked = rank_tables(pools, {preset: PRESETS[preset]}, criteria(), gates, set(), _states(found), seed)["ranking"]
    return ranked.set_index("instrument")["p_first"]


def before_and_after(study: Study, found: Assessment) -> pd.DataFrame:
    """The changes table."""
    config, notes = default_config(), normalised(study)[0]
    tolerances = study_tolerances(notes, study.sheet, families(), config)
    return changes(found, _profiles(study), config, tolerances)


def clusters(study: Study, seed: int) -> list[int]:
    """Cluster of every instrument, empty where there is no structure."""
    table = clusters_by_family(_profiles(study), _kinds(study), seed)[0].sort_values("instrument")
    return [] if table["cluster"].isna().any() else table["cluster"].astype(int).tolist()


def findings(study: Study) -> pd.DataFrame:
    """The findings that send an instrument to the bench."""
    config: dict[str, Any] = copy.deepcopy(default_config())
    table = diagnose(normalised(study)[0], study.sheet, families(), config)
    sure = table["confidence"] >= config["tolerances"]["default"]["confidence"]
    bench = table["kind"].map(lambda kind: FINDINGS[kind].blocks == "bench")
    told = table[sure & bench & (table["scope"] == "unit") & table["instrument"].notna()]
    again = [untold_by_one(row) for row in told.to_dict("records")]
    return told[~np.array(again, bool)]


def promised(visits: list[Visit], takes: int, take_sd: dict[str, float]) -> dict[str, float]:
    """By criterion, the difference that the plan of this layout says it finds with 80 % power."""
    sessions: dict[str, list[str]] = {}
    for visit in visits:
        sessions.setdefault(f"s{visit.session}", []).append(generator.name(visit.instrument))
    known = {name: (sd, generator.SESSION * sd, sd, "pilot") for name, sd in take_sd.items()}
    told = {name: told_by(name, [("tongued", dynamic) for dynamic in generator.PUSH_DB]) for name in known}
    days = default_config()["own_days"]
    table = precision.predicted(Layout(sessions, takes), {}, known, criteria(heard=False), days, told)
    return table.set_index("criterion")["detectable_pair"].to_dict()


def _profiles(study: Study) -> pd.DataFrame:
    notes, errors = normalised(study)
    none = np.zeros((0, 0), np.float32)
    told = Normalised(None, notes, errors, none, none, none, pd.DataFrame())
    table = pd.concat(note_profiles(told, study.sheet, families()))
    return table[table["dynamic"] == default_config()["base_dynamic"]]


def _states(found: Assessment) -> dict[str, str]:
    config = default_config()
    return compared_states(found.instruments, config["states"], config["compare_state"])


def _kinds(study: Study) -> dict[str, str]:
    return {name: row["family"] for name, row in study.sheet.items()}
