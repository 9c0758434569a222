"""Sheets and config: what is right loads typed; what is wrong is reported at once, each in its place."""

import dataclasses
import difflib
import json
import os
import re

import jsonschema
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evenbore.facts.criteria import CRITERIA
from evenbore.facts.days import DAY_KINDS
from evenbore.files.errors import StudyError
from evenbore.files.paths import repo_root
from evenbore.findings.tolerances import tolerance
from evenbore.study.config import default_config, load_schema
from evenbore.study.sheets import SHEETS, chunks, load_study, read_study
from sheetstudies import INSTRUMENTS, RECORDINGS, SESSIONS, changed, sheet_text, write_study

CONFIG_TEXT = (repo_root() / "config" / "config.yaml").read_text(encoding="utf-8")


def problems_of(folder):
    with pytest.raises(StudyError) as caught:
        load_study(folder)
    return caught.value.problems


def the_problem(folder):
    problems = problems_of(folder)
    assert len(problems) == 1, problems
    return problems[0]


# --- what is right


def test_values_are_typed_and_blanks_get_their_defaults(tmp_path):
    study = load_study(
        write_study(
            tmp_path,
            recordings=changed(RECORDINGS, 0, low="Bb3", high="F6", channel="2", x_lacquer="gold"),
            instruments=changed(INSTRUMENTS, 0, price="1200.50", bore_mm="12.3"),
        )
    )
    first, second = study.recordings[:2]
    assert (first["take"], first["channel"], first["x_lacquer"]) == (1, 2, "gold")
    assert (first["dynamic"], first["articulation"], first["pattern"], first["direction"], first["state"]) == (
        "mf",
        "slurred",
        "chromatic",
        "up",
        "as_found",
    )
    # Written B flat 3 is MIDI 58 and F6 is MIDI 89 (C4 = 60, common practice of scientific pitch notation).
    assert (first["low"], first["high"]) == (58, 89)
    family = study.families["saxophone_alto"]
    assert (second["low"], second["high"]) == (family.low, family.high)
    assert second["x_lacquer"] is None and second["channel"] is None
    assert first["path"] == tmp_path / "audio" / "r1.wav"
    assert study.instruments["alto1"]["price"] == 1200.5
    assert study.instruments["Alto2"]["price"] is None
    assert study.instruments["Alto2"]["reference"] == "no"
    assert study.instruments["Alto2"]["grade"] == "default"
    assert study.sessions["s1"]["tuning_hz"] == 440.0
    assert study.inspection == () and "inspection" not in study.files


def test_a_grade_takes_what_it_leaves_out_from_default(tmp_path):
    folder = write_study(tmp_path, instruments=changed(INSTRUMENTS, 0, grade="student"))
    text = CONFIG_TEXT.replace("tolerances:\n", "tolerances:\n  student: {note_cents: 25}\n")
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    study = load_study(folder)
    own = tolerance(study.config, study.instruments["alto1"])
    assert own == tolerance(study.config, study.instruments["Alto2"]) | {"note_cents": 25}


def test_chunks_hold_one_instrument_of_one_session_and_stay_when_rows_are_added(tmp_path):
    before = chunks(load_study(write_study(tmp_path / "a")))
    more = [*RECORDINGS, RECORDINGS[0] | {"recording": "r0", "file": "audio/r0.wav", "take": "3"}]
    after = chunks(load_study(write_study(tmp_path / "a", recordings=more[::-1])))
    assert list(before) == list(after) == ["s1--Alto2", "s1--alto1"]
    assert before["s1--Alto2"] == after["s1--Alto2"]
    assert [row["recording"] for row in before["s1--alto1"]] == ["r1", "r2"]
    assert json.loads(json.dumps(after)) == after


def test_what_measuring_does_not_depend_on_does_not_change_its_row(tmp_path):
    before = chunks(load_study(write_study(tmp_path)))
    instruments = changed(INSTRUMENTS, 0, label="other", price="5")
    after = chunks(
        load_study(
            write_study(tmp_path, recordings=changed(RECORDINGS, 0, comment="loud street"), instruments=instruments)
        )
    )
    assert before == after


def test_notes_of_a_pattern_become_written_midi(tmp_path):
    rows = changed(RECORDINGS, 0, pattern="notes", notes="C4  E4 G#4")
    assert load_study(write_study(tmp_path, recordings=rows)).recordings[0]["notes"] == [60, 64, 68]


@pytest.mark.parametrize("separator", ["\t", ",", ";"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_separator_is_found_by_content_with_any_line_ends(tmp_path, separator, encoding, newline):
    folder = write_study(tmp_path)
    rows = changed(INSTRUMENTS, 0, label=f'"Nr. 1{separator} „Grün“ ""alt"""')
    text = sheet_text(rows, separator).replace("\n", newline)
    (folder / "config/instruments.tsv").write_bytes(text.encode(encoding))
    assert load_study(folder).instruments["alto1"]["label"] == f'Nr. 1{separator} „Grün“ "alt"'


def test_a_csv_serves_where_the_config_says_tsv(tmp_path):
    folder = write_study(tmp_path)
    (folder / "config/sessions.tsv").rename(folder / "config/sessions.csv")
    assert load_study(folder).files["sessions"].name == "sessions.csv"


@pytest.mark.parametrize("name", ["config.yaml", "instruments.tsv"])
def test_a_file_of_holes_is_not_read_into_memory(tmp_path, name):
    study = write_study(tmp_path)
    os.truncate(study / "config" / name, 30 << 30)
    assert f"{name}: allowed: a readable" in (told := "".join(map(str, read_study(study).problems)))
    assert "larger than 200 MB" in told


def test_blank_rows_are_skipped_but_counted(tmp_path):
    folder = write_study(tmp_path)
    sheet = folder / "config/sessions.tsv"
    sheet.write_text("\n\t\n" + sheet.read_text(encoding="utf-8") + "\t\n\ns 2\t\n", encoding="utf-8")
    problem = the_problem(folder)
    assert (problem.row, problem.column, problem.value) == (7, "session", "s 2")


def test_backslashes_of_a_sheet_written_on_windows(tmp_path):
    (tmp_path / "audio").mkdir()
    (tmp_path / "audio/r1.wav").write_bytes(b"")
    rows = changed(RECORDINGS, 0, file="audio\\r1.wav")
    assert load_study(write_study(tmp_path, recordings=rows)).recordings[0]["path"] == tmp_path / "audio/r1.wav"


# --- one wrong cell: found in its row and column, with what is allowed and why

BAD_CELLS = [
    ("recordings", 1, "recording", "r 2", "letters, digits", "' '"),
    ("recordings", 1, "recording", "r1", "no other row", "row 2 has the same id"),
    ("recordings", 1, "recording", "R1", "no other row", "upper and lower case"),
    ("recordings", 1, "recording", "NUL", "letters, digits", "Windows"),
    ("recordings", 1, "recording", "", "letters, digits", "blank"),
    ("recordings", 1, "recording", "r" * 101, "at most 100", "length"),
    ("recordings", 1, "file", "audio/r1.wav", "once", "row 2"),
    ("recordings", 1, "file", "./audio/x/../r1.wav", "once", "row 2"),
    ("recordings", 1, "instrument", "alto3", "one of alto1, Alto2", "not in config/instruments.tsv, perhaps"),
    ("recordings", 1, "session", "t9", "one of s1", "not in config/sessions.tsv"),
    ("recordings", 1, "take", "0", "a whole number from 1", "range"),
    ("recordings", 1, "take", "1.5", "a whole number", "decimal point"),
    ("recordings", 1, "take", "two", "a whole number", ""),
    ("recordings", 1, "take", "1", "another number", "row 2"),
    ("recordings", 1, "dynamic", "MF", "one of pp, p, mp, mf, f, ff", "misspelling of 'mf'"),
    ("recordings", 1, "articulation", "tounged", "one of slurred, tongued", "misspelling of 'tongued'"),
    ("recordings", 1, "pattern", "minor", "one of chromatic, major, notes, passage", ""),
    ("recordings", 1, "direction", "updown", "one of up, down, up-down", "misspelling of 'up-down'"),
    ("recordings", 1, "low", "H3", "a written note", ""),
    ("recordings", 1, "high", "440", "a written note", ""),
    ("recordings", 1, "low", "C1", "standard range", "sounding"),
    ("recordings", 1, "state", "fixed", "one of as_found, after_setup", ""),
    ("recordings", 1, "notes", "C4 E4", "nothing, unless", ""),
    ("recordings", 1, "channel", "0", "from 1 to 256", "range"),
    ("instruments", 1, "family", "saxophone_alt", "saxophone_alto", "perhaps 'saxophone_alto'"),
    ("instruments", 1, "label", "", "text", "blank"),
    ("instruments", 1, "grade", "pro", "one of default", ""),
    ("instruments", 1, "price", "-1", "from 0 to", "range"),
    ("instruments", 1, "price", "1,200", "a number", "it may mean 1.2 or 1200"),
    ("instruments", 1, "price", "£ 1200", "a number", "currency"),
    ("instruments", 1, "price", "nan", "a number", ""),
    ("instruments", 1, "price", "1e999", "a number", ""),
    ("instruments", 1, "price", "1_000", "a number", ""),
    ("instruments", 1, "reference", "true", "one of yes, no", ""),
    ("sessions", 0, "date", "03/05/2024", "YYYY-MM-DD", "order"),
    ("sessions", 0, "date", "2024-02-30", "YYYY-MM-DD", "does not exist"),
    ("sessions", 0, "date", "20240503", "YYYY-MM-DD", ""),
    ("sessions", 0, "tuning_hz", "44", "from 380 to 500", "range"),
    ("sessions", 0, "distance_m", "0", "above 0", ""),
]


@pytest.mark.parametrize(("sheet", "index", "column", "value", "allowed", "cause"), BAD_CELLS)
def test_a_wrong_cell_is_named_with_row_column_allowed_and_cause(tmp_path, sheet, index, column, value, allowed, cause):
    sheets = {"recordings": RECORDINGS, "instruments": INSTRUMENTS, "sessions": SESSIONS}
    folder = write_study(tmp_path, **sheets | {sheet: changed(sheets[sheet], index, **{column: value})})
    problem = next(p for p in problems_of(folder) if p.column == column)
    assert (problem.file, problem.row) == (f"config/{sheet}.tsv", index + 2)
    assert allowed in problem.allowed
    assert cause in problem.cause
    assert (problem.value or "").startswith(value[:20])


def test_low_above_high(tmp_path):
    problem = the_problem(write_study(tmp_path, recordings=changed(RECORDINGS, 2, low="C5", high="C4")))
    assert (problem.row, problem.column, problem.value) == (4, "low", "C5")


def test_pattern_notes_needs_notes(tmp_path):
    problem = the_problem(write_study(tmp_path, recordings=changed(RECORDINGS, 2, pattern="notes")))
    assert (problem.row, problem.column) == (4, "notes")
    problem = the_problem(write_study(tmp_path, recordings=changed(RECORDINGS, 2, pattern="notes", notes="C4 X4")))
    assert (problem.column, problem.value) == ("notes", "C4 X4")


def test_notes_with_commas_between_them(tmp_path):
    row = RECORDINGS[0] | {"pattern": "notes", "notes": "C4,D4,E4"}
    problem = the_problem(write_study(tmp_path, [row, *RECORDINGS[1:]]))
    assert (problem.row, problem.column, problem.cause) == (2, "notes", "commas or semicolons between the notes")


def test_chunk_names_cannot_run_into_each_other(tmp_path):
    instruments = [*INSTRUMENTS, INSTRUMENTS[0] | {"instrument": "x--alto1"}]
    sessions = [*SESSIONS, {"session": "s1--x"}]
    more = [
        RECORDINGS[0] | {"recording": "r4", "file": "4.wav", "instrument": "x--alto1"},
        RECORDINGS[0] | {"recording": "r5", "file": "5.wav", "session": "s1--x"},
    ]
    problem = the_problem(write_study(tmp_path, [*RECORDINGS, *more], instruments, sessions))
    assert (problem.row, problem.column) == (6, "instrument")


def test_an_id_in_other_capitals_is_one_problem(tmp_path):
    recordings = [RECORDINGS[0] | {"session": "S1"}, *RECORDINGS[1:]]
    problem = the_problem(write_study(tmp_path, recordings))
    assert (problem.row, problem.column, problem.value) == (2, "session", "S1")


def test_optional_sheets_are_checked_when_they_are_there(tmp_path):
    inspection = [
        {"instrument": "alto1", "item": "pads", "result": "ok", "severity": "", "cost": ""},
        {"instrument": "alto1", "item": "pads", "result": "broken", "severity": "4", "cost": "-2"},
    ]
    impressions = [
        {"instrument": "alto9", "where": "lowest", "aspect": "tone", "score": "6"},
        {"instrument": "alto1", "where": "nowhere", "aspect": "colour", "score": "3.3"},
        {"instrument": "alto1", "where": "G4", "aspect": "my own word", "score": "4,5"},
    ]
    problems = problems_of(write_study(tmp_path, inspection=inspection, impressions=impressions))
    found = {(p.file.removeprefix("config/"), p.row, p.column) for p in problems}
    assert found == {
        ("inspection.tsv", 3, "item"),
        ("inspection.tsv", 3, "result"),
        ("inspection.tsv", 3, "severity"),
        ("inspection.tsv", 3, "cost"),
        ("impressions.tsv", 2, "instrument"),
        ("impressions.tsv", 2, "score"),
        ("impressions.tsv", 3, "where"),
        ("impressions.tsv", 3, "score"),
    }


def test_all_problems_of_all_files_come_at_once_in_the_order_of_the_files(tmp_path):
    folder = write_study(
        tmp_path,
        changed(RECORDINGS, 0, take="x", dynamic="loud"),
        changed(INSTRUMENTS, 1, price="-3"),
        changed(SESSIONS, 0, date="May"),
    )
    (folder / "config/config.yaml").write_text(CONFIG_TEXT.replace("draws: 4000", "draws: many"), encoding="utf-8")
    found = [(p.file.removeprefix("config/"), p.column) for p in problems_of(folder)]
    assert found == [
        ("config.yaml", "draws"),
        ("recordings.tsv", "take"),
        ("recordings.tsv", "dynamic"),
        ("instruments.tsv", "price"),
        ("sessions.tsv", "date"),
    ]


# --- a sheet that is wrong as a whole


def test_unknown_missing_and_doubled_columns(tmp_path):
    folder = write_study(tmp_path)
    (folder / "config/sessions.tsv").write_text("sesion\tdate\tdate\tx_a\tx_\t\troom\n", encoding="utf-8")
    problems = problems_of(folder)
    found = {(p.row, p.column) for p in problems if p.file.endswith("sessions.tsv")}
    assert {(1, "sesion"), (1, "date"), (1, "x_"), (1, None), (1, "session")} <= found
    assert next(p for p in problems if p.column == "sesion").cause == "a misspelling of 'session'"
    # The recordings' sessions are not called unknown because of a sheet that could not be read.
    assert all(p.file.endswith("sessions.tsv") for p in problems)


WHOLE_SHEETS = [
    (b"", None, "header row", "empty"),
    (b"session\tdate\n", None, "at least one row", "empty"),
    (b"session|date\ns1|2024-05-03\n", 1, "", ""),
    ("session\troom\ns1\tGroßer Saal\n".encode("latin-1"), 2, "UTF-8", "Latin-1"),
    ("session\troom\ns1\tx\n".encode("utf-16"), None, "readable", "UTF-16"),
    (b"PK\x03\x04rest", None, "UTF-8", "workbook"),
    (b"session\troom\ns1\ta\0b\n", 2, "UTF-8", "NUL"),
    (b"session\troom\ns1\n", 2, "2 cells", "cut off"),
    (b"session\troom\ns1\ta\tb\n", 2, "2 cells", "not quoted"),
    (b'session\troom\ns1\t"hall\n', 2, "quotation marks", "not closed"),
    (b'session\troom\ns1\t"hall" big\n', 2, "quotation marks", ""),
]


@pytest.mark.parametrize(("data", "row", "allowed", "cause"), WHOLE_SHEETS)
def test_a_sheet_that_cannot_be_read_is_one_clear_problem(tmp_path, data, row, allowed, cause):
    folder = write_study(tmp_path)
    (folder / "config/sessions.tsv").write_bytes(data)
    problem = problems_of(folder)[0]
    assert (problem.file, problem.row) == ("config/sessions.tsv", row)
    assert allowed in problem.allowed
    assert cause in problem.cause


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_or_a_folder_in_place_of_a_sheet_does_not_hang(tmp_path):
    folder = write_study(tmp_path)
    (folder / "config/sessions.tsv").unlink()
    os.mkfifo(folder / "config/sessions.tsv")
    (folder / "config/impressions.tsv").mkdir()
    assert [p.cause for p in problems_of(folder)] == ["a folder or a device stands there, not a file"] * 2


def test_a_likely_spelling_is_sought_for_the_first_of_many_wrong_words(tmp_path, monkeypatch):
    """For each of ten thousand it would take some minutes."""
    sought = []
    monkeypatch.setattr(difflib, "get_close_matches", lambda word, *_, **__: sought.append(word) or [])
    instruments = [INSTRUMENTS[0] | {"instrument": f"alto{i}"} for i in range(100)]
    recordings = [
        RECORDINGS[0] | {"recording": f"r{i}", "file": f"{i}.wav", "instrument": f"alot{i}"} for i in range(1000)
    ]
    assert len(problems_of(write_study(tmp_path, recordings, instruments))) == 1000
    assert 1 <= len(sought) <= 100


def test_missing_sheet_and_missing_study(tmp_path):
    folder = write_study(tmp_path / "s")
    (folder / "config/sessions.tsv").unlink()
    assert "missing" in the_problem(folder).cause
    problems = problems_of(tmp_path / "nowhere")
    assert "evenbore new" in problems[0].cause


# --- config

BAD_CONFIGS = [
    ("title:", "titel:", "titel", None, "misspelling of 'title'"),
    (
        "  max_instruments_in_figures: 40",
        "  max_instrument_in_figures: 40",
        "report.max_instrument_in_figures",
        None,
        "misspelling of 'max_instruments_in_figures'",
    ),
    ("seed: 20250101", "seed: 2025.0", "seed", "2025.0", ""),
    ("seed: 20250101", "seed: yes", "seed", "True", "quote"),
    ("seed: 20250101", "seed:", "seed", "null", "nothing stands"),
    ("seed: 20250101", "seed: 1\nseed: 2", "seed", None, "copied"),
    ("base_dynamic: mf", "base_dynamic: MF", "base_dynamic", "MF", "misspelling of 'mf'"),
    ("noise: null", "noise: 0", "just_noticeable.noise", "0", ""),
    ("noise: null", "noise: .nan", "just_noticeable.noise", ".nan", ""),
    ("noise: null", "noise: .inf", "just_noticeable.noise", ".inf", ""),
    ("[as_found, after_setup]", "[as found]", "states.0", "as found", ""),
    ("[as_found, after_setup]", "[as_found, As_Found]", "states.1", "As_Found", ""),
    ("[as_found, after_setup]", "[]", "states", "[]", ""),
    ("[as_found, after_setup]", "[latest]", "states.0", "latest", "meaning"),
    ("compare_state: latest", "compare_state: newest", "compare_state", "newest", ""),
    ("  soloist:", "  big soloist:", "priorities", "big soloist", "letters"),
    ("    response: 25", "    respons: 25", "priorities.beginner.respons", None, "misspelling of 'response'"),
    ("[as_found, after_setup]", '["as_found\\n"]', "states.0", "as_found\n", "letters"),
    ("config/sessions.tsv", '"a\\0b"', "sheets.sessions", "a\0b", ""),
    ("note_cents: 20 ", "note_cents: -20 ", "tolerances.default.note_cents", "-20", ""),
]


@pytest.mark.parametrize(("old", "new", "key", "value", "cause"), BAD_CONFIGS)
def test_a_wrong_key_is_named_with_its_line(tmp_path, old, new, key, value, cause):
    folder = write_study(tmp_path)
    assert old in CONFIG_TEXT
    text = CONFIG_TEXT.replace(old, new, 1)
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    problem = next(p for p in problems_of(folder) if p.column == key)
    assert problem.file == "config/config.yaml"
    assert problem.value == value
    assert cause in problem.cause
    assert key.split(".")[0] in "\n".join(text.splitlines()[: problem.row])


@pytest.mark.parametrize(
    ("old", "line"),
    [
        ("draws: 4000", "`draws: 4000`"),
        (
            "  impressions: config/impressions.tsv",
            "below 'sheets:', indented, the line `impressions: config/impressions.tsv`",
        ),
        ("states: [as_found, after_setup]", "`states: [as_found, after_setup]`"),
        ("    stuffy_z: 3.5", "below 'tolerances.default:', indented, the line `stuffy_z: 3.5`"),
    ],
)
def test_a_missing_key_is_answered_with_the_line_to_add(tmp_path, old, line):
    folder = write_study(tmp_path)
    text = re.sub(rf"^{re.escape(old)}.*\n", "", CONFIG_TEXT, flags=re.MULTILINE)
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    assert line in the_problem(folder).allowed


def older_config(folder, *lines):
    """Take lines out of a study's config, as if it were from before these criteria existed."""
    text = (folder / "config/config.yaml").read_text(encoding="utf-8")
    for line in lines:
        text, found = re.subn(rf"^  {line} .*\n", "", text, flags=re.MULTILINE)
        assert found == 1
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    return folder


def test_a_config_from_before_a_criterion_existed_gets_its_default_and_says_so(tmp_path):
    whole = load_study(write_study(tmp_path))
    assert whole.added_settings == []
    study = load_study(older_config(tmp_path, "intonation_spread: 3", "noise: null"))
    assert study.config == whole.config and list(study.config["just_noticeable"]) == list(CRITERIA)[:-1]
    assert study.added_settings == [
        "just_noticeable.intonation_spread: 3 (cents)",
        "just_noticeable.noise: null (dB)",
    ]


def test_a_config_from_before_own_days_were_assumed_gets_the_defaults_and_says_so(tmp_path):
    whole = load_study(write_study(tmp_path))
    lines = "own_days:", *(f"  {kind}: {scale}" for kind, scale in DAY_KINDS.items())
    text = (tmp_path / "config/config.yaml").read_text(encoding="utf-8")
    for line in lines:
        text, found = re.subn(rf"^{line}.*\n", "", text, flags=re.MULTILINE)
        assert found == 1
    (tmp_path / "config/config.yaml").write_text(text, encoding="utf-8")
    study = load_study(tmp_path)
    assert study.config == whole.config
    assert study.added_settings == [
        "own_days.whole: 0.3 (standard deviations of a take)",
        "own_days.between_notes: 0.3 (standard deviations of a take)",
    ]


def test_own_days_are_given_all_or_none_and_above_nothing(tmp_path):
    folder = write_study(tmp_path)
    for old, new, column in (
        ("  between_notes: 0.3", "", "own_days.between_notes"),
        ("  whole: 0.3", "  whole: 0", "own_days.whole"),
        ("  whole: 0.3", "  wholes: 0.3\n  whole: 0.3", "own_days.wholes"),
    ):
        text = re.sub(f"{old}.*\n", f"{new}\n", CONFIG_TEXT)
        (folder / "config/config.yaml").write_text(text, encoding="utf-8")
        assert the_problem(folder).column == column


@pytest.mark.parametrize(
    ("key", "sections"),
    [("smoothness", ("just_noticeable", "priorities.beginner")), ("total_cost", ("just_noticeable",))],
)
def test_what_is_no_measured_criterion_has_neither_difference_nor_weight(tmp_path, key, sections):
    for section in sections:
        old = f"{section.rpartition('.')[2]}:\n"
        folder = write_study(tmp_path)
        text = CONFIG_TEXT.replace(old, f"{old}{'  ' * (1 + section.count('.'))}{key}: 1\n")
        (folder / "config/config.yaml").write_text(text, encoding="utf-8")
        assert the_problem(folder).column == f"{section}.{key}"


def test_cost_may_have_a_weight(tmp_path):
    folder = write_study(tmp_path)
    text = CONFIG_TEXT.replace("  soloist:\n", "  soloist:\n    total_cost: 20\n")
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    assert load_study(folder).config["priorities"]["soloist"]["total_cost"] == 20


def test_a_weight_below_zero_is_for_a_matter_of_taste_alone(tmp_path):
    folder = write_study(tmp_path)
    for line, column in (("brightness: -20", None), ("noise: -20", "priorities.soloist.noise")):
        text = re.sub("    noise: 5\n", "", CONFIG_TEXT).replace("  soloist:\n", f"  soloist:\n    {line}\n")
        (folder / "config/config.yaml").write_text(text, encoding="utf-8")
        if column:
            assert the_problem(folder).column == column
        else:
            assert load_study(folder).config["priorities"]["soloist"]["brightness"] == -20


def test_the_line_to_add_mends_the_config(tmp_path):
    folder = write_study(tmp_path)
    for key in load_schema("config")["required"]:
        value = default_config()[key]
        text = yaml.safe_dump({k: v for k, v in default_config().items() if k != key})
        (folder / "config/config.yaml").write_text(text, encoding="utf-8")
        line = re.search("`(.*)`", the_problem(folder).allowed).group(1)
        assert yaml.safe_load(line) == {key: value}
        (folder / "config/config.yaml").write_text(f"{text}{line}\n", encoding="utf-8")
        load_study(folder)


@pytest.mark.parametrize(
    ("text", "row", "cause"),
    [
        ("title: x\n  y: : z\n", 2, "YAML syntax"),
        ("a: &a [1]\nb: *a\n", 2, "aliases"),
        ("a: &a [*a]\n", 1, "aliases"),
        ("a: !!python/object/apply:os.system ['true']\n", 1, "YAML syntax"),
        ('title: "\\ud800"\n', 1, "half a character"),
        ("a: !!int x\n", None, "not readable"),
        ("a: !!binary gANjb3M=\n", 1, "YAML syntax"),
        ("a: !!set {b, c}\n", 1, "YAML syntax"),
        ("[" * 5000, None, "nested"),
        ("", 1, "empty"),
        ("- a\n", 1, ""),
        ("title: \x01\n", None, "YAML syntax"),
        ("? [a, b]\n: c\n", 1, ""),
    ],
)
def test_yaml_that_cannot_be_read_is_one_clear_problem(tmp_path, text, row, cause):
    folder = write_study(tmp_path)
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    problem = problems_of(folder)[0]
    assert (problem.file, problem.row) == ("config/config.yaml", row)
    assert cause in problem.cause


def test_names_in_messages_cannot_steer_a_terminal(tmp_path):
    folder = write_study(tmp_path)
    (folder / "config/config.yaml").write_text(CONFIG_TEXT + '"\\e[31mred": 1\n', encoding="utf-8")
    (folder / "config/sessions.tsv").write_text("session\tro\x1b[31mom\ns1\t\n", encoding="utf-8")
    problems = problems_of(folder)
    assert len(problems) == 2
    assert all("\x1b" not in str(problem) for problem in problems)


def test_a_path_too_long_for_the_disk_is_a_missing_sheet(tmp_path):
    folder = write_study(tmp_path)
    text = CONFIG_TEXT.replace("config/sessions.tsv", "x" * 5000).replace("config/inspection.tsv", "y" * 5000)
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    assert "missing" in the_problem(folder).cause


def test_keys_of_ones_own_are_allowed(tmp_path):
    folder = write_study(tmp_path)
    (folder / "config/config.yaml").write_text(CONFIG_TEXT + "x_shop: {any: [thing]}\n", encoding="utf-8")
    load_study(folder)


# --- schemas, docs and the default config agree


def described(schema, path=""):
    """Yield (path, schema) of every property, and of the values of free-named keys."""
    for name, part in schema.get("properties", {}).items():
        yield f"{path}{name}", part
        yield from described(part, f"{path}{name}.")
    if isinstance(schema.get("additionalProperties"), dict):
        yield f"{path}*", schema["additionalProperties"]
        yield from described(schema["additionalProperties"], f"{path}*.")


@pytest.mark.parametrize("name", ["config", *SHEETS])
def test_schemas_are_strict_and_every_key_is_described(name):
    schema = load_schema(name)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["additionalProperties"] is False
    for path, part in described(schema):
        assert part.get("description"), path
        if part.get("type") == "object":
            assert "additionalProperties" in part, path
        if part.get("type") in ("number", "integer"):
            assert ("minimum" in part or "exclusiveMinimum" in part) and "maximum" in part, path


@pytest.mark.parametrize("name", ["config", *SHEETS])
def test_every_key_and_column_is_in_the_readme(name):
    readme = (repo_root() / "config" / "README.md").read_text(encoding="utf-8")
    section = readme.split(f"\n## {'config.yaml' if name == 'config' else name}", 1)[1].split("\n## ", 1)[0]
    for path, _ in described(load_schema(name)):
        if not path.endswith("*"):
            assert f"`{path.split('.')[-1]}`" in section, path


@pytest.mark.parametrize("name", SHEETS)
def test_every_unit_range_and_default_of_a_column_is_in_the_readme(name):
    readme = (repo_root() / "config" / "README.md").read_text(encoding="utf-8")
    section = readme.split(f"\n## {name}", 1)[1].split("\n## ", 1)[0]
    for column, spec in load_schema(name)["properties"].items():
        line = next(line for line in section.splitlines() if line.startswith(f"| `{column}`"))
        for word in (*spec.get("enum", []), *([str(spec["default"])] if "default" in spec else [])):
            assert word in line, (column, word)
        if spec["type"] in ("integer", "number"):
            assert f"{spec['maximum']:.10g}" in line, column


def test_default_config_is_right_and_names_no_study_of_its_own(tmp_path):
    assert read_study(write_study(tmp_path)).problems == []
    assert set(default_config()) == {
        *load_schema("config")["required"],
        "own_days",
        "recording_defaults",
    }  # without these a default serves


# --- anything at all in a sheet or config: StudyError or a study, nothing else

CELL = st.text(st.characters(exclude_categories=["Cs"]), max_size=12) | st.sampled_from(
    ["alto1", "s1", "1", "mf", "C4", "notes", "=1+1", '"', "\t", "\0", "\r", "1e5", "٣", "<b>", "../x", ""]
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(sheet=st.sampled_from(SHEETS), data=st.data())
def test_any_cells_give_a_study_or_its_problems(tmp_path, sheet, data):
    folder = write_study(tmp_path)
    known = list(load_schema(sheet)["properties"])
    header = data.draw(st.lists(st.sampled_from(known) | CELL, max_size=6))
    rows = data.draw(st.lists(st.lists(CELL, max_size=7), max_size=4))
    separator = data.draw(st.sampled_from("\t,;"))
    text = "\n".join(separator.join(row) for row in [header, *rows])
    (folder / f"config/{sheet}.tsv").write_bytes(text.encode())
    study_or_problems(folder)
    (folder / f"config/{sheet}.tsv").unlink()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=60), sheet=st.sampled_from([*SHEETS, "config"]))
def test_any_bytes_give_a_study_or_its_problems(tmp_path, data, sheet):
    folder = write_study(tmp_path)
    path = folder / ("config/config.yaml" if sheet == "config" else f"config/{sheet}.tsv")
    path.write_bytes(data)
    study_or_problems(folder)
    path.unlink()


KEYS = st.text(max_size=4) | st.sampled_from(
    [*default_config(), "default", "note_cents", "beginner", "response", "recordings"]
)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda children: st.lists(children, max_size=3) | st.dictionaries(KEYS, children, max_size=3),
    max_leaves=6,
)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(changes=st.dictionaries(KEYS, VALUES, min_size=1, max_size=3))
def test_any_settings_give_a_study_or_its_problems(tmp_path, changes):
    folder = write_study(tmp_path)
    (folder / "config/config.yaml").write_text(yaml.safe_dump(default_config() | changes), encoding="utf-8")
    study_or_problems(folder)


def study_or_problems(folder):
    try:
        assert dataclasses.is_dataclass(load_study(folder))
    except StudyError as error:
        assert error.problems
        assert all(str(problem) and problem.allowed for problem in error.problems)


def test_a_date_among_own_settings_is_text(tmp_path):
    folder = write_study(tmp_path)
    (folder / "config/config.yaml").write_text(CONFIG_TEXT + "x_day: {first: 2024-05-03}\n", encoding="utf-8")
    assert load_study(folder).config["x_day"] == {"first": "2024-05-03"}


def test_control_characters_are_no_text(tmp_path):
    folder = write_study(tmp_path, instruments=changed(INSTRUMENTS, 1, body_material="br\x07ass"))
    text = CONFIG_TEXT.replace("currency: EUR", 'currency: "\\x07"')
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError) as error:
        load_study(folder)
    assert [(p.column, p.value, p.allowed) for p in error.value.problems] == [
        ("currency", "\x07", "text without control characters"),
        ("body_material", "br\x07ass", "text without control characters"),
    ]


def test_accepted_shipments_are_those_of_the_sheet(tmp_path):
    folder = write_study(tmp_path)
    text = CONFIG_TEXT.replace("accepted_shipments: []", "accepted_shipments: [June lot]")
    (folder / "config/config.yaml").write_text(text, encoding="utf-8")
    problem = the_problem(folder)
    assert (problem.column, problem.value) == ("vetting.accepted_shipments", "June lot")
