"""What has changed since a run is told, all of it and nothing else."""

import json
import os

import pytest

from evenbore.files.digest import sha256
from evenbore.files.errors import EvenboreError
from evenbore.run import cli
from evenbore.run.against import changes_since
from evenbore.run.provenance import provenance
from evenbore.study.sheets import load_study
from sheetstudies import INSTRUMENTS, RECORDINGS, changed, write_study


@pytest.fixture
def study(tmp_path, monkeypatch):
    """A study with a record of a run on it, as the workflow writes one (from the study's folder)."""
    folder = write_study(tmp_path / "study")
    (folder / "audio").mkdir()
    for row in RECORDINGS[:2]:
        (folder / row["file"]).write_bytes(row["recording"].encode())
    (folder / "config" / "families").mkdir()
    (folder / "config" / "families" / "own.yaml").write_text("like: flute\nname: own flute\n", encoding="utf-8")
    monkeypatch.chdir(folder)
    loaded = load_study(".")
    sheets = [*(f"config/{name}" for name in ("config.yaml", "recordings.tsv", "instruments.tsv", "sessions.tsv"))]
    digests = {row["recording"]: sha256(row["path"]) for row in loaded.recordings}
    record = provenance(loaded.config, [*sheets, "config/families/own.yaml"], loaded.recordings, digests, [])
    (folder / "provenance.json").write_text(json.dumps(record), encoding="utf-8")
    return folder


def rewritten(study, change):
    path = study / "provenance.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    change(record)
    path.write_text(json.dumps(record), encoding="utf-8")
    return changes_since(study, path)


def test_nothing_has_changed(study, capsys):
    assert changes_since(study, study / "provenance.json") == []
    assert cli.main(["check", str(study), "--against", str(study / "provenance.json")]) == 0
    assert "Nothing has changed" in capsys.readouterr().out


def test_recordings_and_sheets(study, capsys):
    (study / "audio/r1.wav").write_bytes(b"another take")
    (study / "audio/r3.wav").write_bytes(b"r3, missing in the run")
    (study / "audio/r2.wav").rename(study / "audio/second.wav")
    rows = [
        *changed(RECORDINGS, 1, file="audio/second.wav"),
        RECORDINGS[0] | {"recording": "r4", "file": "r4", "take": "9"},
    ]
    write_study(study, rows, changed(INSTRUMENTS, 0, price="5"))
    (study / "config/families/own.yaml").unlink()
    (study / "config/families/other.yaml").write_text("like: flute\nname: another\n", encoding="utf-8")
    assert changes_since(study, study / "provenance.json") == [
        "config/families/other.yaml: not there then, there now",
        "config/families/own.yaml: there then, not there now",
        "config/instruments.tsv: its content has changed",
        "config/recordings.tsv: its content has changed",
        "recording r1 (audio/r1.wav): its content has changed",
        "recording r2, same sound, file: audio/r2.wav then, audio/second.wav now",
        "recording r3 (audio/r3.wav): not readable then, there now",
        "recording r4: new",
    ]
    assert cli.main(["check", str(study), "--against", str(study / "provenance.json")]) == 1
    assert "  recording r4: new\n" in capsys.readouterr().out


def test_a_recording_that_is_gone(study):
    write_study(study, RECORDINGS[1:])
    assert "recording r1: no longer in the sheet" in changes_since(study, study / "provenance.json")


def test_settings(study):
    path = study / "config/config.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("\ndraws: 4000", "\ndraws: 2000"), encoding="utf-8")
    assert changes_since(study, study / "provenance.json") == [
        "setting draws: 4000 then, 2000 now",
        "config/config.yaml: its content has changed",
    ]
    lines = rewritten(study, lambda record: record["config"]["just_noticeable"].update(response=7))
    assert any(line.startswith("setting just_noticeable.response: 7 then, ") for line in lines)


def test_versions_and_code(study):
    def older(record):
        record |= {"evenbore": "0.0.1", "code": "0" * 64}
        record["packages"] |= {"numpy": "1.0", "gone": "2.0"}

    lines = rewritten(study, older)
    assert lines[0].startswith("evenbore: 0.0.1 then, ")
    assert [line.split(":")[0] for line in lines] == ["evenbore", "code", "numpy", "gone"]
    assert lines[3] == "gone: 2.0 then, none now"


@pytest.mark.parametrize("text", ["", "[]", "{}", "null", '{"recordings": 3}', "[" * 100_000, "\udcff"])
def test_what_is_no_record_is_refused(study, text):
    (study / "other.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(EvenboreError, match="no record of a run"):
        changes_since(study, study / "other.json")


def test_a_hostile_record_does_no_harm(study):
    """Sections of another kind count as absent; nothing that steers a terminal is printed."""

    def evil(record):
        record |= {
            "packages": 3,
            "config": [1],
            "sheets": "x",
            "python": "\x1b[2J",
            "recordings": {"r1": 5, "\x07": {}},
        }

    lines = rewritten(study, evil)
    assert all(line.isprintable() for line in lines)
    assert any(line.startswith("python: \N{REPLACEMENT CHARACTER}[2J then") for line in lines)


def test_a_missing_record(study, capsys):
    assert cli.main(["check", str(study), "--against", str(study / "none.json")]) == 1
    assert "no such file" in capsys.readouterr().err


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_what_is_no_file_is_not_waited_for(study):
    os.mkfifo(study / "pipe")
    for path in (study / "pipe", study, "/dev/zero"):
        with pytest.raises(EvenboreError, match="there is no such file"):
            changes_since(study, path)
