# What the rules share: the study's sheets, the chunks of recordings, the library files a step depends on.

import json
import shlex
import sys
from pathlib import Path

REPO = Path(workflow.basedir)
sys.path.insert(0, str(REPO / "scripts"))

from evenbore.files.errors import EvenboreError, StudyError
from evenbore.figures.entries import FIGURES, PICTURES
from evenbore.run import content, dependencies, warm
from evenbore.run.stranger import plain_environment, refuse_links
from evenbore.study.sheets import chunks, load_study, phrases


def here(path):
    """A path as the rules name it: relative to the study where it lies inside, forward slashes."""
    path, study = Path(path).absolute(), Path.cwd()
    return (path.relative_to(study) if path.is_relative_to(study) else path).as_posix()


def library_files(step):
    """What the step's script depends on: library modules and their data."""
    return [here(path) for path in dependencies.library_files(step)]


try:
    refuse_links(Path.cwd())
except EvenboreError as error:
    raise WorkflowError(str(error))
plain_environment()

# Snakemake puts the path of its Python into shell commands as it stands; in a folder with a space that breaks.
sys.executable = shlex.quote(sys.executable)

if "{" in str(REPO):
    raise WorkflowError(
        f"The folder {REPO} has braces in its name, which Snakemake takes for wildcards: rename it."
    )
if workflow.config_settings.config:
    raise WorkflowError(
        "Settings come from the config file alone, so that it tells what was done: "
        "edit it, or give another with --configfile, instead of --config."
    )
# the last config file of the command line, else the study's own
CONFIG = here([Path("config/config.yaml"), *workflow.config_settings.configfiles][-1])

try:
    STUDY = load_study(Path.cwd(), CONFIG)
except StudyError as error:
    raise WorkflowError(f"The study has problems that must be mended first:\n{error}")

OWN_FAMILIES = sorted(STUDY.families_dir.glob("*.yaml")) if STUDY.families_dir else []
SHEETS = [here(path) for path in dict.fromkeys([*STUDY.files.values(), *OWN_FAMILIES])]
TABLES = "results/tables"
WORK = "results/work"
FIGURE_FOLDER = "results/figures"
PUBLICATION = "results/publication"
PAPER = f"{PUBLICATION}/paper"
CAPTION_FOLDER = f"{WORK}/captions"


def as_rules_see_it(row):
    """A row for measuring, with paths as the rules name them and the sound's SHA-256.

    A recording is no input of a rule: its content counts, never its time stamp.
    """
    row = row | {key: here(row[key]) for key in ("path", "families_dir") if row[key]}
    return row | {"sha256": content.digest(row["path"])}


CHUNKS = chunks(STUDY)
if workflow.is_main_process:
    content.read_ahead(here(row["path"]) for row in STUDY.recordings)


# Functions, because the linter takes a plain string that begins an input's or output's path for a mistake.
def config_path(wildcards):
    """The study's config."""
    return CONFIG


def table_folder(wildcards):
    """Where all tables are."""
    return TABLES


def figure_folder(wildcards):
    """Where all figures are."""
    return FIGURE_FOLDER


def publication_folder(wildcards):
    """Where all that is to be published is."""
    return PUBLICATION


def paper_folder(wildcards):
    """Where what a paper needs is."""
    return PAPER


def caption_folder(wildcards):
    """Where the figures' captions are."""
    return CAPTION_FOLDER


def history_path(wildcards):
    """What the last runs answered; stays from run to run."""
    return "results/history.json"


wildcard_constraints:
    chunk="[A-Za-z0-9_-]+",


def clips_wanted(wildcards):
    """The clips, or none in a report without sound."""
    return rules.clips.output if STUDY.config["report"]["sound_mb"] > 0 else []


def rows_of_chunk(wildcards):
    """The chunk's rows of the sheet, as JSON: what the measurement depends on, and no more."""
    return json.dumps(
        [as_rules_see_it(row) for row in CHUNKS[wildcards.chunk]], sort_keys=True
    )
