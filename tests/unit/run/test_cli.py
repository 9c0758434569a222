"""The command line: exit codes, what is handed on, and how a run is supervised."""

import argparse
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile

from evenbore.files.errors import EvenboreError, Problem, StudyError
from evenbore.files.paths import shown_path, typed
from evenbore.process import worker
from evenbore.run import cli, workflow
from faults.evil import evil_decoder

SCRIPTS = Path(__file__).resolve().parents[3] / "scripts"

pytestmark = pytest.mark.usefixtures("copied_worker")


@pytest.mark.parametrize(
    "arguments",
    [[], ["play"], ["run"], ["new", "study"], ["listen", "a.wav", "--family", "kazoo"], ["check", "s", "--", "-n"]],
)
def test_misspelt_commands_exit_2(arguments, capsys):
    with pytest.raises(SystemExit) as stop:
        cli.main(arguments)
    assert stop.value.code == 2
    assert "usage: evenbore" in capsys.readouterr().err


def test_check_says_which_settings_an_older_config_does_not_give(tmp_path, capsys, monkeypatch):
    study = tmp_path / "study"
    shutil.copytree(SCRIPTS.parent / "config", study / "config")
    monkeypatch.setattr("evenbore.study.check.check_reading", lambda _: [])
    assert cli.main(["check", str(study)]) == 0
    assert capsys.readouterr().out.startswith("All in order.")
    config = study / "config/config.yaml"
    config.write_text(re.sub(r"\n  response: null .*", "", config.read_text("utf-8")), "utf-8")
    assert cli.main(["check", str(study)]) == 0
    assert "\n  just_noticeable.response: null (ms)\nAll in order." in capsys.readouterr().out


def test_check_says_what_a_single_link_costs(tmp_path, capsys, monkeypatch):
    study = tmp_path / "study"
    shutil.copytree(SCRIPTS.parent / "config", study / "config")
    monkeypatch.setattr("evenbore.study.check.check_reading", lambda _: [])
    assert cli.main(["check", str(study)]) == 0
    told = capsys.readouterr().out
    assert "\nOak alone links the sessions evening_1, evening_2 and evening_3." in told
    assert told.rstrip().endswith("let two or three instruments do so.")


def test_a_run_ends_with_what_hangs_on_days_and_what_to_record_next(report):
    from evenbore.run.workflow import _told

    days, best = _told(report)
    assert days.startswith("From day to day an instrument varies ")
    assert "\N{REPLACEMENT CHARACTER}" not in days
    assert re.fullmatch(
        r"Next: record .*, about \d+ minutes: some \d+ more comparisons would be decided, .* above all\.", best
    )
    assert _told(report / "results") == []


def test_another_name_of_a_family_is_answered_with_its_key(capsys):
    with pytest.raises(SystemExit):
        cli.main(["listen", "a.wav", "--family", "Bb clarinet"])
    assert "there is no family 'Bb clarinet', perhaps clarinet_b_flat; choose from " in capsys.readouterr().err


def test_listen_answers_by_status(tmp_path, capsys):
    text = tmp_path / "notes.wav"
    text.write_text("C4 D4 E4", encoding="utf-8")
    assert cli.main(["listen", str(text), "--family", "flute"]) == 2
    assert "Not usable: " in capsys.readouterr().out
    assert cli.main(["listen", str(text), "--family", "flute", "--low", "X4"]) == 1
    assert "'X4' is not a note" in capsys.readouterr().err


def test_listen_outlives_a_file_that_crashes_its_decoder(tmp_path, capsys, monkeypatch):
    path = tmp_path / "take_crash.wav"
    soundfile.write(path, np.random.default_rng(0).normal(0, 0.1, 16_000), 16_000)
    monkeypatch.setattr(worker, "loaded", False)
    monkeypatch.setenv("PYTHONPATH", evil_decoder(tmp_path))
    assert cli.main(["listen", str(path), "--family", "flute"]) == 2
    out, err = capsys.readouterr()
    assert "Not usable: crashed the program that reads it" in out
    assert err == ""


def test_listen_takes_notes_and_refuses_them_beside_another_pattern(tmp_path, capsys):
    path = tmp_path / "three.wav"
    times = np.arange(8000) / 16_000
    tones = [0.2 * sum(np.sin(2 * np.pi * h * f0 * times) / h for h in (1, 2, 3)) for f0 in (523.25, 659.26, 783.99)]
    soundfile.write(path, np.concatenate([np.zeros(16_000), *tones, np.zeros(8000)]), 16_000)
    command = ["listen", str(path), "--family", "flute"]
    cli.main([*command, "--notes", "C5 E5 G5"])
    assert "3 of 3 found" in capsys.readouterr().out
    assert cli.main([*command, "--notes", "C5 E5 G5", "--pattern", "major"]) == 1
    assert cli.main([*command, "--pattern", "notes"]) == 1
    assert "has no notes" in capsys.readouterr().err


def test_check_and_listen_answer_as_json(tmp_path, capsys):
    study = tmp_path / "study"
    shutil.copytree(SCRIPTS.parent / "config", study / "config")
    assert cli.main(["check", str(study), "--json"]) == 1
    problems = json.loads(capsys.readouterr().out)["problems"]
    assert problems[0].keys() == {"file", "row", "column", "value", "allowed", "cause"}
    assert {problem["column"] for problem in problems} == {"file"}
    text = tmp_path / "notes.wav"
    text.write_text("C4 D4 E4", encoding="utf-8")
    assert cli.main(["listen", str(text), "--family", "flute", "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert (told["recording"]["status"], told["notes"]) == ("set_aside", [])


@pytest.mark.skipif(os.name == "nt", reason="Windows has no broken pipes of this kind")
def test_a_reader_who_has_enough_is_no_error(tmp_path):
    text = tmp_path / "notes.wav"
    text.write_text("C4 D4 E4", encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "evenbore.run.cli", "listen", str(text), "--family", "flute"],
        env={**os.environ, "PYTHONPATH": str(SCRIPTS)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )
    process.stdout.close()
    assert (process.wait(600), process.stderr.read()) == (141, "")


def fail_with(error):
    def command(arguments):
        raise error

    return command


def test_errors_are_told_without_traceback(monkeypatch, capsys):
    monkeypatch.setattr(cli, "_check", fail_with(EvenboreError("The folder is empty.")))
    assert cli.main(["check", "s"]) == 1
    assert capsys.readouterr().err == "The folder is empty.\n"


def test_all_problems_are_listed(monkeypatch, capsys):
    problems = [Problem("recordings.tsv", row, "take", "x", "a whole number") for row in (2, 3, 7)]
    problems += [Problem("recordings.tsv", row, "file", f"{row}.wav", "a file that is there") for row in (2, 4)]
    problems += [Problem("config.yaml", 3, "seed", "-1", "0 or more")]
    monkeypatch.setattr(cli, "_run", fail_with(StudyError(problems)))
    assert cli.main(["run", "s"]) == 1
    said = capsys.readouterr().err
    assert said.splitlines() == [
        "recordings.tsv, rows 2-3, 7, column 'take': found 'x'; allowed: a whole number.",
        "recordings.tsv, rows 2, 4, column 'file': found '2.wav' and 1 more; allowed: a file that is there.",
        "config.yaml, row 3, column 'seed': found '-1'; allowed: 0 or more.",
        "3 problems, in 6 places.",
    ]


def test_options_after_the_dashes_go_to_the_workflow(monkeypatch):
    seen = []
    monkeypatch.setattr(cli, "_run", lambda arguments: seen.append(arguments.options) or 0)
    cli.main(["run", "s", "--", "-n", "--", "x"])
    cli.main(["run", "s"])
    assert seen == [["-n", "--", "x"], []]


@pytest.mark.parametrize(
    ("options", "all_cores"),
    [([], True), (["-n"], True), (["--cores", "2"], False), (["-c1"], False), (["--profile", "p"], False)],
)
def test_own_cores_replace_all(tmp_path, options, all_cores):
    command = workflow._command(tmp_path, options)
    assert ("all" in command) == all_cores
    assert command[len(command) - len(options) :] == options


def test_paths_are_shown_from_here_where_possible(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert shown_path(tmp_path / "study" / "report.html") == os.path.join("study", "report.html")
    assert shown_path(tmp_path.parent / "other") == str(tmp_path.parent / "other")
    assert (typed("study"), typed("my study")) == ("study", '"my study"')


SNAKEFILE = """
rule all:
    input: "results/report.html"
rule measure:
    output: "results/work/{chunk}.txt"
    log: "results/logs/measure/{chunk}.log"
    message: "a message hides the rule's name in the text output"
    shell: "python -c \\"import pathlib, sys, time; "
        "[time.sleep(0.1) for _ in iter(pathlib.Path('HOLD').exists, False)]; "
        "pathlib.Path('{log}').write_text('first\\\\nThe take is empty.'); "
        "sys.exit(CODE) if CODE else pathlib.Path('{output}').touch()\\""
rule page:
    input: expand("results/work/{chunk}.txt", chunk=["s--a", "s--b"])
    output: touch("results/report.html")
"""


@pytest.fixture
def toy(tmp_path):
    """Function: write a workflow of two stages and return a process of `evenbore run`'s supervision on it.

    Its jobs wait as long as the file `toy.hold` exists.
    """
    study = tmp_path / "my study"
    (study / "config").mkdir(parents=True)
    (study / "config" / "config.yaml").write_text("title: toy\n", encoding="utf-8")
    driver = tmp_path / "driver.py"
    driver.write_text(
        "import sys\nfrom pathlib import Path\nimport evenbore.run.workflow as workflow\n"
        "here = Path(__file__).parent\nworkflow.repo_root = lambda: here\n"
        "sys.exit(workflow.run_workflow(here / 'my study', {'s--a': 4, 's--b': 3}, sys.argv[1:]))\n",
        encoding="utf-8",
    )

    def run(*options, code=0):
        text = (
            SNAKEFILE.replace("HOLD", str(run.hold))
            .replace("CODE", str(code))
            .replace('"python ', f'"{shlex.quote(sys.executable)} ')
        )
        (tmp_path / "Snakefile").write_text(text, encoding="utf-8")
        return subprocess.Popen(
            [sys.executable, str(driver), *options],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(SCRIPTS)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
        )

    run.study, run.hold = study, tmp_path / "hold"
    return run


def end(process):
    out, err = process.communicate(timeout=600)
    return process.returncode, out, err


@pytest.mark.slow
def test_a_run_reports_stages_and_the_report_then_has_nothing_to_do(toy):
    code, out, _ = end(toy("-n"))
    assert code == 0
    assert "rule page" in out
    assert "Report:" not in out
    assert not (toy.study / "results" / "report.html").exists()

    code, out, err = end(toy("--cores", "1"))
    assert code == 0, err
    assert out == f"Report: {Path('my study', 'results', 'report.html')}\n"
    assert "Measuring recordings: done (7 recordings)" in err
    assert "Writing the report: done" in err
    assert "4 of 4 steps (100%) done" in (toy.study / "results" / "logs" / "run.log").read_text(encoding="utf-8")

    code, out, _ = end(toy())
    assert code == 0
    assert out.startswith("Nothing to do: all results are up to date.\nReport: ")
    code, out, _ = end(toy("--unlock"))
    assert (code, out) == (0, "The study is free again.\n")


@pytest.mark.slow
def test_a_failed_stage_is_named_with_the_end_of_its_log(toy):
    code, out, err = end(toy("--cores", "1", code=3))
    assert code == 1
    assert out == ""
    assert "Failed: Measuring recordings.\n  first\n  The take is empty.\n" in err
    assert str(Path("my study", "results", "logs", "run.log")) in err


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows consoles send Ctrl-C to every process themselves")
def test_a_signal_ends_the_run_with_all_it_started(toy):
    toy.hold.touch()
    process = toy()
    wait_for_jobs(toy, process)
    process.send_signal(signal.SIGTERM)
    code, _, err = end(process)
    assert code == 130
    assert "What is finished is kept" in err
    assert not jobs_of(toy)


def wait_for_jobs(toy, process):
    while not jobs_of(toy):
        assert process.poll() is None, "no job was started"
        time.sleep(0.2)


def jobs_of(toy):
    commands = (" ".join(process.info["cmdline"] or ()) for process in psutil.process_iter(["cmdline"]))
    return [command for command in commands if str(toy.hold) in command]


def test_half_written_events_wait_for_their_end(tmp_path):
    events = tmp_path / "events.jsonl"
    line = json.dumps({"event": "planned", "jobs": {"measure": 2}})
    events.write_text(line[:10], encoding="utf-8")
    progress = workflow.Progress({})
    follow = workflow._following(events, progress, workflow.Screen(open(os.devnull, "w")))  # noqa: SIM115
    follow()
    assert progress.planned == {}
    events.write_text(line + "\n", encoding="utf-8")
    follow()
    assert progress.planned == {"measure": 2}


@pytest.mark.parametrize(
    ("log", "shown_lines"),
    [
        ("".join(f"r{i}: silent\n" for i in range(9)), [f"r{i}: silent" for i in range(9)]),
        ("Traceback (most recent call last):\n  one\n  two\n  three\nValueError: four\n", ["  two", "  three"]),
    ],
)
def test_all_reasons_are_shown_but_only_the_end_of_a_traceback(tmp_path, log, shown_lines):
    path = tmp_path / "results" / "collect.log"
    path.parent.mkdir()
    path.write_text(log, encoding="utf-8")
    progress = workflow.Progress({})
    progress.update({"event": "failed", "job": 1, "rule": "collect", "logs": ["results/collect.log"]}, 0.0)
    text = workflow._failure(tmp_path, progress, path, "")
    assert all(f"  {line}\n" in text for line in shown_lines)
    assert "one" not in text


@pytest.mark.parametrize("said", ["Error: no room\n", ""])
def test_the_cause_is_shown_where_no_step_could_say_it(tmp_path, said):
    """A step whose own log could not be written, on a full disk say."""
    progress = workflow.Progress({})
    progress.update({"event": "failed", "job": 1, "rule": "collect", "logs": ["results/collect.log"]}, 0.0)
    progress.update({"event": "error", "kind": "OSError", "message": "Error: no room"}, 0.0)
    text = workflow._failure(tmp_path, progress, tmp_path / "run.log", said)
    assert "Failed: Collecting the measurements.\nThe workflow stopped:\n  Error: no room\n" in text


@pytest.mark.skipif(os.name == "nt", reason="names are Unicode there, and a shell closes what is printed to")
@pytest.mark.parametrize(
    ("encoding", "closed", "told"),
    [("cp1252", "", rb"Bb \\u266d"), ("utf-8", ">&- 2>&-", b"")],
)
def test_odd_names_and_closed_streams_give_no_traceback(tmp_path, encoding, closed, told):
    """A terminal that knows no flat sign, names that are no UTF-8 or steer a terminal, nobody to print to."""
    (tmp_path / "audio").mkdir()
    for name in (b"Bb \xe2\x99\xad mf 1.wav", b"a\xff mf 1.wav", b"b\x1b[2J mf 1.wav"):
        Path(os.fsdecode(bytes(tmp_path / "audio") + b"/" + name)).write_bytes(b"")
    call = f'"{sys.executable}" -m evenbore.run.cli new study --audio audio --family flute; '
    call = f'({call} "{sys.executable}" -m evenbore.run.cli check study) {closed}'
    done = subprocess.run(
        call, shell=True, cwd=tmp_path, capture_output=True,
        env={**os.environ, "PYTHONPATH": str(SCRIPTS), "PYTHONIOENCODING": encoding},
    )  # fmt: skip
    said = done.stdout + done.stderr
    assert b"Traceback" not in said and b"\x1b" not in said
    assert done.returncode == 1  # nothing can be read of these recordings
    assert re.search(told, said)
    assert (tmp_path / "study" / "config" / "recordings.tsv").exists()


@pytest.mark.parametrize("called", [None, "python3 scripts/start.py"])
def test_the_next_command_is_named_as_this_one_was_called(monkeypatch, tmp_path, capsys, called):
    if called:
        monkeypatch.setenv("EVENBORE_COMMAND", called)
    else:
        monkeypatch.delenv("EVENBORE_COMMAND", raising=False)
    (tmp_path / "audio").mkdir()
    (tmp_path / "audio" / "yew_mf_1.wav").write_bytes(b"")
    assert cli.main(["new", str(tmp_path / "study"), "--audio", str(tmp_path / "audio"), "--family", "flute"]) == 0
    assert f"Then: {called or 'evenbore'} check " in capsys.readouterr().out


def completed(repo, require_program, *typed):
    """What bash offers for these words, the last of them unfinished."""
    script = (
        f'source "{repo}/scripts/completion.bash"; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _evenbore;'
        ' printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run([require_program("bash"), "-c", script, "bash", "evenbore", *typed],
                          capture_output=True, text=True, check=True)  # fmt: skip
    return set(done.stdout.split())


def test_the_shell_completes_every_command_and_option(repo, require_program):
    (commands,) = (one.choices for one in cli._parser()._actions if isinstance(one, argparse._SubParsersAction))
    assert completed(repo, require_program, "") == set(commands)
    assert completed(repo, require_program, "st") == {"status"}
    for name, parser in commands.items():
        wanted = {option for action in parser._actions for option in action.option_strings if option.startswith("--")}
        assert completed(repo, require_program, name, "--") == wanted
    assert completed(repo, require_program, "run", "my") == set()  # left to the names of files


@pytest.mark.skipif(os.name == "nt", reason="the cache's place is POSIX's")
def test_where_home_cannot_be_written_another_stands_in(tmp_path, monkeypatch):
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    for home, instead in ((tmp_path, {}), (os.devnull, {"HOME": "scratch", "XDG_CACHE_HOME": "scratch"})):
        monkeypatch.setenv("HOME", str(home))
        assert workflow._home("scratch") == instead
