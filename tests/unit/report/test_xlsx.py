"""The workbook: the same values as the tables, text that stays text, read back with another library."""

import openpyxl
import pandas as pd
import pytest

import report_sample
from evenbore.facts.columns import TABLES
from evenbore.report.results import read_results
from evenbore.report.workbook import write_workbook
from evenbore.study.sheets import load_study


@pytest.fixture(scope="module")
def workbook(report):
    return openpyxl.load_workbook(report / "results/comparison.xlsx")


def test_no_cell_is_a_formula_or_a_link(workbook):
    for sheet in workbook:
        assert not sheet._hyperlinks
        assert not [cell for row in sheet for cell in row if cell.data_type == "f"]
    labels = [cell.value for cell in workbook["summary"]["B"]][1:]
    assert sorted(labels) == sorted(report_sample.LABELS.values())


def test_values_are_those_of_the_tables_and_missing_cells_are_empty(workbook, results):
    rows = list(workbook["criteria"].values)
    table = results.tables["instruments"]
    assert list(rows[0]) == list(table.columns)
    read = pd.DataFrame(rows[1:], columns=rows[0])
    pd.testing.assert_series_equal(read["value"].astype(float), table["value"], check_names=False)
    assert read["value"].isna().any()


def test_decisions_findings_and_value_are_named_and_shown_rounded(workbook, results):
    for sheet, table in (("decisions", "vetting"), ("findings", "findings"), ("value", "value")):
        head, *rows = workbook[sheet].values
        assert head[:2] == ("instrument", "label") and len(rows) == len(results.tables[table])
        assert all(label == (results.label(name) if name else None) for name, label, *_ in rows)
    column = [cell.value for cell in workbook["value"][1]].index("quality") + 1
    cell = workbook["value"].cell(2, column)
    assert cell.number_format == "0.0##" and cell.value == results.tables["value"]["quality"].iloc[0]


def test_the_summary_holds_every_instrument_with_units(workbook, results):
    rows = list(workbook["summary"].values)
    summary = pd.DataFrame(rows[1:], columns=rows[0]).set_index("instrument")
    assert list(summary.index) == results.order
    table = results.compared("instruments").set_index(["instrument", "criterion"])
    assert summary.loc["ref", "intonation_spread (cents)"] == table.loc[("ref", "intonation_spread"), "value"]
    assert summary.loc["ref", "total_cost (EUR)"] == table.loc[("ref", "total_cost"), "value"]
    assert pd.isna(summary.loc["f", "total_cost (EUR)"])


def test_the_same_tables_give_the_same_file(results, report, tmp_path):
    write_workbook(results, tmp_path / "again.xlsx")
    assert (tmp_path / "again.xlsx").read_bytes() == (report / "results/comparison.xlsx").read_bytes()


def test_empty_tables_give_a_workbook(tmp_path):
    study = report_sample.empty_results(tmp_path)
    write_workbook(read_results(load_study(study), study / "results/tables"), tmp_path / "empty.xlsx")
    assert openpyxl.load_workbook(tmp_path / "empty.xlsx")["pairs"].max_row == 1


def test_columns_are_all_described(report):
    listed = pd.read_csv(report / "results/tables/columns.tsv", sep="\t")
    assert list(listed.columns) == ["table", "column", "unit", "meaning", "source"]
    assert list(zip(listed["table"], listed["column"], strict=True)) == [
        (table, column.name) for table, columns in TABLES.items() for column in columns
    ]
    assert listed["meaning"].notna().all()
