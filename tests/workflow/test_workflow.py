"""The workflow from sheets to report on a small study with every kind of bad recording, and what it does again after
which change.

Two runs on the whole study; what would run after a change is asked by dry runs on the finished study, forks of one
Python that has loaded the libraries of others.
"""

import csv
import hashlib
import json
import os
import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import soundfile

from consistency.outputs import read_study
from consistency.rules import contradictions
from evenbore.facts.columns import TABLES, names
from evenbore.figures.entries import FIGURES
from smallstudy import NOTES, RATE, REASONS, WARNINGS, Engine, SmallStudy, chunks_measured, jobs, play

pytestmark = pytest.mark.slow

# Started with every Python process: notes which of the workflow's own files a step script opens or imports. Steps are
# copies of what has all loaded (`run/warm.py`); there they forget the workflow's own modules, to load what they use.
RECORDER = """
import atexit, json, os, sys
home, opened, started = os.environ["RECORDER_HOME"], set(), os.getpid()
worker = "evenbore.process.worker" in sys.orig_argv

def note(event, args):
    if event == "open" and isinstance(args[0], str):
        opened.add(args[0])
        if worker and ".npz" in args[0]:
            tell()  # it is never told to end, so what it does last must do

def forget():
    if "evenbore.run.warm" in sys.orig_argv and os.getppid() == started:
        opened.clear()
        for name in [name for name, module in sys.modules.items() if ours(module)]:
            del sys.modules[name]

def ours(module):
    return (getattr(module, "__file__", None) or "").startswith(home)

def tell():
    step = ["", "measure", "py"] if worker else os.path.basename(sys.argv[0]).split(".")
    if len(step) == 3 and step[2] == "py":  # tmpxxxx.measure.py
        modules = {module.__file__ for module in list(sys.modules.values()) if ours(module)}
        files = sorted(os.path.abspath(file) for file in opened | modules)
        with open(os.path.join(os.path.dirname(__file__), step[1] + "." + str(os.getpid())), "w") as out:
            json.dump([file for file in files if file.startswith(home) and ".pyc" not in file], out)

sys.addaudithook(note)
atexit.register(tell)
os.register_at_fork(after_in_child=forget)
"""


@pytest.fixture(scope="module")
def engine(repo, tmp_path_factory):
    engine = Engine(repo, tmp_path_factory.mktemp("engine") / "ever bore")
    yield engine
    engine.close()


@pytest.fixture(scope="module")
def ran(engine, small_study, tmp_path_factory):
    """A study after a dry run and `evenbore run`: both outcomes, the inputs' hashes before, what steps opened."""
    study = small_study(tmp_path_factory.mktemp("first") / "my study")
    recorder = tmp_path_factory.mktemp("recorder")
    (recorder / "sitecustomize.py").write_text(RECORDER, encoding="utf-8")
    before = hashes(study.folder)
    dry = engine.dry_run(study.folder)
    untouched = hashes(study.folder)
    run = engine.evenbore_run(study.folder, SEARCH=str(recorder), RECORDER_HOME=str(engine.folder) + os.sep)
    opened = {}
    for path in recorder.glob("*.*[0-9]"):
        opened.setdefault(path.name.split(".")[0], set()).update(json.loads(path.read_text(encoding="utf-8")))
    return SimpleNamespace(study=study, dry=dry, run=run, before=before, untouched=untouched, opened=opened)


@pytest.fixture(scope="module")
def study(ran):
    """The study, if its run ended well."""
    log = ran.study.folder / "results" / "logs" / "run.log"
    assert ran.run.returncode == 0, ran.run.stderr + (log.read_text(encoding="utf-8")[-4000:] if log.exists() else "")
    return ran.study


@pytest.fixture(scope="module")
def recordings(study):
    return {row["recording"]: row for row in rows(study.folder / "results" / "tables" / "recordings.tsv")}


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter="\t"))


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file in the folder but the results and snakemake's own."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    relative = {path.relative_to(folder).as_posix(): path for path in files}
    return {
        name: hashlib.sha256(path.read_bytes()).hexdigest()
        for name, path in relative.items()
        if not name.startswith(("results/", ".snakemake/"))
    }


def recorded_inputs(study: SmallStudy) -> dict[str, set[str]]:
    """The inputs of each rule, absolute, as snakemake remembers them."""
    inputs = {}
    for path in (study.folder / ".snakemake" / "metadata").rglob("*"):
        if path.is_file():
            record = json.loads(path.read_text(encoding="utf-8"))
            files = {os.path.normpath(study.folder / file) for file in record["input"]}
            inputs.setdefault(record["rule"], set()).update(files)
    return inputs


# --- the first run ------------------------------------------------------------------------------------------------


def test_dry_run_tells_the_jobs_and_does_nothing(ran):
    planned = jobs(ran.dry)
    assert {name: count for name, count in planned.items() if count != 1} == {"measure": 5}
    assert ran.untouched == ran.before


def test_run_ends_well_and_says_what_came_out(ran, study):
    counts = (
        f"{len(study.rows)} recordings: {len(study.truth) - 1} good, 2 to be read with care, {len(REASONS)} set aside"
    )
    assert counts in ran.run.stdout
    assert re.search(r"Report: .*results.report\.html", ran.run.stdout)


def test_inputs_are_as_they_were(ran, study):
    assert hashes(study.folder) == ran.before


def test_every_row_of_the_sheet_is_told_of(study, recordings):
    assert list(recordings) == [row["recording"] for row in study.rows]
    for row in study.rows:
        assert recordings[row["recording"]]["chunk"] == f"{row['session']}--{row['instrument']}"


@pytest.mark.parametrize("recording", REASONS)
def test_bad_recordings_are_set_aside_with_the_reason(recordings, recording):
    assert recordings[recording]["status"] == "set_aside"
    assert re.search(REASONS[recording], recordings[recording]["reason"])


@pytest.mark.parametrize("recording", WARNINGS)
def test_doubtful_recordings_are_used_with_a_warning(recordings, recording):
    assert recordings[recording]["status"] == "warned"
    assert re.search(WARNINGS[recording], recordings[recording]["reason"])


def test_good_recordings_are_good(study, recordings):
    good = (set(study.truth) | {"passage"}) - set(WARNINGS)
    assert {key: recordings[key]["reason"] for key in good if recordings[key]["status"] != "ok"} == {}


def test_notes_are_the_ones_that_were_played(study):
    """Name, sounding pitch (a B-flat clarinet sounds a whole tone lower than written), onset and tuning."""
    notes = pd.read_csv(study.folder / "results" / "tables" / "notes.tsv", sep="\t")
    assert set(notes["recording"]) == set(study.truth)
    errors = []
    for recording, truth in study.truth.items():
        found = notes[notes["recording"] == recording]
        assert found["written_note"].tolist() == NOTES
        assert found["midi"].tolist() == list(range(58, 66))
        assert found["onset_s"].tolist() == pytest.approx([note["onset_s"] for note in truth], abs=0.05)
        errors += list(found["cents"] - [note["cents"] for note in truth])
    # the simulator's own truth; one cent is what a good tuner is held to
    assert np.median(np.abs(errors)) < 1
    assert np.max(np.abs(errors)) < 4


def test_every_table_is_there_with_exactly_its_columns(study):
    folder = study.folder / "results" / "tables"
    for path in folder.iterdir():
        header = path.read_text(encoding="utf-8").partition("\n")[0].split("\t") if path.suffix == ".tsv" else None
        if path.stem == "columns":
            assert header == ["table", "column", "unit", "meaning", "source"]
        else:
            assert (header or list(pd.read_parquet(path).columns)) == names(path.stem), path.name
    assert {path.stem for path in folder.iterdir()} == set(TABLES) | {"columns"}


def test_no_two_outputs_contradict_each_other(study):
    assert [f"{one.kind}: {one.why} ({one.first.source})" for one in contradictions(read_study(study.folder))] == []


def test_every_file_that_a_step_uses_is_an_input_of_its_rule(ran, study):
    """So that an edit of any of them runs the step again.

    Not the step script itself, which snakemake watches by its own means, and not the project's own config, which is
    read to word the message about a missing key.
    """
    inputs = recorded_inputs(study)
    assert set(ran.opened) == set(inputs)
    for step, files in ran.opened.items():
        unlisted = {file for file in files if not file.endswith(os.path.join("config", "config.yaml"))} - inputs[step]
        assert unlisted == set(), step
        assert files & inputs[step]


def test_every_step_leaves_its_log(study):
    logs = study.folder / "results" / "logs"
    steps = set(recorded_inputs(study)) - {"measure"}
    assert {path.stem for path in logs.glob("*.log")} == steps | {"run"}
    for step in ("measure",):
        assert {path.stem for path in (logs / step).iterdir()} == {
            f"{r['session']}--{r['instrument']}" for r in study.rows
        }


def test_provenance_holds_the_hash_of_every_input(ran, study):
    record = json.loads((study.folder / "results" / "provenance.json").read_text(encoding="utf-8"))
    hashed = {row["file"]: row["sha256"] for row in record["recordings"].values()} | record["sheets"]
    assert {file: digest for file, digest in hashed.items() if digest} == ran.before
    assert [file for file, digest in hashed.items() if not digest] == ["audio/folder.wav", "audio/missing.wav"]


def test_snakemakes_own_report_holds_the_figures_by_category_with_captions(engine, study, tmp_path):
    done = engine.quick(study.folder, "--report", str(tmp_path / "report.html"))
    assert done.returncode == 0, done.stderr
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert all(category in text for category in ("Notes", "Decision", "Likeness and set-ups"))
    assert "value of each instrument (dot) and its 90 % interval (line)" in text


# --- the same results anywhere ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def other(engine, study, tmp_path_factory):
    """The same study in another folder, run by plain snakemake in another locale, time zone and hash order."""
    folder = tmp_path_factory.mktemp("second") / "same-study"
    shutil.copytree(study.folder, folder, ignore=shutil.ignore_patterns("results", ".snakemake"))
    environment = {
        "PYTHONHASHSEED": "7",
        "LC_ALL": "C",
        "LANG": "C",
        "TZ": "Pacific/Kiritimati",
        "OMP_NUM_THREADS": "1",
    }
    targets = ("results/report.html", "results/comparison.xlsx", "results/figures/value_front.png")
    run = engine.snakemake(folder, *targets, **environment)
    assert run.returncode == 0, run.stderr[-4000:]
    return folder


def test_plain_snakemake_gives_the_same_tables_byte_for_byte(study, other):
    here, there = study.folder / "results" / "tables", other / "results" / "tables"
    assert sorted(path.name for path in here.iterdir()) == sorted(path.name for path in there.iterdir())
    different = [path.name for path in here.iterdir() if path.read_bytes() != (there / path.name).read_bytes()]
    assert different == []


def test_plain_snakemake_gives_the_same_figures_and_workbook(study, other):
    here, there = study.folder / "results", other / "results"
    files = [Path("comparison.xlsx"), *(path.relative_to(here) for path in (here / "figures").rglob("*.*"))]
    assert len(files) >= 2 * len(FIGURES)
    assert [file for file in files if (here / file).read_bytes() != (there / file).read_bytes()] == []


def test_plain_snakemake_gives_the_same_report(study, other):
    """But for the running times, which the report tells among the versions."""
    texts = [(folder / "results" / "report.html").read_text("utf-8") for folder in (study.folder, other)]
    here, there = (re.sub(r"(<dt><code>[^<]*</code></dt><dd>)[0-9.]+(?=</dd>)", r"\1", text) for text in texts)
    assert here == there


# --- after a change -----------------------------------------------------------------------------------------------


@pytest.fixture
def edit():
    """Function that appends to a file (or writes it anew); afterwards every file is as before, times and all."""
    before = {}

    def change(path: Path, more: str = "\n# a remark\n", new: bytes | None = None) -> None:
        before.setdefault(path, (path.read_bytes(), path.stat()) if path.exists() else None)
        path.write_bytes(new if new is not None else path.read_bytes() + more.encode())

    yield change
    for path, was in before.items():
        if was is None:
            path.unlink()
        else:
            path.write_bytes(was[0])
            os.utime(path, ns=(was[1].st_atime_ns, was[1].st_mtime_ns))


@pytest.fixture(scope="module")
def followers(engine, study):
    """Function: the rules that use a file, and all that follow from them."""
    graph = engine.quick(study.folder, "--rulegraph").stdout
    rules = dict(re.findall(r"^\s*(\d+)\[label = \"(\w+)\"", graph, re.M))
    edges = [(rules[a], rules[b]) for a, b in re.findall(r"^\s*(\d+) -> (\d+)", graph, re.M)]
    inputs = recorded_inputs(study)

    def of(path: Path) -> set[str]:
        found = {rule for rule, files in inputs.items() if str(path) in files}
        while more := {b for a, b in edges if a in found} - found - {"all"}:
            found |= more
        return found

    return of


@pytest.mark.parametrize(
    ("file", "runs", "rests"),
    [
        ("scripts/evenbore/notes/pitch.py", {"measure", "collect", "normalise", "assess", "compare"}, set()),
        ("scripts/evenbore/compare/rank.py", {"compare"}, {"measure", "collect", "normalise", "assess"}),
        ("scripts/evenbore/trade/families/clarinet_b_flat.yaml", {"measure", "assess"}, set()),
        ("workflow/schemas/recordings.schema.yaml", {"normalise", "assess"}, {"measure"}),
    ],
)
def test_a_library_file_is_an_input_of_its_dependants(engine, followers, file, runs, rests):
    again = followers(engine.folder / file)
    assert runs <= again
    assert not rests & again


@pytest.mark.parametrize("file", ["scripts/evenbore/compare/rank.py", "workflow/schemas/recordings.schema.yaml"])
def test_an_edited_library_file_runs_its_dependants_again(engine, study, edit, followers, file):
    edit(engine.folder / file)
    assert set(jobs(engine.dry_run(study.folder))) == followers(engine.folder / file)


def test_another_price_and_title_measure_nothing_again(engine, study, edit):
    prices, config = study.folder / "config" / "instruments.tsv", study.folder / "config" / "config.yaml"
    edit(prices, new=prices.read_bytes().replace(b"1100", b"1250"))
    edit(config, new=config.read_bytes().replace(b"Wind instrument comparison", b"Clarinets"))
    again = set(jobs(engine.dry_run(study.folder)))
    assert {"assess", "compare"} <= again
    assert not {"measure", "collect"} & again


def test_what_belongs_to_one_set_measures_that_set_again(engine, study, edit):
    """A take added, another range, and a file that could not be used."""
    sheet = study.folder / "config" / "recordings.tsv"
    ranged = re.sub(rb"(s1_clar_a_1\t.*\t)G4", rb"\1F4", sheet.read_bytes())
    edit(sheet, new=ranged + b"s2_clar_a_3\taudio/new.wav\tclar_a\ts2\t3\tchromatic\tC4\tG4\n")
    edit(study.folder / "audio" / "new.wav", new=study.path("s2_clar_a_1").read_bytes())
    edit(study.path("empty"), new=study.path("s2_clar_a_1").read_bytes())
    assert chunks_measured(engine.dry_run(study.folder)) == {"s1--clar_a", "s1--clar_b", "s2--clar_a"}


def test_the_studys_own_family_belongs_to_measuring(engine, study, edit):
    edit(study.folder / "config" / "families" / "school_clarinet.yaml", "transposition: 0\n")
    assert "s2--clar_c" in chunks_measured(engine.dry_run(study.folder))


def test_a_changed_file_measures_its_set_again(engine, study, edit):
    """Also one whose name cannot be an input of a rule, and one that was missing."""
    changed = {"s1_clar_a_2": "s1--clar_a", "odd_name": "s1--clar_b", "missing": "s1--clar_d"}
    for recording in changed:
        edit(study.path(recording), new=study.path("s2_clar_a_1").read_bytes())
    assert chunks_measured(engine.dry_run(study.folder)) == set(changed.values())


@pytest.fixture
def swapped(study):
    """Two recordings of two instruments have exchanged their names: every file's own dates are as they were."""
    one, two = study.path("s1_clar_a_1"), study.path("s1_clar_b_1")

    def swap():
        one.rename(one.with_suffix(".other"))
        two.rename(one)
        one.with_suffix(".other").rename(two)

    swap()
    yield
    swap()


@pytest.fixture
def without_memory(study):
    """Snakemake's own records are lost."""
    hidden = study.folder / ".snakemake"
    hidden.rename(study.folder / "kept")
    yield
    shutil.rmtree(hidden, ignore_errors=True)
    (study.folder / "kept").rename(hidden)


def test_swapped_recordings_alone_are_measured_again_without_snakemakes_records(engine, study, swapped, without_memory):
    assert chunks_measured(engine.dry_run(study.folder)) == {"s1--clar_a", "s1--clar_b"}


def test_code_and_sheets_with_older_dates_count(engine, study, edit, without_memory):
    """As when an archive is unpacked over what is there."""
    for path in (engine.folder / "scripts" / "assess.py", study.folder / "config" / "instruments.tsv"):
        edit(path, "\n")
        os.utime(path, (1e9, 1e9))
    again = set(jobs(engine.dry_run(study.folder)))
    assert {"assess", "compare", "normalise"} <= again
    assert not {"measure", "collect"} & again


def test_an_edited_table_is_told_and_not_used(engine, study, edit):
    path = study.folder / "results" / "tables" / "notes.tsv"
    edit(path, new=path.read_bytes().replace(b"\t0.", b"\t1.", 1))
    os.utime(path, (1e9, 1e9))
    run = engine.dry_run(study.folder)
    assert "results/tables/notes.tsv is not as it was written" in run.stdout + run.stderr
    again = set(jobs(run))
    assert "collect" in again
    assert "measure" not in again


def test_a_moved_study_needs_no_run(engine, study, tmp_path):
    """The changes above were taken back, and files are compared by content, wherever they lie."""
    moved = shutil.copytree(study.folder, tmp_path / "elsewhere")
    assert jobs(engine.dry_run(moved)) == {}


def test_of_an_instrument_that_is_gone_no_sheet_and_no_ticket_stays(engine, study, other):
    left = [other / "results" / name for name in ("publication/sheets/gone.pdf", "bench_tickets/gone.html")]
    for path in left:
        path.write_text("of an instrument that was in the study once", encoding="utf-8")
    run = engine.quick(other, "-R", "publication", "--until", "publication")
    assert jobs(run) == {"publication": 1}
    assert [path for path in left if path.exists()] == []
    assert (left[0].parent / "clar_a.pdf").exists()


def test_the_other_sets_stay_measured_when_one_recording_changes(engine, study, other):
    """A real run, in the other folder, as far as the notes; dates in the future, as of a recorder whose clock is ahead,
    do not matter, and what Snakemake looks at when a job has ended shows in a real run alone."""
    tables, chunks = other / "results" / "tables", other / "results" / "work" / "chunks"
    kept = {path.name: path.stat().st_mtime_ns for path in chunks.iterdir()}
    before = rows(tables / "notes.tsv")
    soundfile.write(other / "audio" / "s2_clar_c_2.wav", play("clar_c", "s2", 7)[0], RATE)  # a copy would be set aside
    for path in [*(other / "audio").iterdir(), *(other / "config").iterdir()]:
        os.utime(path, (4e9, 4e9))
    run = engine.quick(other, "results/tables/notes.tsv")
    assert jobs(run) == {"measure": 1, "collect": 1}
    assert chunks_measured(run) == {"s2--clar_c"}
    assert {path.name for path in chunks.iterdir() if path.stat().st_mtime_ns != kept[path.name]} == {"s2--clar_c.npz"}
    after = rows(tables / "notes.tsv")
    changed = {row["recording"] for row, was in zip(after, before, strict=True) if row != was}
    assert changed == {"s2_clar_c_2"}
    assert jobs(engine.quick(other, "-n", "results/tables/notes.tsv")) == {}


# --- other settings -----------------------------------------------------------------------------------------------


def test_the_config_file_of_the_command_line_counts(engine, study, edit):
    other = study.folder / "config" / "other.yaml"
    edit(other, new=(study.folder / "config" / "config.yaml").read_bytes().replace(b"draws: 4000", b"draws: few"))
    run = engine.dry_run(study.folder, config="other.yaml")
    assert run.returncode != 0
    assert re.search(r"config/other\.yaml.*draws.*few", run.stdout + run.stderr)
    assert "Traceback" not in run.stdout + run.stderr


def test_settings_outside_the_config_file_are_refused(engine, study):
    """They would be in no record, and the checks would not see them."""
    run = engine.quick(study.folder, "-n", "--config", "draws=10")
    assert run.returncode != 0
    assert "instead of --config" in run.stdout + run.stderr


def test_a_config_is_no_template(engine, study, edit, tmp_path):
    """Snakemake evaluates Python in a config file that it reads itself, if the file asks for it."""
    owned = tmp_path / "owned"
    evil = f"__use_yte__: true\nx_evil: ?open({str(owned)!r}, 'w')\n"
    edit(study.folder / "config" / "config.yaml", evil)
    plain, ours = engine.dry_run(study.folder, config=None), engine.evenbore_run(study.folder)
    for run in (plain, ours):
        assert run.returncode != 0
        assert "__use_yte__" in run.stdout + run.stderr
    assert not owned.exists()


# --- small and unhappy studies ------------------------------------------------------------------------------------


def part_of(study: SmallStudy, folder: Path, *recordings: str) -> Path:
    """The study with these recordings alone."""
    shutil.copytree(study.folder, folder, ignore=shutil.ignore_patterns("results", ".snakemake"))
    SmallStudy(folder, [row for row in study.rows if row["recording"] in recordings]).write_recordings()
    return folder


def test_stop_at_bad_recordings_if_so_configured(engine, study, tmp_path):
    folder = part_of(study, tmp_path / "strict", "s1_clar_b_1", "silent", "text")
    config = folder / "config" / "config.yaml"
    text = config.read_text(encoding="utf-8")
    config.write_text(re.sub("on_bad_recording: set_aside", "on_bad_recording: stop", text), encoding="utf-8")
    run = engine.evenbore_run(folder)
    assert run.returncode != 0
    log = (folder / "results" / "logs" / "collect.log").read_text(encoding="utf-8")
    assert re.search(r"^silent: silent", log, re.M)
    assert re.search(r"^text: not audio", log, re.M)
    assert "s1_clar_b_1" not in log
    assert "text: not audio" in run.stderr
    assert not (folder / "results" / "report.html").exists()
