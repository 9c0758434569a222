"""What the documents name exists: files, commands, keys; and the figures they quote are the code's or the source's."""

import csv
import re
import shlex
import struct
from functools import cache
from pathlib import Path

import pytest
import yaml

from evenbore.compare.rank import SATURATION, WEIGHT_CONCENTRATION
from evenbore.facts import columns
from evenbore.facts.criteria import CRITERIA, NEIGHBOURS
from evenbore.facts.findings import FINDINGS
from evenbore.facts.verdicts import VERDICTS
from evenbore.findings import patterns
from evenbore.findings.diagnose import REGION_SHARE, SURE
from evenbore.notes import attempts, evidence, faroff, rise, segment
from evenbore.run import cli
from evenbore.setups import responses
from evenbore.trade.families import family_keys

REPO = Path(__file__).resolve().parents[2]
DOCS = (
    "README.md", "DEVELOPERS.md", "CHANGELOG.md", "config/README.md", "demo_recordings/README.md",
    *sorted(f"docs/{path.name}" for path in (REPO / "docs").glob("*.md")),
)  # fmt: skip
# where a file is looked for that a document names without its folder
FOLDERS = ("", "scripts", "scripts/evenbore", "tests/unit", "config", "demo_recordings", "workflow/rules")
FILE = re.compile(r"[\w./-]+\.(?:py|smk|yaml|md|lock|in|tsv|txt|html|xlsx|json)|\.ci/run|Snakefile|(?:[\w.-]+/)+")
RESULTS = {
    "report.html", "comparison.xlsx", "quotes.txt", "provenance.json", "columns.tsv", "tables/", "figures/",
    "bench_tickets/",
    *(f"{table}.tsv" for table in columns.TABLES),
    "publication/paper/", "results/publication/paper/", "data_dictionary.csv", "methods.md", "results/plan/",
    "naming.html", "study.xlsx", "history.json",
    "blind_study/", "running_sheet.html", "protocol.html", "predicted.tsv", "sealed_key.txt", "plan.json",
}  # fmt: skip


def text_of(repo, doc):
    return (repo / doc).read_text(encoding="utf-8")


def plain(text):
    """The text with every run of white space as one space."""
    return re.sub(r"\s+", " ", text)


def code_spans(text):
    """What stands between single backticks."""
    return re.findall(r"`([^`\n]+)`", text)


def slug(heading):
    """The anchor of a heading, as forges make it: lower case, words joined by hyphens, no punctuation."""
    return re.sub(r"[^\w\- ]", "", re.sub(r"\]\([^)]*\)", "", heading).strip().lower()).replace(" ", "-")


@pytest.mark.parametrize("doc", DOCS)
def test_links_lead_somewhere(repo, doc):
    for target in re.findall(r"\]\(([^)]+)\)", text_of(repo, doc)):
        if "://" in target:
            continue
        path, _, anchor = target.partition("#")
        file = ((repo / doc).parent / path).resolve() if path else repo / doc
        assert file.is_file(), target
        headings = re.findall(r"^#+ (.*)$", file.read_text(encoding="utf-8"), re.M) if anchor else []
        assert not anchor or anchor in map(slug, headings), target


@pytest.mark.parametrize("doc", DOCS)
def test_files_exist(repo, doc):
    named = {span for span in code_spans(text_of(repo, doc)) if FILE.fullmatch(span)}
    named = {name for name in named if not {name, name.rsplit("/", 1)[-1]} & RESULTS}
    modules = {path.name for path in (repo / "scripts/evenbore").rglob("*.py")}
    named -= modules  # a module by its name alone, its room being told beside it
    assert [name for name in sorted(named) if not any((repo / folder / name).exists() for folder in FOLDERS)] == []


@cache
def words_of_the_code(repo):
    sources = [repo / "Snakefile", *(path for name in ("scripts", "workflow", "config", "tests", "demo_recordings")
               for path in (repo / name).rglob("*") if path.suffix in (".py", ".smk", ".yaml", ".tsv"))]  # fmt: skip
    sources = [path for path in sources if path.name != "test_docs.py"]
    return set(re.findall(r"\w+", " ".join(path.read_text(encoding="utf-8") for path in sources)))


@pytest.mark.parametrize("doc", DOCS)
def test_words_in_code_type_occur_in_the_code(repo, doc):
    """Config keys, columns, criteria, kinds, verdicts, constants: whatever has an underscore in it."""
    named = {span for span in code_spans(text_of(repo, doc)) if re.fullmatch(r"[A-Za-z0-9]+(_[A-Za-z0-9]+)+", span)}
    assert named - words_of_the_code(repo) - {"my_study"} == set()


def commands(text):
    """Every `python3 scripts/start.py ...` of a text, as its arguments; placeholders filled."""
    for line in re.findall(r"python3 scripts/start\.py ([^`\n]+)", text):
        yield shlex.split(line.replace("<key>", "oboe"), comments=True)


@pytest.mark.parametrize("doc", DOCS)
def test_commands_are_understood(repo, doc):
    for command in commands(text_of(repo, doc)):
        if command[0] not in ("demo", "test"):
            own = command[: command.index("--")] if "--" in command else command
            cli._parser().parse_args(own)  # exits with 2 on what it does not know
    subcommands = cli._parser()._subparsers._group_actions[0].choices
    for named in re.findall(r"`evenbore (\w+)", text_of(repo, doc)):
        assert named in subcommands


def test_readme_names_every_command_and_is_no_book(repo):
    text = text_of(repo, "README.md")
    named = {command[0] for command in commands(text)}
    assert named == {"demo", "test", *cli._parser()._subparsers._group_actions[0].choices}
    assert len(text.splitlines()) < 200


@pytest.mark.parametrize("doc", DOCS)
def test_no_path_of_one_machine_and_no_address_but_public_ones(repo, doc):
    text = text_of(repo, doc)
    assert not re.search(r"(?<![\w./:)\]>}`*])/\w+/|\b[A-Z]:\\|~/", text)
    assert set(re.findall(r"\w+://([^\s/)]+)", text)) <= {"snakemake.readthedocs.io"}


def test_every_family_is_listed(repo):
    named = set(code_spans(text_of(repo, "config/README.md")))
    assert set(family_keys()) <= named


def test_method_defines_what_the_tables_hold(repo):
    named = {span for doc in DOCS if doc.startswith("docs/") for span in code_spans(text_of(repo, doc))}
    assert set(CRITERIA) <= named
    assert set(VERDICTS) | set(FINDINGS) <= named
    measured = {column.name for column in columns.TABLES["notes"] if column.dtype == "float"}
    assert measured - {"onset_s", "offset_s", "f0_hz"} <= named


def test_method_quotes_the_constants_of_the_code(repo):
    text = plain(text_of(repo, "docs/method.md"))
    prior = patterns.PRIOR
    for phrase in (
        f"pitches {evidence.GRID_CENTS:g} cents apart",
        f"reaching {evidence.MARGIN_SEMITONES:g} semitones",
        f"up to {segment._LIMIT_CENTS:g} cents off",
        f"another {segment.NOTE_CENTS:g} cents off",
        f"holds {100 * attempts._WHOLE_PASS:g} % of the notes",
        f"up to {faroff._WIDE_CENTS:g} cents off is looked for",
        f"a step of its pitch of {faroff._STEP_CENTS:g} cents",
        f"up to {rise._MOST_HARMONICS} harmonics",
        f"stands {responses.MIN_ABOVE_NOISE_DB:g} dB over the noise",
        f"standard deviation {responses.BEND_SD_DB:g} dB",
        f"neighbours up to {NEIGHBOURS} semitones",
        f"counts {SATURATION:g} tanh(x / {SATURATION:g})",
        f"concentration {WEIGHT_CONCENTRATION:g}",
        f"nothing {prior['nothing']:.2f}, leak {prior['leak']:g}, vent {prior['vent']:g}, run {prior['run']:g},"
        f" step {prior['step']:g}, fingering and single note {prior['fingering']:g} each",
        f"has a probability of {SURE:g}",
        f"hold {100 * REGION_SHARE:g} % of its posterior",
    ):
        assert phrase in text, phrase


# NIOSH 1998, Criteria for a recommended standard: occupational noise exposure (publication 98-126), section 1.1.1:
# T = 480 / 2^((L - 85) / 3) minutes.
@pytest.mark.parametrize("file", ["README.md", "docs/recording.md", "scripts/evenbore/page/templates/report.html"])
def test_times_of_exposure_are_those_of_the_standard(repo, file):
    text = plain(text_of(repo, file))
    told = re.findall(r"(\d+) dB\(A\) (?:for |over )?(\d+) (hour|minute)", text)
    told += [(level, time, unit) for time, unit, level in re.findall(r"(\d+) (hour|minute)s? at (\d+)", text)]
    assert len(told) >= 3
    for level, time, unit in told:
        minutes = int(time) * (60 if unit == "hour" else 1)
        assert minutes == pytest.approx(480 / 2 ** ((int(level) - 85) / 3), rel=1e-9), (level, time, unit)


def test_picture_of_the_report_is_wide_enough_and_light(repo):
    data = (repo / "docs/images/report.png").read_bytes()
    width, _ = struct.unpack(">II", data[16:24])  # PNG: the header chunk (ISO/IEC 15948, 11.2.2)
    assert width == 1280
    assert len(data) <= 400_000


def table_rows(text, start):
    """Rows of the first table after `start`, as lists of cells."""
    lines = text[text.index(start) :].split("\n\n")
    table = next(block for block in lines if block.lstrip().startswith("|"))
    return [[cell.strip() for cell in line.strip().strip("|").split("|")] for line in table.strip().splitlines()[2:]]


def test_demo_readme_tells_the_truth_of_the_demo(repo):
    text = text_of(repo, "demo_recordings/README.md")
    with (repo / "demo_recordings/truth_instruments.tsv").open(encoding="utf-8") as file:
        truth = {row["instrument"]: row for row in csv.DictReader(file, delimiter="\t")}
    told = {row[0]: row for row in table_rows(text, "## What is true")}
    assert set(told) == set(truth)
    for name, (_, label, _, offset, spread, _) in told.items():
        assert label == truth[name]["label"]
        assert float(offset.replace("−", "-")) == pytest.approx(float(truth[name]["tuning_offset_cents"]), abs=0.051)
        assert float(spread) == pytest.approx(float(truth[name]["intonation_spread_cents"]), abs=0.051)
    audio = list((repo / "demo_recordings").glob("*.flac"))
    assert f"{len(audio)} recordings" in text
    assert f"{sum(path.stat().st_size for path in audio) / 1e6:.1f} MB" in text


def test_config_readme_gives_the_defaults_of_the_config(repo):
    config = yaml.safe_load(text_of(repo, "config/config.yaml"))
    told = {}
    for key, *_, default in table_rows(text_of(repo, "config/README.md"), "## config.yaml"):
        told.setdefault(key.strip("… ").strip("`"), default)
    sections = [config, *(config[name] for name in ("sheets", "just_noticeable", "own_days", "gates", "report"))]
    for key, value in [pair for section in [*sections, config["tolerances"]["default"]] for pair in section.items()]:
        if not isinstance(value, dict):
            words = ", ".join(value) if isinstance(value, list) else str(value)
            assert told[key] == {"None": "null", "True": "true"}.get(words, words), key
