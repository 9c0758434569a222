"""Sheets in one workbook, and numbers, prices and dates as people write them."""

import csv
import datetime

import openpyxl
import pytest

from evenbore.files.errors import EvenboreError
from evenbore.files.paths import repo_root
from evenbore.plan.plan import read_for_plan
from evenbore.study.join import join_studies
from evenbore.study.new import add_recordings, new_study
from evenbore.study.sheetfile import read_cells, read_sheet
from evenbore.study.sheets import CONFIG, load_study, read_study
from evenbore.study.workbook import WORKBOOK, write_study_workbook

FILES = ("Flöte Grün mf 1.wav", "Flöte Grün mf take 2.wav", "Flöte Weiß mf take 1.wav")


@pytest.fixture
def study(tmp_path):
    (tmp_path / "audio").mkdir()
    for file in FILES:
        (tmp_path / "audio" / file).write_bytes(b"")
    new_study(tmp_path / "study", tmp_path / "audio", workbook=True)
    return tmp_path / "study"


@pytest.fixture
def edit(study):
    """Function: put values into cells, {(sheet, row, column): value}, and save."""

    def edited(cells):
        book = openpyxl.load_workbook(study / WORKBOOK)
        for (kind, row, column), value in cells.items():
            heads = [cell.value for cell in book[kind][1]]
            if column not in heads:
                book[kind].cell(1, len(heads) + 1, column)
                heads.append(column)
            book[kind].cell(row, heads.index(column) + 1).value = value
        book.save(study / WORKBOOK)

    return edited


def problems(study):
    return [str(problem) for problem in read_study(study).problems]


def test_a_new_workbook_is_a_study_once_confirmed(study, edit):
    assert not list((study / "config").glob("*.tsv"))
    edit({("recordings", row, "confirm"): None for row in (2, 3, 4)})
    loaded = load_study(study)
    assert {row["label"] for row in loaded.instruments.values()} == {"Flöte Grün", "Flöte Weiß"}
    assert {row["family"] for row in loaded.instruments.values()} == {"flute"}
    assert [row["take"] for row in loaded.recordings] == [1, 2, 1]
    assert set(loaded.files.values()) == {study / CONFIG, study / WORKBOOK}


def test_lists_and_help_are_in_it(study):
    book = openpyxl.load_workbook(study / WORKBOOK)
    offered = {}
    for kind in ("recordings", "instruments", "inspection"):
        for choice in book[kind].data_validations.dataValidation:
            head = book[kind].cell(1, openpyxl.utils.cell.range_boundaries(str(choice.sqref))[0]).value
            place, cells = choice.formula1.split("!")
            offered[kind, head] = [c.value for row in book[place][cells] for c in row if c.value is not None]
    assert offered["recordings", "dynamic"] == ["pp", "p", "mp", "mf", "f", "ff"]
    assert "clarinet_bass_low_c" in offered["instruments", "family"]
    assert offered["recordings", "instrument"] == [book["instruments"].cell(row, 1).value for row in (2, 3)]
    assert offered["recordings", "session"] == ["session1"]
    assert offered["inspection", "state"] == ["as_found", "after_setup"]
    assert "written note" in book["recordings"]["I1"].comment.text
    assert book["lists"].sheet_state == "hidden"


def test_what_is_in_cells_is_read_as_what_it_is(study, edit):
    edit({("recordings", row, "confirm"): None for row in (2, 3, 4)} | {
        ("instruments", 2, "price"): "1.234,50 €", ("instruments", 3, "price"): 980,
        ("instruments", 2, "bore_mm"): "14,9", ("instruments", 2, "serial"): 20417,
        ("instruments", 2, "reference"): True, ("instruments", 3, "label"): " Weiß ",
        ("sessions", 2, "date"): datetime.datetime(2025, 3, 4, 9, 30), ("sessions", 2, "temperature_c"): "21,5",
    })  # fmt: skip
    loaded = load_study(study)
    green, white = loaded.instruments.values()
    assert (green["price"], white["price"], green["bore_mm"]) == (1234.5, 980.0, 14.9)
    assert (green["serial"], green["reference"], white["label"]) == ("20417", "yes", "Weiß")
    assert [(row["date"], row["temperature_c"]) for row in loaded.sessions.values()] == [("2025-03-04", 21.5)]


def test_messages_name_sheet_row_and_column(study, edit):
    edit({("recordings", 3, "dynamic"): "loud", ("instruments", 2, "price"): "$ 12"})
    told = problems(study)
    assert any(one.startswith(f"{WORKBOOK}, sheet recordings, row 3, column 'dynamic': found 'loud'") for one in told)
    (price,) = (one for one in told if "price" in one)
    assert price.startswith(f"{WORKBOOK}, sheet instruments, row 2, column 'price': found '$ 12'")
    assert price.endswith("Likely cause: a unit, a word, or the sign of a currency other than EUR in the cell.")


def test_a_formula_counts_with_its_value_and_never_as_a_blank(study, edit):
    edit({("instruments", 2, "price"): "=2*600"})
    (told,) = (one for one in problems(study) if "=2*600" in one)
    assert told.startswith(f"{WORKBOOK}, sheet instruments, row 2, column 'price'")
    assert "calculated and saved" in told


def test_text_that_looks_like_a_formula_stays_text(tmp_path):
    (tmp_path / "audio").mkdir()
    (tmp_path / "audio/=1+1 take 1.wav").write_bytes(b"")
    new_study(tmp_path / "study", tmp_path / "audio", "flute", workbook=True)
    book = openpyxl.load_workbook(tmp_path / "study" / WORKBOOK)
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row]
    assert {cell.data_type for cell in cells} <= {"s", "n"}
    assert any(str(cell.value).startswith("=1+1") for cell in cells)


def test_not_both_text_and_workbook(study):
    (study / "config/sessions.tsv").write_text("session\nx\n", encoding="utf-8")
    told = [one for one in problems(study) if "not both" in one]
    assert len(told) == 1 and "config/sessions.tsv" in told[0]
    with pytest.raises(EvenboreError, match="a study already"):
        new_study(study, study.parent / "audio", "flute")


def test_sheets_missing_misspelt_and_own(study):
    book = openpyxl.load_workbook(study / WORKBOOK)
    book["sessions"].title = "sesions"
    book.create_sheet("x_notes")["A1"] = "mine"
    book.create_sheet("Sheet1")
    book.save(study / WORKBOOK)
    told = [one for one in problems(study) if "confirm" not in one]
    assert [one.partition(":")[0] for one in told] == [f"{WORKBOOK}, sheet sessions", f"{WORKBOOK}, sheet sesions"]
    assert "a misspelling of 'sessions'" in told[1]


def test_a_damaged_workbook_is_one_message(study):
    whole = (study / WORKBOOK).read_bytes()
    for damaged in (b"", b"PK\x03\x04", whole[: len(whole) // 2], whole[:3000] + bytes(200) + whole[3200:]):
        (study / WORKBOOK).write_bytes(damaged)
        told = problems(study)
        assert told[0].startswith(f"{WORKBOOK}: allowed: a workbook (.xlsx) that can be read"), told


def test_later_takes_join_and_the_rest_of_the_workbook_stays(study, edit):
    edit({("recordings", row, "confirm"): None for row in (2, 3, 4)} | {
        ("instruments", 2, "price"): "1 200", ("instruments", 3, "x_note"): "mine", ("instruments", 9, "comment"): None,
    })  # fmt: skip
    later = study.parent / "later"
    later.mkdir()
    (later / "Flöte Grün mf take 7.wav").write_bytes(b"")
    (later / "Oboe laut take 1.wav").write_bytes(b"")
    add_recordings(study, later)
    edit({("recordings", 6, "confirm"): None})  # an oboe among the flutes
    loaded = load_study(study)
    assert [(row["instrument"], row["take"], row["dynamic"]) for row in loaded.recordings[3:]] == [
        ("Flote_Grun", 7, "mf"),
        ("Oboe", 1, "f"),
    ]
    assert [row["family"] for row in loaded.instruments.values()] == ["flute", "flute", "oboe"]
    assert [row["x_note"] for row in loaded.instruments.values()] == [None, "mine", None]
    assert next(iter(loaded.instruments.values()))["price"] == 1200
    assert openpyxl.load_workbook(study / WORKBOOK)["recordings"].data_validations.count > 3


@pytest.mark.parametrize("separator", ["\t", ";"])
@pytest.mark.parametrize(
    ("column", "text", "value"),
    [
        ("price", "1200,50", 1200.5), ("price", "€1.200,50", 1200.5), ("price", "1 200 EUR", 1200),
        ("price", "1,200.50", 1200.5), ("price", "1'200.–", 1200), ("price", "3.200,-", 3200),
        ("price", "12.500.000", 12.5e6),        ("bore_mm", "14,850", 14.85),
        ("price", "0,125", 0.125), ("price", "1,200", None), ("price", "1.200", None), ("price", "£ 12", None),
        ("price", "-5", None), ("bore_mm", "14 mm", None), ("bore_mm", "€ 14", None), ("price", "1,20,00", None),
    ],
)  # fmt: skip
def test_numbers_and_prices_as_people_write_them(tmp_path, separator, column, text, value):
    with (tmp_path / "sheet.tsv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, delimiter=separator)
        writer.writerows([["instrument", "label", "family", column], ["oboe_oak", "Oak", "oboe", text]])
    sheet, problems = read_sheet(tmp_path / "sheet.tsv", "instruments", "sheet.tsv", "EUR")
    assert sheet.rows[0][column] == value
    assert [problem.column for problem in problems] == ([] if value is not None else [column])


@pytest.mark.parametrize(
    ("text", "date"),
    [("3.5.2024", "2024-05-03"), ("03. 05. 2024", "2024-05-03"), ("3/5/2024", None), ("31.2.2024", None)],
)
def test_dates_with_points_are_day_month_year(tmp_path, text, date):
    (tmp_path / "sheet.tsv").write_text(f"session\tdate\nsession1\t{text}\n", encoding="utf-8")
    sheet, problems = read_sheet(tmp_path / "sheet.tsv", "sessions", "sheet.tsv")
    assert sheet.rows[0]["date"] == date
    assert [problem.column for problem in problems] == ([] if date else ["date"])


def test_the_demo_reads_the_same_from_a_workbook(tmp_path):
    demo = load_study(repo_root())
    rows = {}
    for kind in ("recordings", "instruments", "sessions", "inspection", "impressions"):
        cells = read_cells(demo.files[kind], kind)
        rows[kind] = [dict(zip(cells.columns, row, strict=True)) for row in cells.rows]
    for row in rows["recordings"]:
        row["file"] = (repo_root() / row["file"]).as_posix()
    (tmp_path / "config").mkdir()
    (tmp_path / CONFIG).write_bytes((repo_root() / CONFIG).read_bytes())
    write_study_workbook(tmp_path / WORKBOOK, rows, demo.config["states"])
    book = load_study(tmp_path)
    assert (book.instruments, book.sessions, book.inspection, book.impressions) == (
        demo.instruments, demo.sessions, demo.inspection, demo.impressions,
    )  # fmt: skip
    assert [row | {"file": ""} for row in book.recordings] == [row | {"file": ""} for row in demo.recordings]


def test_a_study_with_a_workbook_joins_others(study, edit):
    edit({("recordings", row, "confirm"): None for row in (2, 3, 4)} | {("instruments", 2, "price"): "1.234,50"})
    other = study.parent / "other"
    new_study(other, study.parent / "audio")
    path = other / "config/recordings.tsv"
    cells = read_cells(path, "recordings")
    at = cells.columns.index("confirm")
    rows = [[*row[:at], "", *row[at + 1 :]] for row in cells.rows]
    path.write_text("\n".join("\t".join(row) for row in [cells.columns, *rows]), encoding="utf-8")
    (study.parent / "copy").mkdir()
    for row in load_study(other).recordings:
        (study.parent / "copy" / row["path"].name).write_bytes(b"")
    path.write_text(path.read_text("utf-8").replace("../audio/", "../copy/"), encoding="utf-8")
    join_studies([study, other], study.parent / "both")
    both = load_study(study.parent / "both")
    assert len(both.recordings) == 6
    assert both.instruments["Flote_Grun"]["price"] == 1234.5


def test_a_plan_says_that_the_workbook_cannot_be_read(study):
    (study / WORKBOOK).write_bytes(b"PK")
    with pytest.raises(EvenboreError, match="that can be read"):
        read_for_plan(study)
