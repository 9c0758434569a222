"""What changed in the answer is told with its reasons, and nothing else is."""

import json

import pandas as pd
import pytest

from evenbore.files.tables import empty_table, write_table
from evenbore.run import cli
from evenbore.run.history import FILE, RUNS_KEPT, changes_in_words, note_run, past_runs

RECORD = {
    "evenbore": "1", "python": "3.11", "platform": "x", "code": "a", "packages": {}, "config": {"draws": 100},
    "sheets": {"config/recordings.tsv": "s1"}, "recordings": {"r1": {"file": "a.wav", "sha256": "1"}},
}  # fmt: skip
OAK = {"instrument": "oak", "state": "as_found", "family": "oboe", "current": "yes", "decision": "accept",
       "must_pass": "pass", "against": "noise: worse than 1 of 2 others", "sentence": "Oak: accept."}  # fmt: skip
YEW = OAK | {"instrument": "yew", "against": "", "sentence": "Yew: accept."}


@pytest.fixture
def study(tmp_path):
    return tmp_path


def run(study, status, chances=(0.3, 0.7), **record):
    """A run with this answer."""
    tables = study / "results/tables"
    rows = pd.DataFrame([dict.fromkeys(empty_table("status").columns) | row for row in status])
    write_table(rows, "status", tables / "status.tsv")
    first = [{"priorities": "all", "group": 1, "instrument": name, "p_first": chance}
             for name, chance in zip(("oak", "yew"), chances, strict=True)]  # fmt: skip
    ranking = pd.DataFrame([dict.fromkeys(empty_table("ranking").columns) | row for row in first])
    write_table(ranking, "ranking", tables / "ranking.tsv")
    note_run(tables, RECORD | record, study / FILE)
    return changes_in_words(past_runs(study / FILE))


def test_a_first_run_changes_nothing_and_again_the_same_is_no_run(study):
    assert run(study, [OAK, YEW]) == []
    assert run(study, [OAK, YEW]) == []
    assert len(past_runs(study / FILE)) == 1


def test_what_changed_and_why(study):
    run(study, [OAK, YEW])
    bench = "must-pass failed: pitch 36 cents; noise: worse than 2 of 2 others"
    told = run(
        study,
        [OAK | {"decision": "bench", "must_pass": "pitch 36 cents", "against": bench}, YEW | {"instrument": "elm"}],
        (0.1, 0.9),
        sheets={"config/recordings.tsv": "s2"},
        recordings=RECORD["recordings"] | {"r2": {"file": "b.wav", "sha256": "2"}},
    )
    assert told[0].startswith("Changed in the answer since the run of 20")
    assert told[1:] == [
        "  oak (as found): bench, before accept; now against it: must-pass failed: pitch 36 cents",
        "  elm (as found): new, accept",
        "  yew (as found): no longer there",
        "  likeliest to be first by all: yew (90%), before yew (70%)",
        "What was different:",
        "  config/recordings.tsv: its content has changed",
        "  recording r2: new",
    ]


def test_the_same_answer_from_other_settings_is_said_to_be_the_same(study):
    run(study, [OAK, YEW])
    told = run(study, [OAK | {"against": "noise: worse than 2 of 2 others"}, YEW], (0.35, 0.65), config={"draws": 200})
    assert told[0].startswith("The answer is the same as after the run of 20")
    assert told[1:] == ["What was different:", "  setting draws: 100 then, 200 now"]


def test_the_last_runs_are_kept_and_a_damaged_history_begins_anew(study):
    for number in range(RUNS_KEPT + 3):
        run(study, [OAK, YEW], config={"draws": number})
    runs = past_runs(study / FILE)
    assert len(runs) == RUNS_KEPT
    assert [("record" in one) for one in runs] == [False] * (RUNS_KEPT - 1) + [True]
    for damaged in ("", "[]", "{}", '[{"answer": 1}]', '[{"answer": {}, "record": {}}]'):
        (study / FILE).write_text(damaged, encoding="utf-8")
        assert run(study, [OAK, YEW]) == []


def test_status_in_words_and_as_json(study, capsys):
    assert cli.main(["status", str(study)]) == 1
    assert "There are no results yet. Next:" in capsys.readouterr().err
    run(study, [OAK, YEW])
    run(study, [OAK, YEW | {"decision": "return", "sentence": "Yew:\x1b[2J return."}], code="b")
    assert cli.main(["status", str(study)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[:2] == ["Oak: accept.", "Yew:\N{REPLACEMENT CHARACTER}[2J return."]
    assert told[3] == "  yew (as found): return, before accept"
    assert cli.main(["status", str(study), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [row["decision"] for row in told["instruments"]] == ["accept", "return"]
    assert told["changed"] == ["yew (as found): return, before accept"]
    assert told["why"] == ["code: the program itself has changed"]
